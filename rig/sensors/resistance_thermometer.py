"""Platinum resistance thermometers, Pt100 and Pt1000: IEC 60751:2022, Callendar–Van Dusen equation."""

from __future__ import annotations

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError
from rig.sensors.health import Sensed, SensorHealth, outside, sensed

PT100_OHM, PT1000_OHM = 100.0, 1000.0
RANGE_C = (-200.0, 850.0)
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12
_NEWTON_STEPS = 5
_SHORT_SHARE, _OPEN_SHARE = 0.05, 5.0  # of the resistance at 0 °C; the range itself is 0.185 to 3.905


def resistance_ohm(temp_c: Floats, at_zero_ohm: float = PT100_OHM) -> FloatArray:
    """Resistance [Ω] at temperatures [°C] of any shape.

    Raises
    ------
    ModelRangeError
        Outside −200…850 °C.
    """
    t = np.asarray(temp_c, float)
    beyond = t[(t < RANGE_C[0]) | (t > RANGE_C[1])]
    if beyond.size:
        raise ModelRangeError(
            f"platinum is known from −200 to 850 °C, found {beyond.flat[0]:g} °C; check the reading and its unit"
        )
    return at_zero_ohm * _ratio(t)


def temp_c_from_resistance(measured_ohm: Floats, at_zero_ohm: float = PT100_OHM) -> Sensed:
    """Temperature [°C] from resistance [Ω] of any shape, lead resistance taken off.

    Below 5 % of the resistance at 0 °C it is a short circuit, above five times that an open one.
    """
    ratio = np.asarray(measured_ohm, float) / at_zero_ohm
    known = np.where((ratio >= _SHORT_SHARE) & (ratio <= _OPEN_SHARE), ratio, np.nan)
    t = np.asarray((-_A + np.sqrt(_A * _A - 4.0 * _B * (1.0 - known))) / (2.0 * _B))
    cold = np.where(known < 1.0, t, np.nan)
    for _ in range(_NEWTON_STEPS):  # the quadratic alone is in error by 2.4 °C at −200 °C
        cold = cold - (_ratio(cold) - known) / _slope(cold)
    t = np.where(known < 1.0, cold, t)
    return sensed(
        t,
        (ratio < _SHORT_SHARE, SensorHealth.SHORT),
        (ratio > _OPEN_SHARE, SensorHealth.OPEN),
        outside(np.round(t, 6), RANGE_C),
    )


def _ratio(t: FloatArray) -> FloatArray:
    below = np.where(t < 0.0, t, 0.0)
    return np.asarray(1.0 + _A * t + _B * t * t + _C * (below - 100.0) * below**3)


def _slope(t: FloatArray) -> FloatArray:
    below = np.where(t < 0.0, t, 0.0)
    return np.asarray(_A + 2.0 * _B * t + _C * (4.0 * below**3 - 300.0 * below**2))
