"""Thermocouples of types K and T: voltage and temperature by ITS-90, cold junction made up for by voltage.

Reference functions: NIST Monograph 175 (1993), the same as IEC 60584-1:2013. The inverse is that of the
reference function itself, to better than 1 µK, not the approximate inverse polynomials printed beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.polynomial import polynomial

from rig.arrays import FloatArray, Floats
from rig.sensors.health import Sensed, outside, sensed


class Thermocouple(StrEnum):
    """The types that food probes are made of."""

    K = "K"
    T = "T"


@dataclass(frozen=True)
class _Reference:
    """E(t) [mV] in powers of t [°C] below and above 0 °C, and the exponential term of type K above."""

    range_c: tuple[float, float]
    below: tuple[float, ...]
    above: tuple[float, ...]
    bump: tuple[float, float, float] = (0.0, 0.0, 0.0)


_REFERENCE = {
    Thermocouple.K: _Reference(
        (-200.0, 1372.0),
        below=(
            0.0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06, -0.499048287770e-08,
            -0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16,
            -0.198892668780e-19, -0.163226974860e-22,
        ),
        above=(
            -0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07,
            0.318409457190e-09, -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18,
            0.971511471520e-22, -0.121047212750e-25,
        ),
        bump=(0.1185976, -0.1183432e-03, 126.9686),
    ),
    Thermocouple.T: _Reference(
        (-200.0, 400.0),
        below=(
            0.0, 0.387481063640e-01, 0.441944343470e-04, 0.118443231050e-06, 0.200329735540e-07,
            0.901380195590e-09, 0.226511565930e-10, 0.360711542050e-12, 0.384939398830e-14,
            0.282135219250e-16, 0.142515947790e-18, 0.487686622860e-21, 0.107955392700e-23,
            0.139450270620e-26, 0.797951539270e-30,
        ),
        above=(
            0.0, 0.387481063640e-01, 0.332922278800e-04, 0.206182434040e-06, -0.218822568460e-08,
            0.109968809280e-10, -0.308157587720e-13, 0.454791352900e-16, -0.275129016730e-19,
        ),
    ),
}  # fmt: skip

_STEP_K = 1.0  # of the table in which the inverse begins
_NEWTON_STEPS = 3
_ROUNDING_MV = 1e-6  # the two branches of type K meet at 0 °C within 2e-9 mV only


def range_c(kind: Thermocouple) -> tuple[float, float]:
    """Lowest and highest temperature [°C] that is read here."""
    return _REFERENCE[kind].range_c


def emf_mv(kind: Thermocouple, temp_c: Floats) -> FloatArray:
    """Voltage [mV] against a reference junction at 0 °C, for temperatures [°C] of any shape within the range."""
    reference, t = _REFERENCE[kind], np.asarray(temp_c, float)
    height, width, centre = reference.bump
    above = polynomial.polyval(t, reference.above) + height * np.exp(width * (t - centre) ** 2)
    return np.asarray(np.where(t < 0.0, polynomial.polyval(t, reference.below), above))


def temp_c_from_emf(kind: Thermocouple, measured_mv: Floats, cold_junction_c: Floats = 0.0) -> Sensed:
    """Temperature [°C] from the measured voltage [mV] and the temperature [°C] where the wires end.

    Arrays broadcast. The cold junction is made up for by its voltage, never by adding temperatures: a
    thermocouple is not linear. A voltage that no temperature in range gives is out of range.
    """
    reference = _REFERENCE[kind]
    junction = np.asarray(cold_junction_c, float)
    junction = np.where(
        (junction < reference.range_c[0]) | (junction > reference.range_c[1]), np.nan, junction
    )
    total = np.asarray(np.asarray(measured_mv, float) + emf_mv(kind, junction))
    low, high = reference.range_c
    grid_c = np.arange(low, high + _STEP_K / 2, _STEP_K)
    grid_mv = emf_mv(kind, grid_c)
    temp_c = np.interp(total, grid_mv, grid_c)
    for _ in range(_NEWTON_STEPS):
        temp_c = np.clip(temp_c - (emf_mv(kind, temp_c) - total) / _slope(reference, temp_c), low, high)
    return sensed(
        temp_c, outside(total, (float(grid_mv[0]) - _ROUNDING_MV, float(grid_mv[-1]) + _ROUNDING_MV))
    )


def _slope(reference: _Reference, t: FloatArray) -> FloatArray:
    """DE/dt [mV/K]."""
    height, width, centre = reference.bump
    bump = 2.0 * width * (t - centre) * height * np.exp(width * (t - centre) ** 2)
    above = polynomial.polyval(t, polynomial.polyder(np.array(reference.above))) + bump
    below = polynomial.polyval(t, polynomial.polyder(np.array(reference.below)))
    return np.asarray(np.where(t < 0.0, below, above))
