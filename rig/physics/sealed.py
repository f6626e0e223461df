"""What heat does to a closed vessel: pressure over hot liquid, suction over cold, strain in glass."""

from __future__ import annotations

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError
from rig.physics.water import saturation_kpa
from rig.units import kelvin_from_celsius

ATMOSPHERE_KPA = 101.325
_CLOSED_AT_C = 20.0
_CLOSED_AT_HUMIDITY = 0.5


def water_vapour_kpa(temp_c: Floats) -> FloatArray:
    """Saturation pressure of water [kPa], 0…100 °C.

    As `water.saturation_kpa`, which names the source, within the range it is checked in.

    Raises
    ------
    ModelRangeError
        Outside 0…100 °C.
    """
    t = np.asarray(temp_c, dtype=float)
    if np.any((t < 0) | (t > 100)):
        raise ModelRangeError(f"vapour pressure is known from 0 to 100 °C, asked at {np.max(np.abs(t)):g} °C")
    return saturation_kpa(t)


def gauge_pressure_kpa(temp_c: Floats) -> FloatArray:
    """Pressure rise [kPa] in a vessel closed at 20 °C and half humidity whose air is brought to `temp_c`.

    An upper bound for water: nothing vents and the air space is as hot as the liquid. Alcohol vapour and gas
    leaving the liquid come on top. Dalton's and Gay-Lussac's laws.
    """
    t = np.asarray(temp_c, dtype=float)
    dry = ATMOSPHERE_KPA - _CLOSED_AT_HUMIDITY * water_vapour_kpa(_CLOSED_AT_C)
    heated = dry * kelvin_from_celsius(t) / kelvin_from_celsius(_CLOSED_AT_C)
    return np.asarray(heated + water_vapour_kpa(t) - ATMOSPHERE_KPA)


def lid_force_n(gauge_kpa: Floats, lid_mm: float = 90.0) -> FloatArray:
    """Force [N] of a pressure on a round lid of that diameter."""
    return np.asarray(np.asarray(gauge_kpa, dtype=float) * 1000.0 * np.pi / 4.0 * (lid_mm / 1000.0) ** 2)


SODA_LIME_SHOCK_K = 37.0
"""Sudden difference a soda-lime glass may not survive [K]: R = σ(1 − ν) ÷ (E·α) with σ 30 MPa, α 9·10⁻⁶/K,
E 70 GPa; derived, scratches lower it. Method of test: EN 1183."""
BOROSILICATE_SHOCK_K = 114.0
"""The same for borosilicate glass, α 3.3·10⁻⁶/K, E 64 GPa; derived."""
