"""What a room is asked before it sees the answer, and how it did."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

from rig.advice.compare.result import Comparison, Quantity, SetUpSummary
from rig.advice.evidence.statistics import Verdict
from rig.report.courses import SetUpCourse
from rig.runs import SetUp

MOST_SHOWN = 3
"""More curves than this nobody in the last row tells apart."""


class Asked(StrEnum):
    """What the room guesses."""

    COLDER = "colder"
    THINNER = "thinner"

    @property
    def words(self) -> str:
        """The question."""
        return {Asked.COLDER: "Which gets colder?", Asked.THINNER: "Which takes more water?"}[self]

    @property
    def quantity(self) -> Quantity:
        """What it is decided by."""
        return {Asked.COLDER: Quantity.TEMP_C, Asked.THINNER: Quantity.DILUTION}[self]


ASKED = tuple(a.value for a in Asked)


def winners(found: Comparison, ask: Asked) -> tuple[SetUp, ...]:
    """The set-up that answers the question, with those that cannot be told from it; none where nothing is known."""
    known = [(v, s.set_up) for s in found.summaries if (v := _value(s, ask)) is not None]
    if len(known) < 2:
        return ()
    _, best = min(known) if ask is Asked.COLDER else max(known)
    told_apart = {
        other
        for p in found.pairs
        for c in p.contrasts
        if best in (p.a, p.b) and c.quantity is ask.quantity and c.verdict is Verdict.DIFFERENT
        for other in (p.a, p.b)
        if other != best
    }
    return (best, *(s for _, s in known if s != best and s not in told_apart))


def _value(summary: SetUpSummary, ask: Asked) -> float | None:
    values = summary.temp_c if ask is Asked.COLDER else summary.dilution_by_volume
    return None if values is None else values[1]


def room_said(found: Comparison, ask: Asked, courses: Sequence[SetUpCourse], hands: Sequence[int]) -> str:
    """The answer in a sentence, and how many of the hands were right."""
    labels = {c.set_up: c.label for c in courses}
    right = winners(found, ask)
    if not right:
        return "The runs do not tell. More runs of each would."
    what = "colder" if ask is Asked.COLDER else "thinner: it takes more water"
    if len(right) == len(found.summaries):
        answer = "The runs cannot tell them apart."
    elif len(right) == 1:
        answer = f"{labels[right[0]]} is {what}."
    else:
        answer = f"{' and '.join(labels[s] for s in right)} cannot be told apart; the rest is behind."
    answer = f"{answer[0].upper()}{answer[1:]}"
    asked, given = sum(hands), [h for c, h in zip(courses, hands, strict=False) if c.set_up in right]
    if not asked:
        return answer
    return f"{answer} {sum(given)} of {asked} hand{'' if asked == 1 else 's'} had it."
