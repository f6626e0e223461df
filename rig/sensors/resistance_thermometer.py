"""Platinum resistance thermometers, Pt100 and Pt1000: IEC 60751:2022, Callendar–Van Dusen equation."""

from __future__ import annotations

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.sensors.health import Sensed, SensorHealth, outside, sensed

RANGE_C = (-200.0, 850.0)
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12
_NEWTON_STEPS = 5
_SHORT_SHARE, _OPEN_SHARE = 0.05, 5.0  # of the resistance at 0 °C; the range itself is 0.185 to 3.905


def resistance_ratio(temp_c: FloatArray) -> FloatArray:
    """Resistance over that at 0 °C, for temperatures [°C] of any shape from −200 to 850 °C."""
    below = np.where(temp_c < 0.0, temp_c, 0.0)
    return np.asarray(1.0 + _A * temp_c + _B * temp_c * temp_c + _C * (below - 100.0) * below**3)


def temp_c_from_resistance(measured_ohm: Floats, at_zero_ohm: float) -> Sensed:
    """Temperature [°C] from resistance [Ω] of any shape, lead resistance taken off.

    Below 5 % of the resistance at 0 °C it is a short circuit, above five times that an open one.
    """
    ratio = np.asarray(measured_ohm, float) / at_zero_ohm
    known = np.where((ratio >= _SHORT_SHARE) & (ratio <= _OPEN_SHARE), ratio, np.nan)
    t = np.asarray((-_A + np.sqrt(_A * _A - 4.0 * _B * (1.0 - known))) / (2.0 * _B))
    cold = np.where(known < 1.0, t, np.nan)
    for _ in range(_NEWTON_STEPS):  # the quadratic alone is in error by 2.4 °C at −200 °C
        cold = cold - (resistance_ratio(cold) - known) / _slope(cold)
    t = np.where(known < 1.0, cold, t)
    return sensed(
        t,
        (ratio < _SHORT_SHARE, SensorHealth.SHORT),
        (ratio > _OPEN_SHARE, SensorHealth.OPEN),
        outside(np.round(t, 6), RANGE_C),
    )


def _slope(t: FloatArray) -> FloatArray:
    below = np.where(t < 0.0, t, 0.0)
    return np.asarray(_A + 2.0 * _B * t + _C * (4.0 * below**3 - 300.0 * below**2))
