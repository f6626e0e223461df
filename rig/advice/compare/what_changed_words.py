"""What changed, in words for the person behind the bar."""

from __future__ import annotations

from rig.advice.check.residual_bias import Observation
from rig.advice.compare.changes import By, Change, WhatChanged
from rig.advice.evidence.statistics import Verdict
from rig.answer_units import true_minus

_KINDS = {
    Observation.WEIGHING: (100.0, "% dilution", "more", "less", "dilution"),
    Observation.TEMPERATURE: (1.0, "°C", "warmer", "colder", "end temperature"),
}


def sentences(found: WhatChanged) -> tuple[str, ...]:
    """A sentence each: first what differs, then what surely does not, then what cannot be told."""
    order = (
        Verdict.DIFFERENT,
        Verdict.NO_DIFFERENCE_THAT_MATTERS,
        Verdict.CANNOT_TELL,
        Verdict.NOT_COMPARABLE,
    )
    told = sorted(found.changes, key=lambda c: (order.index(c.verdict), c.p_adjusted))
    apart = (
        f"{_name(found.by, a)} and {_name(found.by, b)} share no drink on a set-up: what differs may be either. "
        "Make two runs of one drink on one set-up with both"
        for a, b in found.apart
    )
    nothing = [f"Nothing differs by {found.by.words} as far as these runs tell"]
    first = nothing if told and not any(c.verdict is Verdict.DIFFERENT for c in told) else []
    return tuple(
        true_minus(f"{text}.") for text in (*first, *(change_words(found.by, c) for c in told), *apart)
    )


def change_words(by: By, change: Change) -> str:
    """One comparison: by how much, from where to where, and on how many runs it rests."""
    scale, unit, more, less, about = _KINDS[change.observation]
    low, size, high = (scale * v for v in (change.low, change.difference, change.high))
    who, other = _name(by, change.group), "all others" if change.other is None else _name(by, change.other)
    runs = f"{change.runs} and {change.other_runs} runs"
    if change.verdict is Verdict.DIFFERENT:
        near, far = sorted((low, high), key=abs)
        way = more if size > 0 else less
        return f"{who}: {abs(size):.1f} {unit} {way} than {other} ({abs(near):.1f} to {abs(far):.1f}), {runs}"
    if low * high > 0:
        near, far = sorted((abs(low), abs(high)))
        ends = f"{near:.1f} to {far:.1f} {unit} {more if low > 0 else less}"
    else:
        ends = f"{abs(low):.1f} {unit} {less} to {abs(high):.1f} {unit} {more}"
    known = (
        "no difference that matters"
        if change.verdict is Verdict.NO_DIFFERENCE_THAT_MATTERS
        else "cannot tell"
    )
    return f"{who} against {other}: {known} in {about} ({ends}), {runs}"


def _name(by: By, group: str) -> str:
    kind = {By.ICE_BATCH: "ice ", By.SESSION: "session "}.get(by, "")
    return group if group.casefold().startswith(kind.strip() or "\0") else f"{kind}{group}"
