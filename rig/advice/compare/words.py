"""A comparison in words for the person behind the bar, with the numbers in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.advice.compare.result import Contrast, Quantity
from rig.advice.evidence.statistics import Verdict
from rig.answer_units import true_minus
from rig.runs import SetUp


@dataclass(frozen=True)
class _Words:
    """How a quantity is spoken of: its name, unit, size of that unit, and the two directions."""

    about: str
    unit: str
    scale: float
    more: str
    less: str


_WORDS = {
    Quantity.TEMP_C: _Words("temperature", "°C", 1.0, "warmer", "colder"),
    Quantity.DILUTION: _Words("water", "ml", 100.0, "more water", "less water"),
    Quantity.TIME_TO_TARGET_S: _Words("time", "s", 1.0, "later", "sooner"),
    Quantity.DILUTION_AT_TARGET: _Words("water", "ml", 100.0, "more water", "less water"),
}


def sentence(
    a: SetUp,
    b: SetUp,
    runs: tuple[int, int],
    contrasts: Sequence[Contrast],
    gaps: Sequence[str],
    duration_s: float | None,
    goal_c: float | None,
) -> str:
    """What is known of `a` against `b`, and on how many runs it rests."""
    first, second = short_names(a, b)
    said = [f"{first} against {second}"]
    after = [_said(c) for c in contrasts if not c.quantity.at_target]
    there = [_said(c) for c in contrasts if c.quantity.at_target]
    if after and duration_s is not None:
        said.append(f"After {duration_s:.3g} s: {', '.join(after)}")
    if there and goal_c is not None:
        said.append(f"At {goal_c:z.1f} °C: {', '.join(there)}")
    if contrasts:
        said.append(f"Rests on {runs[0]} and {runs[1]} runs")
        said += [f"Not comparable {gap}" for gap in gaps]
    else:
        said += ["Not comparable", *gaps]
    return in_sentences(said)


def in_sentences(parts: Sequence[str]) -> str:
    """Each part as a sentence."""
    return true_minus(" ".join(f"{part[0].upper()}{part[1:]}." for part in parts))


def short_names(a: SetUp, b: SetUp) -> tuple[str, str]:
    """The two set-ups named by what sets them apart."""
    apart = [n for n in ("technique", "vessel", "ice") if getattr(a, n) != getattr(b, n)]
    first, second = (" · ".join(getattr(s, n) for n in apart) for s in (a, b))
    return first, second


def _said(c: Contrast) -> str:
    words = _WORDS[c.quantity]
    if c.verdict is Verdict.DIFFERENT:
        size, way = _number(words, c.difference), words.more if c.difference > 0 else words.less
        return f"{size} {words.unit} {way} ({_interval(words, c)})"
    known = "no difference" if c.verdict is Verdict.NO_DIFFERENCE_THAT_MATTERS else "cannot tell"
    matters = " that matters" if c.verdict is Verdict.NO_DIFFERENCE_THAT_MATTERS else ""
    return f"{known} in {words.about}{matters} ({_interval(words, c)})"


def _interval(words: _Words, c: Contrast) -> str:
    """Both ends; each with its direction unless the difference, said before, has one direction only."""
    near, far = sorted((c.low, c.high), key=abs)
    if c.low * c.high > 0:
        ends = f"{_number(words, near)} to {_number(words, far)}"
        if c.verdict is Verdict.DIFFERENT:
            return ends
        return f"{ends} {words.unit} {words.more if c.low > 0 else words.less}"
    low, high = _number(words, c.low), _number(words, c.high)
    return f"{low} {words.unit} {words.less} to {high} {words.unit} {words.more}"


def _number(words: _Words, value: float) -> str:
    size = abs(value) * words.scale
    return f"{size:.1f}" if size < 9.95 else f"{size:.0f}"
