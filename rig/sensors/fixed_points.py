"""Two temperatures that need no reference thermometer: melting ice and boiling water.

Boiling: IAPWS R7-97(2012), region 4, saturation temperature; pressure against altitude: ICAO Standard
Atmosphere, Doc 7488/3 (1993).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError
from rig.units import celsius_from_kelvin

STANDARD_PRESSURE_HPA = 1013.25
ICE_POINT_C = 0.0
ICE_POINT_STD_K = 0.06
"""A kitchen's ice point, ±0.1 °C at most: crushed ice and water without voids, stirred (ASTM E563 does 50
times better; the kitchen's figure is common practice, no source)."""

_SATURATION = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
)  # fmt: skip
_BOILING_RANGE_HPA = (500.0, 1100.0)
_ALTITUDE_RANGE_M = (-450.0, 5500.0)
_SEA_LEVEL_K, _LAPSE_K_PER_M = 288.15, 0.0065
_EXPONENT = 9.80665 / (287.05287 * _LAPSE_K_PER_M)
_WEATHER_STD_HPA = (
    9.0  # of pressure about the standard atmosphere, middle latitudes (common practice, no source)
)
_BAROMETER_STD_HPA = 1.0  # a telephone's or a weather station's (common practice, no source)
_BOILING_STD_K = 0.1  # superheat and bubbles about a probe in the water (common practice, no source)


@dataclass(frozen=True)
class FixedPoint:
    """A known temperature [°C], its standard uncertainty [K] and how it was come by."""

    temp_c: float
    std_k: float
    method: str


def ice_point() -> FixedPoint:
    """Melting ice in its own water."""
    return FixedPoint(ICE_POINT_C, ICE_POINT_STD_K, "ice point: crushed ice and water, stirred")


def boiling_point(
    *,
    pressure_hpa: float | None = None,
    altitude_m: float | None = None,
    sea_level_pressure_hpa: float | None = None,
) -> FixedPoint:
    """Water at a rolling boil, by the pressure of the place, or by altitude with or without the weather.

    `pressure_hpa` is that of the place itself; weather reports give it reduced to sea level, which goes in
    `sea_level_pressure_hpa` together with the altitude. Altitude alone leaves the weather unknown: ±0.5 °C.

    Raises
    ------
    ModelRangeError
        Where neither is given, both are, or the pressure is not one of a place where people work.
    """
    if (pressure_hpa is None) == (altitude_m is None):
        raise ModelRangeError("give the pressure of the place (hPa) or its altitude (m), one of the two")
    if pressure_hpa is not None:
        if sea_level_pressure_hpa is not None:
            raise ModelRangeError("a pressure at sea level goes with an altitude, not with the place's own")
        pressure, std_hpa = pressure_hpa, _BAROMETER_STD_HPA
        method = f"boiling point at {pressure_hpa:g} hPa"
    else:
        assert altitude_m is not None
        known = sea_level_pressure_hpa is not None
        at_sea_level = STANDARD_PRESSURE_HPA if sea_level_pressure_hpa is None else sea_level_pressure_hpa
        pressure = float(station_pressure_hpa(altitude_m, at_sea_level))
        std_hpa = _BAROMETER_STD_HPA if known else _WEATHER_STD_HPA
        weather = f", {sea_level_pressure_hpa:g} hPa at sea level" if known else ", weather not known"
        method = f"boiling point at {altitude_m:g} m{weather}"
    temp_c = float(saturation_temp_c(pressure))
    slope = float(saturation_temp_c(pressure + 1.0) - temp_c)
    return FixedPoint(temp_c, float(np.hypot(_BOILING_STD_K, slope * std_hpa)), method)


def saturation_temp_c(pressure_hpa: Floats) -> FloatArray:
    """Temperature [°C] at which water boils under pressures [hPa] of any shape; IAPWS R7-97, equation 31.

    Raises
    ------
    ModelRangeError
        Outside 500…1100 hPa: no pressure in which anyone tends a bar, most often one in kPa or mmHg.
    """
    p = np.asarray(pressure_hpa, float)
    low, high = _BOILING_RANGE_HPA
    beyond = p[~((p >= low) & (p <= high))]
    if beyond.size:
        raise ModelRangeError(
            f"a pressure of {beyond.flat[0]:g} hPa is none of a place to work in ({low:g} to {high:g}); "
            "check the unit: 1 kPa = 10 hPa, 1 mmHg = 1.333 hPa, 1 inHg = 33.86 hPa"
        )
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _SATURATION
    beta = (p / 1e4) ** 0.25  # 1 MPa = 10⁴ hPa
    e = beta * beta + n3 * beta + n6
    f = n1 * beta * beta + n4 * beta + n7
    g = n2 * beta * beta + n5 * beta + n8
    d = 2.0 * g / (-f - np.sqrt(f * f - 4.0 * e * g))
    root = (n10 + d) ** 2 - 4.0 * (n9 + n10 * d)
    return celsius_from_kelvin(np.asarray((n10 + d - np.sqrt(root)) / 2.0))


def station_pressure_hpa(altitude_m: Floats, sea_level_hpa: Floats = STANDARD_PRESSURE_HPA) -> FloatArray:
    """Pressure of the place [hPa] from its altitude [m] and the pressure at sea level an airfield reports.

    Arrays broadcast.

    Raises
    ------
    ModelRangeError
        Outside −450…5500 m, or a pressure at sea level outside 870…1090 hPa.
    """
    h, p0 = np.asarray(altitude_m, float), np.asarray(sea_level_hpa, float)
    low, high = _ALTITUDE_RANGE_M
    beyond = h[~((h >= low) & (h <= high))]
    if beyond.size:
        raise ModelRangeError(
            f"an altitude of {beyond.flat[0]:g} m is none to work at ({low:g} to {high:g} m)"
        )
    odd = p0[~((p0 >= 870.0) & (p0 <= 1090.0))]
    if odd.size:
        raise ModelRangeError(
            f"the pressure at sea level is never {odd.flat[0]:g} hPa (870 to 1090); the pressure of the place "
            "itself goes in without an altitude"
        )
    share = (p0 / STANDARD_PRESSURE_HPA) ** (1.0 / _EXPONENT) - _LAPSE_K_PER_M * h / _SEA_LEVEL_K
    return np.asarray(STANDARD_PRESSURE_HPA * share**_EXPONENT)
