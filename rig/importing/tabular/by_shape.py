"""What readings without a name or a unit are by their own shape, where nothing else they could be fits."""

from __future__ import annotations

import numpy as np

from rig.arrays import FloatArray

_START_C, _END_C = (12.0, 45.0), (-15.0, 12.0)
"""A drink before and after the ice. In °F it would start below freezing, in K it cannot be."""
_LEAST_FALL_K = 8.0
_MOST_UPWARD = 0.1
"""How much of its whole way a falling probe may go back up: noise, a warm hand, a stir."""
_LONGEST_S = 1200.0
_FEWEST = 12


def falls_as_a_drink_on_ice(time_s: FloatArray, value: FloatArray) -> bool:
    """Whether readings fall as a probe in a drink on ice does, in °C; arrays of shape (readings,).

    They start warm, end near freezing, and go down in a curve and not in steps, as a scale would.
    """
    read = np.isfinite(value) & np.isfinite(time_s)
    time, temp = time_s[read], value[read]
    if len(temp) < _FEWEST or not 2.0 <= time[-1] - time[0] <= _LONGEST_S:
        return False
    few = max(len(temp) // 20, 1)
    start, end = float(np.median(temp[:few])), float(np.median(temp[-few:]))
    inside = _START_C[0] <= start <= _START_C[1] and _END_C[0] <= end <= _END_C[1]
    if not inside or start - end < _LEAST_FALL_K or temp.min() < _END_C[0] or temp.max() > start + 3.0:
        return False
    wide = max(len(temp) // 40, 1)
    smooth = np.convolve(temp, np.ones(wide) / wide, mode="valid")
    steps = np.diff(smooth)
    upward, largest = float(steps[steps > 0].sum()), float(-steps.min())
    return upward <= _MOST_UPWARD * (start - end) and largest <= 0.35 * (start - end)
