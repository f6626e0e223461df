"""What of a trace to draw: a channel's own readings, few of a long one; no peak is lost, nothing is made up."""

from __future__ import annotations

import numpy as np

from rig.arrays import FloatArray, IntArray

MOST_POINTS = 2400
"""More than a wide screen has columns of pixels."""


def thinned(
    time_s: FloatArray,
    values: FloatArray,
    most: int = MOST_POINTS,
    between_s: tuple[float, float] | None = None,
) -> IntArray:
    """Which samples to draw, as rising indices: of each stretch of time its least and its greatest value.

    Parameters
    ----------
    time_s, values
        (samples,); time rises, NaN values are gaps.
    most
        Not more than about so many are kept; fewer samples are all kept.
    between_s
        Only this stretch of time, with one sample beyond each end so that a line leaves the figure.

    Notes
    -----
    Stretches are equal in time, so that a burst of samples does not starve the rest. A stretch with a gap keeps
    a sample of the gap: a line drawn through what is kept breaks where the trace does.
    """
    first, last = 0, time_s.size
    if between_s is not None:
        first = max(int(np.searchsorted(time_s, between_s[0], side="left")) - 1, 0)
        last = min(int(np.searchsorted(time_s, between_s[1], side="right")) + 1, time_s.size)
    count = last - first
    if count <= most:
        return np.arange(first, last, dtype=np.int64)
    t, v = time_s[first:last], values[first:last]
    stretches = max((most - 2) // 3, 1)
    edges = np.linspace(t[0], t[-1], stretches + 1)[1:-1]
    starts = np.unique(np.concatenate([[0], np.searchsorted(t, edges)]))
    starts = starts[starts < count]
    gap = np.isnan(v)
    which = np.repeat(np.arange(starts.size), np.diff(np.append(starts, count)))
    low = _first_at(np.where(gap, np.inf, v), starts, which, np.minimum)
    high = _first_at(np.where(gap, -np.inf, v), starts, which, np.maximum)
    parts = [np.array([0, count - 1]), low, high]
    if gap.any():
        parts.append(_first_at(np.where(gap, 0.0, 1.0), starts, which, np.minimum))
    return np.asarray(first + np.unique(np.concatenate(parts)), dtype=np.int64)


def own_readings(time_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A channel's own readings, (readings,) each: times at which only other devices were read are left out.

    Where it fell silent for much longer than it usually does, one gap stays, so that no line is drawn across.
    """
    read = np.flatnonzero(~np.isnan(values))
    if read.size < 3:
        return time_s[read], values[read]
    apart_s = np.diff(time_s[read])
    silent = (apart_s > np.maximum(_SILENT_TIMES * np.median(apart_s), _SILENT_S)) & (np.diff(read) > 1)
    kept = np.sort(np.concatenate([read, read[:-1][silent] + 1]))
    return time_s[kept], values[kept]


_SILENT_TIMES, _SILENT_S = 5.0, 1.0


def thinned_close(
    time_s: FloatArray, values: FloatArray, between_s: tuple[float, float], most: int = MOST_POINTS
) -> IntArray:
    """Which samples to draw of a trace seen close: those of the stretch, and around it the whole as from afar.

    What lies beside the stretch is there already when one moves or steps back; see `thinned`.
    """
    near = thinned(time_s, values, most, between_s)
    return np.union1d(thinned(time_s, values, most), near)


def _first_at(values: FloatArray, starts: IntArray, which: IntArray, extreme: np.ufunc) -> IntArray:
    """The first place in each stretch at which its extreme stands."""
    stands = np.flatnonzero(values == extreme.reduceat(values, starts)[which])
    _, firsts = np.unique(which[stands], return_index=True)
    return np.asarray(stands[firsts], dtype=np.int64)
