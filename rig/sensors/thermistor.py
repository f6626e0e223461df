"""NTC thermistors: resistance of a divider, Steinhart–Hart and beta equations.

J. S. Steinhart and S. R. Hart, Deep-Sea Research 15 (1968) 497: 1/T = A + B ln R + C (ln R)³, T in K, R in Ω.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError
from rig.sensors.health import Sensed, SensorHealth, outside, sensed
from rig.units import celsius_from_kelvin, kelvin_from_celsius

RANGE_C = (-60.0, 150.0)
_SHORT_OHM_AT_MOST_C, _OPEN_OHM_AT_LEAST_C = 200.0, -80.0
_RAIL = 0.002  # of full scale: nearer to an end than this a divider says open or short


@dataclass(frozen=True)
class SteinhartHart:
    """The three coefficients, for R in Ω."""

    a: float
    b: float
    c: float

    @staticmethod
    def through(points: Sequence[tuple[float, float]]) -> SteinhartHart:
        """The coefficients through three points of (temperature [°C], resistance [Ω]).

        Raises
        ------
        ModelRangeError
            Where there are not three, they are not those of an NTC, or two are the same.
        """
        if len(points) != 3:
            raise ModelRangeError(f"three points fix the three coefficients, found {len(points)}")
        temp_c, ohm = np.array(sorted(points), float).T
        if np.any(ohm <= 0) or np.any(np.diff(temp_c) <= 0) or np.any(np.diff(ohm) >= 0):
            raise ModelRangeError(
                "an NTC's resistance falls as it warms, at three different temperatures; found "
                + ", ".join(f"{r:g} Ω at {t:g} °C" for t, r in zip(temp_c, ohm, strict=True))
            )
        log_r = np.log(ohm)
        matrix = np.stack([np.ones(3), log_r, log_r**3], axis=1)
        return SteinhartHart(*(float(x) for x in np.linalg.solve(matrix, 1.0 / kelvin_from_celsius(temp_c))))

    @staticmethod
    def from_beta(beta_k: float, nominal_ohm: float, nominal_c: float = 25.0) -> SteinhartHart:
        """The beta equation 1/T = 1/T₀ + ln(R/R₀)/β: within 1 °C from 0 to 50 °C at best."""
        a = 1.0 / kelvin_from_celsius(nominal_c) - np.log(nominal_ohm) / beta_k
        return SteinhartHart(float(a), 1.0 / beta_k, 0.0)

    def temp_c(self, resistance_ohm: Floats) -> FloatArray:
        """Temperature [°C] of resistances [Ω] of any shape; NaN where the resistance is not above zero."""
        r = np.asarray(resistance_ohm, float)
        log_r = np.log(np.where(r > 0.0, r, np.nan))
        return celsius_from_kelvin(np.asarray(1.0 / (self.a + self.b * log_r + self.c * log_r**3)))

    def resistance_ohm(self, temp_c: Floats) -> FloatArray:
        """Resistance [Ω] at temperatures [°C] of any shape: the cubic's real root (Cardano)."""
        inverse = 1.0 / kelvin_from_celsius(np.asarray(temp_c, float))
        if self.c == 0.0:
            return np.asarray(np.exp((inverse - self.a) / self.b))
        half = (self.a - inverse) / (2.0 * self.c)
        root = np.sqrt((self.b / (3.0 * self.c)) ** 3 + half**2)
        return np.asarray(np.exp(np.cbrt(root - half) - np.cbrt(root + half)))


def temp_c_from_divider(
    curve: SteinhartHart, counts: Floats, full_scale: float, fixed_ohm: float, *, to_ground: bool = True
) -> Sensed:
    """Temperature [°C] from a divider's counts, any shape; a count at either end is an open or a short circuit.

    `to_ground`: the thermistor goes from the converter's input to ground and the fixed resistor to the supply,
    which is also the converter's reference; False is the other way about.
    """
    share = np.asarray(counts, float) / full_scale
    share = share if to_ground else 1.0 - share  # the thermistor's, of the divider's resistance
    ends = [(share > 1.0 - _RAIL, SensorHealth.OPEN), (share < _RAIL, SensorHealth.SHORT)]
    found = temp_c_from_resistance(curve, fixed_ohm * share / np.maximum(1.0 - share, _RAIL / 2.0))
    health = np.select([where for where, _ in ends], [np.uint8(h) for _, h in ends], found.health)
    return Sensed(np.where(health == SensorHealth.GOOD, found.value, np.nan), health.astype(np.uint8))


def temp_c_from_resistance(curve: SteinhartHart, resistance_ohm: Floats) -> Sensed:
    """Temperature [°C] from resistance [Ω] of any shape.

    A resistance such as it would have above 200 °C is a short circuit, one as below −80 °C an open one; what
    else lies outside −60…150 °C is out of range.
    """
    ohm = np.asarray(resistance_ohm, float)
    value = curve.temp_c(ohm)
    return sensed(
        value,
        (ohm <= curve.resistance_ohm(_SHORT_OHM_AT_MOST_C), SensorHealth.SHORT),
        (ohm >= curve.resistance_ohm(_OPEN_OHM_AT_LEAST_C), SensorHealth.OPEN),
        outside(value, RANGE_C),
    )
