"""Time put in order: counters that wrap, clocks past midnight, coarse stamps, rows out of order or twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.arrays import BoolArray, FloatArray, IntArray

_WRAP_STEPS = 5.0  # a wrap leaves a step of at most this many usual steps
_NOON_S = 3600.0  # a twelve-hour clock counts 12:59 before 1:00
_STRAY_STEPS = 10.0  # farther than this beyond either end a lone time is damaged
_TO_AND_FRO = (0.2, 0.8)  # newest first, nearly all steps fall; in a joined file few do
_EVEN = 0.5  # of the steps of a shuffled steady clock nearly all are alike
_FEWEST_ROWS = 3  # a recording that starts again has at least this many rows


@dataclass(frozen=True, eq=False)
class Ordered:
    """Rows in order of time: `rows` picks them, `time_s` strictly rises; both have shape (kept rows,)."""

    rows: IntArray
    time_s: FloatArray
    was_sorted: bool
    repeated: IntArray
    clashing: IntArray
    stray: IntArray
    spread: int


def rises_strictly(time_s: FloatArray) -> bool:
    """Whether every row is later than the one before it, as in nearly all files: nothing is to be repaired."""
    return bool(np.all(time_s[1:] > time_s[:-1]))


def unwrapped(time_s: FloatArray, periods_s: Sequence[float], *, is_clock: bool) -> tuple[FloatArray, int]:
    """Add a period wherever a counter or clock started over; gives the times and how often it did.

    A counter wraps where the fall, plus one period, leaves an ordinary step; a clock where it falls by more
    than half its period.
    """
    if not np.any(time_s[1:] < time_s[:-1]):
        return time_s, 0
    sound = ~_strays(time_s, keep_twins=False)
    running, times = _carried_on(time_s[sound], periods_s, is_clock=is_clock)
    out = time_s.copy()
    out[sound] = running
    return out, times


def _carried_on(time_s: FloatArray, periods_s: Sequence[float], *, is_clock: bool) -> tuple[FloatArray, int]:
    steps = np.diff(time_s)
    usual = _usual(steps)
    for period in sorted(periods_s):
        if is_clock:
            ups = steps < -period / 2
            downs = (steps > period / 2) & (np.cumsum(ups) > 0)
            turns = np.cumsum(ups.astype(np.int64) - downs)
        else:
            left = steps + period
            ups = (steps < 0) & (left > 0) & (left <= _WRAP_STEPS * usual)
            turns = np.cumsum(ups)
        most = period + _NOON_S if is_clock else period * 1.0001
        if ups.any() and time_s.max() < most:
            return time_s + period * np.concatenate(([0], turns)), int(ups.sum())
    return time_s, 0


def _usual(steps: FloatArray) -> float:
    """The median of the steps forward, 0 where there are none."""
    forward = steps[steps > 0]
    return float(np.median(forward)) if len(forward) else 0.0


def wanders_at(time_s: FloatArray) -> int | None:
    """The row from which the time runs to and fro by no order; None where it rises, or a steady one was shuffled.

    Sorted, the rows of a steady clock are evenly apart whatever order they stood in; those of a broken one are not.
    """
    falls = np.flatnonzero(time_s[1:] < time_s[:-1])
    low, high = _TO_AND_FRO
    if not low * len(time_s) < len(falls) < high * len(time_s):
        return None
    steps = np.diff(np.unique(time_s))
    usual = _usual(steps)
    even = np.mean((steps > 0.5 * usual) & (steps < 1.5 * usual)) if len(steps) else 1.0
    return int(falls[0]) + 1 if even < _EVEN else None


def restarts(time_s: FloatArray) -> IntArray:
    """The rows at which the time falls back to where it began and another recording runs on from there."""
    if not np.any(time_s[1:] < time_s[:-1]):
        return np.empty(0, dtype=np.int64)
    kept = np.flatnonzero(~_strays(time_s, keep_twins=False))
    time_s = time_s[kept]
    steps = np.diff(time_s)
    falls = np.flatnonzero(steps < 0) + 1
    if not len(falls) or len(falls) > max(1, len(time_s) // _FEWEST_ROWS):
        return np.empty(0, dtype=np.int64)
    usual = _usual(steps)
    bounds = np.concatenate(([0], falls, [len(time_s)]))
    lengths = np.diff(bounds)
    padded = np.append(time_s, [time_s[-1]] * 2)
    onward = np.maximum(padded[falls + 1] - padded[falls], padded[falls + 2] - padded[falls + 1])
    again = (
        (np.abs(time_s[falls] - time_s[0]) <= 2 * usual)
        & (-steps[falls - 1] > _FEWEST_ROWS * usual)
        & (onward <= _WRAP_STEPS * usual)
        & (lengths[1:] >= _FEWEST_ROWS)
        & (lengths[:-1] >= _FEWEST_ROWS)
    )
    return np.asarray(kept[falls[again]], dtype=np.int64)


def ordered(time_s: FloatArray, values: Sequence[FloatArray], tick_s: float) -> Ordered:
    """Rows in order of time, each once; rows that share a coarse stamp are spread evenly over its tick.

    `time_s` and each of `values` have shape (rows,). Of rows that share a fine stamp, the first one stays.
    """
    rows = np.arange(len(time_s), dtype=np.int64)
    none = np.empty(0, dtype=np.int64)
    is_stray = _strays(time_s, keep_twins=not _is_coarse(np.sort(time_s), tick_s))
    stray, rows = rows[is_stray], rows[~is_stray]
    steps = np.diff(time_s[rows])
    was_sorted = not np.any(steps < 0)
    if not was_sorted:
        newest_first = int(np.sum(steps < 0)) > max(1, int(np.sum(steps != 0)) // 2)
        rows = rows[::-1] if newest_first else rows
        rows = rows[np.argsort(time_s[rows], kind="stable")]
    time = time_s[rows]
    distinct = np.unique(time)
    if len(distinct) == 1 or np.diff(distinct).min() < tick_s * 0.999:
        tick_s = 0.0  # one stamp tells no rate, and stamps finer than the tick leave no room to spread into
    repeated = clashing = none
    if not _is_coarse(time, tick_s):
        same = _same_as_before(time, [v[rows] for v in values])
        repeated, rows, time = rows[same], rows[~same], time[~same]
    again = np.concatenate(([False], np.diff(time) == 0))
    spread = int(again.sum()) if tick_s > 0 else 0
    if spread:
        time = _spread(time, tick_s)
    else:
        clashing, rows, time = rows[again], rows[~again], time[~again]
    return Ordered(rows, time, was_sorted, repeated, clashing, stray, spread)


def _is_coarse(time: FloatArray, tick_s: float) -> bool:
    """Whether most stamps of a sorted time are borne by several rows each."""
    starts = np.flatnonzero(np.concatenate(([True], np.diff(time) > 0)))
    counts = np.diff(np.append(starts, len(time)))
    inner = counts[1:-1] if len(counts) > 2 else counts
    return tick_s > 0 and len(counts) > 1 and bool(np.mean(inner > 1) > 0.5)


def _strays(time_s: FloatArray, *, keep_twins: bool) -> BoolArray:
    """Rows whose time is damaged: alone out of line, and no gap elsewhere waits for them.

    `keep_twins` spares a row at the very time of another one, which may be that row written twice.
    """
    stray = np.zeros(len(time_s), dtype=np.bool_)
    before, own, after = time_s[:-2], time_s[1:-1], time_s[2:]
    lone = np.flatnonzero((after > before) & ((own < before) | (own > after))) + 1
    if not len(lone) or len(lone) > max(2, len(time_s) // 10):
        return stray
    others = np.sort(np.delete(time_s, lone))
    usual = _usual(np.diff(np.sort(time_s)))
    for at in lone:
        place = int(np.searchsorted(others, time_s[at]))
        if keep_twins and place < len(others) and others[place] == time_s[at]:
            continue
        if 0 < place < len(others):
            stray[at] = others[place] - others[place - 1] <= 1.5 * usual
        else:
            edge = others[0] if place == 0 else others[-1]
            stray[at] = abs(time_s[at] - edge) > _STRAY_STEPS * usual
    return stray


def _same_as_before(time: FloatArray, values: Sequence[FloatArray]) -> BoolArray:
    """Rows that repeat an earlier row of the same time, value by value."""
    same = np.zeros(len(time), dtype=np.bool_)
    group = np.cumsum(np.concatenate(([True], np.diff(time) > 0)))
    shared = np.flatnonzero(np.isin(group, np.flatnonzero(np.bincount(group) > 1)))
    seen: set[tuple[float, ...]] = set()
    for at in shared:
        key = (time[at], *(-np.inf if np.isnan(v[at]) else v[at] for v in values))
        same[at] = key in seen
        seen.add(key)
    return same


def _spread(time: FloatArray, tick_s: float) -> FloatArray:
    """Times of rows that share a stamp, evenly over the tick; the first and last may be partly filled."""
    starts = np.flatnonzero(np.concatenate(([True], np.diff(time) > 0)))
    counts = np.diff(np.append(starts, len(time)))
    inner = counts[1:-1] if len(counts) > 2 else counts
    usual = int(np.median(inner))
    share = np.maximum(counts, 1)
    ahead = np.zeros(len(counts))
    if counts[-1] < usual:
        share[-1] = usual
    if counts[0] < usual:
        share[0], ahead[0] = usual, usual - counts[0]
    place = np.arange(len(time)) - np.repeat(starts, counts)
    spread: FloatArray = time + tick_s * (place + np.repeat(ahead, counts)) / np.repeat(share, counts)
    return spread
