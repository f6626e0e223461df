"""Many stamps of one shape read at once, by the places of their digits.

Long recordings hold hundreds of thousands of different stamps; taking each apart by itself is too slow.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import repeat

import numpy as np

from rig.arrays import IntArray
from rig.importing.tabular.stamps import Stamp, stamp_from

FEWEST = 500  # below this many stamps one by one is as quick
_RUN = re.compile(r"\d+")
_LONGEST = 40


def stamps_by_shape(texts: Sequence[str]) -> list[Stamp | None]:
    """The stamps of the texts that have the middle one's shape; None for each that has not.

    Reads plain shapes only, where each field is a run of digits of its own: no month names, no AM and PM, no
    20260314.
    """
    nothing: list[Stamp | None] = [None] * len(texts)
    model = texts[len(texts) // 2]
    like = stamp_from(model)
    if like is None or like.has_half_day or len(model) > _LONGEST:
        return nothing
    runs = [(run.start(), run.end()) for run in _RUN.finditer(model)]
    fields = _fields(model, runs, like)
    if fields is None:
        return nothing
    letters = np.array([t if len(t) == len(model) else "" for t in texts], dtype=f"U{len(model)}")
    grid = letters.view(np.uint32).reshape(len(texts), len(model)).astype(np.int64) - ord("0")
    pattern = np.array([ord(c) for c in model]) - ord("0")
    is_digit = (pattern >= 0) & (pattern <= 9)
    fits = ((grid[:, is_digit] >= 0) & (grid[:, is_digit] <= 9)).all(axis=1)
    fits &= (grid[:, ~is_digit] == pattern[~is_digit]).all(axis=1)
    value = {name: _number(grid, *runs[at]) for name, at in fields.items()}
    zone = [at for at in range(len(runs)) if at not in fields.values()]
    for start, end in (runs[at] for at in zone):
        fits &= (grid[:, start:end] == pattern[start:end]).all(axis=1)
    clock_s = np.zeros(len(texts))
    if like.clock is not None:
        clock_s = value["h"] * 3600.0 + value["m"] * 60.0
        fits &= (value["m"] <= 59) & ((value["h"] <= 24) | (like.date is None))
    if "s" in value:
        clock_s += value["s"]
        fits &= value["s"] <= 60
    if "f" in value:
        start, end = runs[fields["f"]]
        clock_s += value["f"] / 10.0 ** (end - start)
    columns = [value[name].tolist() for name in ("a", "b", "c")] if like.date is not None else []
    dates = zip(*columns, strict=True) if columns else repeat(None)
    clocks = clock_s.tolist() if like.clock is not None else repeat(None)
    return [
        Stamp(date, like.order, like.year_may_lead, clock, like.parts, like.has_fraction, False, like.zone_s)
        if fit
        else None
        for fit, date, clock in zip(fits.tolist(), dates, clocks, strict=False)
    ]


def _fields(model: str, runs: Sequence[tuple[int, int]], like: Stamp) -> dict[str, int] | None:
    """Which run of digits is which field, or None where runs and fields do not match one to one."""
    date = ["a", "b", "c"] if like.date is not None else []
    clock = ["h", "m", "s"][: like.parts] + (["f"] if like.has_fraction else [])
    zone_runs = len(runs) - len(date) - len(clock)
    if not 0 <= zone_runs <= (2 if like.zone_s is not None else 0):
        return None
    for order in ((*date, *clock), (*clock, *date)):
        at = {name: position for position, name in enumerate(order)}
        read = tuple(int(model[slice(*runs[at[name]])]) for name in date)
        if read == (like.date or ()):
            # Behind a clock that comes first, a zone's digits would stand between the two.
            return at if zone_runs == 0 or order[: len(date)] == tuple(date) else None
    return None


def _number(grid: IntArray, start: int, end: int) -> IntArray:
    total = np.zeros(len(grid), dtype=np.int64)
    for place in range(start, end):
        total = total * 10 + grid[:, place]
    return total
