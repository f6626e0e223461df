"""A shake as a motion sensor feels it that is strapped to the arm or the tin: start, stop, cadence and how even it was.

Where there is motion at all, and on which axis, is `rig.signals.cadence`'s to say; its windows last seconds. Here each
swing along that axis is followed, to and fro, from the first to the last.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d

from rig.arrays import FloatArray
from rig.errors import NotEnoughData
from rig.signals.cadence import cadence, main_axis, motion_by_cadence
from rig.signals.moments import Moment, Source
from rig.signals.sound import SHORTEST_S, HeardShake

REST_S = 1.0
"""A shake whose last swing is nearer than this to the last reading may still go on."""
_AROUND_S, _LEVEL_S = 1.2, 1.0
_BEYOND = 0.4
"""A swing reaches further than this share of what is usual; a hand that only holds the tin does not."""
_LEAST_SWINGS = 8
_SHORT = "no shake is felt that lasts 3 s: strap the phone tightly to the arm or the tin"


def feel_shake(time_s: FloatArray, acceleration: FloatArray) -> HeardShake:
    """Find the longest shake in an accelerometer's stream.

    Parameters
    ----------
    time_s
        (samples,) rising, 25 or more a second.
    acceleration
        (samples, 3) [m/s²], gravity in it or not.

    Raises
    ------
    NotEnoughData
        Where nobody shakes, or the readings are too few.
    """
    time, axes = np.asarray(time_s, dtype=float), np.asarray(acceleration, dtype=float)
    shown = cadence(time, axes)
    span = motion_by_cadence(shown.time_s, shown.cadence_hz)
    if span.start is None:
        raise NotEnoughData(_SHORT)
    first_s = span.start.time_s - _AROUND_S
    last_s = time[-1] if span.stop is None else span.stop.time_s + _AROUND_S
    near = (time >= first_s) & (time <= last_s)
    time_near = time[near]
    step_s = float(np.median(np.diff(time_near)))
    signal = main_axis(axes[near])
    signal = signal - uniform_filter1d(signal, max(round(_LEVEL_S / step_s), 1), mode="nearest")
    beyond = np.abs(signal) > _BEYOND * np.sqrt(2.0) * np.sqrt(np.mean(signal**2))
    at = np.flatnonzero(beyond)
    turned = at[np.concatenate([[True], np.diff(np.sign(signal[at])) != 0])]
    swing_s = np.diff(time_near[turned])
    if turned.size < _LEAST_SWINGS or time_near[at[-1]] - time_near[at[0]] < SHORTEST_S:
        raise NotEnoughData(_SHORT)
    half_s = float(swing_s.mean())
    cv = float(np.std(swing_s) / half_s)
    unsure_s = float(np.hypot(0.25 * half_s, step_s))
    start, stop = (
        Moment(float(time_near[n]), unsure_s, Source.STRAPPED, "first and last swing that was felt")
        for n in (at[0], at[-1])
    )
    hz = 0.5 / half_s
    std_hz = hz * max(cv, 0.02) / np.sqrt(swing_s.size)
    return HeardShake(start, stop, hz, float(std_hz), cv, bool(time[-1] - stop.time_s < REST_S))
