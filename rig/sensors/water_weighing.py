"""The true volume of a scoop, cup or bottle mark, by weighing the water it holds (ISO 4787, ISO 8655-6).

Water: M. Tanaka and others, Metrologia 38 (2001) 301. Air: the simplified equation of OIML R 111-1 (2004),
E.3-1. Weights of 8.0 g/cm³, as scales are adjusted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError, NotEnoughData
from rig.sensors.calibration import Part
from rig.sensors.fixed_points import STANDARD_PRESSURE_HPA
from rig.units import kelvin_from_celsius

WEIGHTS_G_PER_ML = 8.0
_KG_PER_M3 = 1000.0
_WATER_RANGE_C = (0.0, 40.0)

EXPANSION_PER_K = {"soda-lime glass": 27e-6, "borosilicate glass": 9.9e-6, "steel": 51e-6, "plastic": 450e-6}
"""Volume expansion of what a measure is made of [1/K]: glasses as ISO 4787, steel and polypropylene as in
handbooks (from memory)."""


@dataclass(frozen=True)
class MeasuredVolume:
    """A measure's volume at 20 °C [ml], its standard uncertainty and its parts, the spread of one filling, fillings."""

    volume_ml: float
    std_ml: float
    fill_std_ml: float
    degrees_of_freedom: float
    fills_ml: tuple[float, ...]
    parts: tuple[Part, ...]


def water_density_g_per_ml(temp_c: Floats) -> FloatArray:
    """Density [g/ml] of air-free water at 1013.25 hPa, 0…40 °C, any shape; Tanaka 2001.

    Raises
    ------
    ModelRangeError
        Outside 0…40 °C.
    """
    t = np.asarray(temp_c, float)
    low, high = _WATER_RANGE_C
    beyond = t[~((t >= low) & (t <= high))]
    if beyond.size:
        raise ModelRangeError(
            f"weigh water between {low:g} and {high:g} °C, found {beyond.flat[0]:g} °C; let it stand in the room"
        )
    fall = (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881))
    return np.asarray(0.99997495 * (1.0 - fall))


def air_density_g_per_ml(
    temp_c: Floats, pressure_hpa: Floats = STANDARD_PRESSURE_HPA, humidity_pct: Floats = 50.0
) -> FloatArray:
    """Density of moist air [g/ml], arrays broadcast."""
    t, p, h = (np.asarray(x, float) for x in (temp_c, pressure_hpa, humidity_pct))
    return np.asarray((0.34848 * p - 0.009 * h * np.exp(0.061 * t)) / kelvin_from_celsius(t) / _KG_PER_M3)


def z_factor_ml_per_g(
    water_temp_c: Floats, pressure_hpa: Floats = STANDARD_PRESSURE_HPA, humidity_pct: Floats = 50.0
) -> FloatArray:
    """Volume of water [ml] for each gram that a scale in air shows, arrays broadcast; the air as warm."""
    air = air_density_g_per_ml(water_temp_c, pressure_hpa, humidity_pct)
    return np.asarray((1.0 - air / WEIGHTS_G_PER_ML) / (water_density_g_per_ml(water_temp_c) - air))


def volume_ml_at_20_c(
    mass_g: Floats,
    water_temp_c: Floats,
    *,
    pressure_hpa: Floats = STANDARD_PRESSURE_HPA,
    humidity_pct: Floats = 50.0,
    expansion_per_k: float = EXPANSION_PER_K["soda-lime glass"],
) -> FloatArray:
    """Volume [ml] that the measure holds at 20 °C, from the mass of water as the scale shows it."""
    z = z_factor_ml_per_g(water_temp_c, pressure_hpa, humidity_pct)
    grown = expansion_per_k * (np.asarray(water_temp_c, float) - 20.0)
    return np.asarray(np.asarray(mass_g, float) * z * (1.0 - grown))


def volume_of_measure(
    masses_g: Sequence[float],
    water_temp_c: float,
    *,
    mass_std_g: float,
    water_temp_std_k: float = 0.5,
    pressure_hpa: float = STANDARD_PRESSURE_HPA,
    expansion_per_k: float = EXPANSION_PER_K["soda-lime glass"],
) -> MeasuredVolume:
    """A measure's volume from repeated fillings, each weighed.

    `mass_std_g` is what all weighings have in common: the scale's calibration and resolution. `fill_std_ml` is
    how far one filling lies from another, which is what a drink gets.

    Raises
    ------
    NotEnoughData
        With fewer than three fillings: the spread of filling is most of the answer.
    ModelRangeError
        A mass that is not above zero, or water outside 0…40 °C.
    """
    masses = np.asarray(masses_g, float)
    if masses.size < 3:
        raise NotEnoughData(
            f"{masses.size} fillings do not show how they spread; weigh at least three, best ten"
        )
    if np.any(masses <= 0) or not np.all(np.isfinite(masses)):
        raise ModelRangeError(
            f"a filling weighs more than nothing, found {masses.min():g} g; tare the empty measure"
        )

    def volume(temp_c: float) -> FloatArray:
        return volume_ml_at_20_c(masses, temp_c, pressure_hpa=pressure_hpa, expansion_per_k=expansion_per_k)

    fills = volume(water_temp_c)
    mean, spread = float(fills.mean()), float(fills.std(ddof=1))
    warmer = min(water_temp_c + 0.5, _WATER_RANGE_C[1])
    by_temp = float((volume(warmer) - volume(warmer - 1.0)).mean()) * water_temp_std_k
    by_scale = mean / float(masses.mean()) * mass_std_g
    of_mean = spread / np.sqrt(masses.size)
    parts = (
        Part("one filling from another", float(of_mean)),
        Part("smallest step of the scale", by_scale),
        Part(f"water within {water_temp_std_k:g} °C", abs(by_temp)),
    )
    std = float(np.sqrt(sum(p.std**2 for p in parts)))
    freedom = (masses.size - 1) * (std / of_mean) ** 4 if of_mean > 0 else np.inf
    return MeasuredVolume(mean, std, spread, float(freedom), tuple(float(x) for x in fills), parts)
