"""Ethanol with water: density, heat capacity and heat of mixing.

Fractions are mass fractions of ethanol in ethanol + water. Arrays in, arrays out, all broadcast. Range checks
stand in `liquid`; only the density functions, which are also used for pure spirit, check their own.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial import polynomial

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError
from rig.physics import water

ETHANOL_G_PER_MOL = 46.069
WATER_G_PER_MOL = 18.015
MIXING_ENTHALPY_RELATIVE_SD = 0.15
"""Standard uncertainty of the heat of mixing at 25 °C, relative: the values it rests on scatter so."""

DENSITY_RANGE_C = (-20.0, 95.0)
_OIML_MAX_C = 40.0

# OIML R 22 (1975), International alcoholometric tables: −20…40 °C, all mass fractions.
_A = np.array(
    [
        998.20123, -192.9769495, 389.1238958, -1668.103923, 13522.15441, -88292.78388,
        306287.4042, -613838.1234, 747017.2998, -547846.1354, 223446.0334, -39032.85426,
    ]
)  # fmt: skip
_B = (0.0, -0.20618513, -5.2682542e-3, 3.6130013e-5, -3.8957702e-7, 7.169354e-9, -9.9739231e-11)
_C = (
    (
        0.1693443461530087, -10.46914743455169, 71.96353469546523, -704.7478054272792, 3924.090430035045,
        -12101.64659068747, 22486.46550400788, -26055.62982188164, 18523.73922069467, -7420.201433430137,
        1285.617841998974,
    ),
    (
        -0.0119301300505701, 0.2517399633803461, -2.170575700536993, 13.53034988843029, -50.29988758547014,
        109.635566657757, -142.2753946421155, 108.043594285623, -44.14153236817392, 7.442971530188783,
    ),
    (
        -6.802995733503803e-4, 1.876837790289664e-2, -0.2002561813734156, 1.02299296671922,
        -2.895696483903638, 4.810060584300675, -4.672147440794683, 2.458043105903461, -0.5411227621436812,
    ),
    (4.075376675622027e-6, -8.76305857347111e-6, 6.515031360099368e-6, -1.51578483698721e-6),
    (-2.788074354782409e-8, 1.345612883493354e-8),
)  # fmt: skip
# The double sum as one table: row i holds the coefficients of (t − 20)^i in powers of the mass fraction.
_OIML = np.zeros((7, 12))
_OIML[0] = _A
_OIML[:, 0] += _B
for _power, _row in enumerate(_C, start=1):
    _OIML[_power, 1 : 1 + len(_row)] += _row

PURE_ETHANOL_KG_PER_M3 = float(_A.sum())
"""Density of pure ethanol at 20 °C [kg/m³]; OIML R 22."""

# Pure ethanol, refit of the equation of state of Schroeder, Penoncello and Schroeder, J. Phys. Chem. Ref.
# Data 43 (2014) 043102, −16…98 °C, in powers of temp_c / 100; residual at most 0.001 J/(g·K).
_ETHANOL_HEAT_CAPACITY = np.array([2.25673, 0.636188, 0.305628, -0.0266048])
_ETHANOL_ENTHALPY = 100.0 * polynomial.polyint(_ETHANOL_HEAT_CAPACITY)

# Excess heat capacity ÷ w(1 − w) [J/(g·K)], powers of w down, of temp_c / 100 across. Refit of Melinder,
# Properties of Secondary Working Fluids (IIR 2010), 5…60 wt %, from freezing (at lowest −17.5 °C) to 35 °C;
# residual at most 0.023, rms 0.005 J/(g·K). Above 35 °C, where that source ends, it is held constant.
_EXCESS = np.array(
    [
        [4.44675, -11.271, 8.61027],
        [3.39539, 82.5698, -101.164],
        [-73.7414, -163.72, 267.872],
        [172.905, 138.076, -314.714],
        [-124.024, -36.2892, 134.764],
    ]
)
_EXCESS_BY_FRACTION = polynomial.polyder(_EXCESS, axis=0)
_EXCESS_MAX_C = 35.0

# Molar heat of mixing at 25 °C as x(1 − x)·a ÷ (1 + b·x + c·x²), x the mole fraction of ethanol. The three
# constants are fixed by −10.2 kJ/mol at infinite dilution and a minimum of −0.78 kJ/mol at x = 0.16 (from
# memory of the data that J. A. Larkin, J. Chem. Thermodyn. 7 (1975) 137, and Boyne and Williamson,
# Can. J. Chem. 45 (1967), report).
_MIXING_DILUTE_J_PER_MOL = -10200.0
_MIXING_SHAPE = (1.0, 0.578, 26.0)
_MIXING_REFERENCE_C = 25.0


def density_kg_per_m3(ethanol_mass_fraction: Floats, temp_c: Floats) -> FloatArray:
    """Density of ethanol–water [kg/m³] of the given mass fraction (0…1) at `temp_c` (−20…95 °C).

    OIML R 22 (1975) up to 40 °C. Above, where that formula ends, the volume goes on expanding at the rate
    it has at 40 °C plus the growth of water's own rate since 40 °C (Kell 1975).

    Raises
    ------
    ModelRangeError
        Naming quantity, value and range.
    """
    fraction, temp = np.asarray(ethanol_mass_fraction, float), np.asarray(temp_c, float)
    require("ethanol mass fraction", fraction, 0.0, 1.0, "")
    require("temperature", temp, *DENSITY_RANGE_C, "°C")
    return unchecked_density_kg_per_m3(fraction, temp)


def unchecked_density_kg_per_m3(fraction: FloatArray, temp_c: FloatArray) -> FloatArray:
    """Density of ethanol–water [kg/m³]; `density_kg_per_m3` for inputs known to be in range."""
    capped = np.minimum(temp_c, _OIML_MAX_C)
    density = _oiml(fraction, capped)
    above_k = temp_c - capped
    if not np.any(above_k > 0.0):
        return density
    at_end = _oiml(fraction, np.asarray(_OIML_MAX_C))
    expansion = -_oiml_slope(fraction) / at_end
    water_expansion = -_oiml_slope(np.zeros(())) / _oiml(np.zeros(()), np.asarray(_OIML_MAX_C))
    water_ratio = water.density_kg_per_m3(np.maximum(temp_c, _OIML_MAX_C)) / water.density_kg_per_m3(
        _OIML_MAX_C
    )
    return np.asarray(density * water_ratio * np.exp(-(expansion - water_expansion) * above_k))


def _oiml(fraction: FloatArray, temp_c: FloatArray) -> FloatArray:
    # Horner in the temperature, each coefficient a polynomial of the fraction.
    away_k = temp_c - 20.0
    rows = polynomial.polyval(fraction, _OIML.T)
    total: FloatArray = rows[6] + np.zeros(np.broadcast_shapes(fraction.shape, temp_c.shape))
    for row in rows[5::-1]:
        total = total * away_k + row
    return total


def _oiml_slope(fraction: FloatArray) -> FloatArray:
    step_k = 0.05
    at = np.asarray(_OIML_MAX_C)
    return np.asarray((_oiml(fraction, at) - _oiml(fraction, at - 2 * step_k)) / (2 * step_k))


def abv_pct_from_mass_fraction(ethanol_mass_fraction: Floats) -> FloatArray:
    """Alcohol by volume at 20 °C [% vol] of ethanol–water of that mass fraction (0…1); OIML R 22."""
    fraction = np.asarray(ethanol_mass_fraction, float)
    density = density_kg_per_m3(fraction, 20.0)
    return np.asarray(100.0 * fraction * density / PURE_ETHANOL_KG_PER_M3)


def mass_fraction_from_abv_pct(abv_pct: Floats) -> FloatArray:
    """Mass fraction of ethanol in ethanol–water of that alcohol by volume at 20 °C [% vol]; OIML R 22."""
    abv = np.asarray(abv_pct, float)
    require("alcohol by volume", abv, 0.0, 100.0, "% vol")
    ethanol_g_per_ml = abv / 100.0 * PURE_ETHANOL_KG_PER_M3
    fraction = abv / 100.0
    # Each round shrinks the error at least threefold, as d(ln ρ)/d(ln p) stays within ±0.33.
    for _ in range(40):
        fraction = ethanol_g_per_ml / polynomial.polyval(fraction, _A)
    return np.clip(fraction, 0.0, 1.0)


def heat_capacity_j_per_gk(fraction: FloatArray, temp_c: FloatArray) -> FloatArray:
    """Heat capacity of ethanol–water [J/(g·K)]; water and ethanol, and the excess by Melinder 2010."""
    pure = (1.0 - fraction) * water.heat_capacity_j_per_gk(temp_c) + fraction * np.asarray(
        polynomial.polyval(temp_c / 100.0, _ETHANOL_HEAT_CAPACITY)
    )
    capped = np.minimum(temp_c, _EXCESS_MAX_C) / 100.0
    excess = sum(_in_fraction(_EXCESS, j, fraction) * capped**j for j in range(3))
    return np.asarray(pure + fraction * (1.0 - fraction) * excess)


def ethanol_enthalpy_j_per_g(temp_c: FloatArray) -> FloatArray:
    """Enthalpy of pure liquid ethanol [J/g] above pure liquid ethanol at 0 °C."""
    return np.asarray(polynomial.polyval(temp_c / 100.0, _ETHANOL_ENTHALPY))


def mixing_enthalpy_j(
    ethanol_g: Floats, water_g: Floats, temp_c: Floats, mixing_scale: Floats = 1.0
) -> FloatArray:
    """Heat of mixing [J]; see `liquid.mixing_enthalpy_j`, which checks the range."""
    ethanol, in_water, temp = (np.asarray(v, float) for v in (ethanol_g, water_g, temp_c))
    mass = ethanol + in_water
    fraction = share(ethanol, mass)
    mole_fraction = _mole_fraction(fraction)
    moles = ethanol / ETHANOL_G_PER_MOL + in_water / WATER_G_PER_MOL
    at_reference = moles * mole_fraction * (1.0 - mole_fraction) * _mixing_shape(mole_fraction)
    since_reference = mass * fraction * (1.0 - fraction) * _excess_integral(_EXCESS, fraction, temp)
    return np.asarray(np.asarray(mixing_scale, float) * at_reference + since_reference)


def water_mixing_enthalpy_j_per_g(
    fraction: FloatArray, temp_c: FloatArray, mixing_scale: Floats = 1.0
) -> FloatArray:
    """Heat of mixing one more gram of water into ethanol–water [J/g]: slope of `mixing_enthalpy_j`."""
    x = _mole_fraction(fraction)
    slope = polynomial.polyval(x, polynomial.polyder(_MIXING_SHAPE)) / polynomial.polyval(x, _MIXING_SHAPE)
    at_reference = x**2 * _mixing_shape(x) * (1.0 + (1.0 - x) * slope) / WATER_G_PER_MOL
    integral = _excess_integral(_EXCESS, fraction, temp_c)
    by_fraction = _excess_integral(_EXCESS_BY_FRACTION, fraction, temp_c)
    return np.asarray(
        np.asarray(mixing_scale, float) * at_reference
        + fraction**2 * (integral - (1.0 - fraction) * by_fraction)
    )


def _mole_fraction(fraction: FloatArray) -> FloatArray:
    ethanol = fraction / ETHANOL_G_PER_MOL
    return np.asarray(ethanol / (ethanol + (1.0 - fraction) / WATER_G_PER_MOL))


def _mixing_shape(mole_fraction: FloatArray) -> FloatArray:
    return np.asarray(_MIXING_DILUTE_J_PER_MOL / polynomial.polyval(mole_fraction, _MIXING_SHAPE))


def _excess_integral(table: FloatArray, fraction: FloatArray, temp_c: FloatArray) -> FloatArray:
    """Excess heat capacity ÷ w(1 − w), or its slope in w, summed from 25 °C to `temp_c` [J/g]."""
    capped = np.minimum(temp_c, _EXCESS_MAX_C)
    above_k = temp_c - capped
    total: FloatArray = np.zeros(np.broadcast_shapes(fraction.shape, temp_c.shape))
    for j in range(3):
        reach = 100.0 * ((capped / 100.0) ** (j + 1) - (_MIXING_REFERENCE_C / 100.0) ** (j + 1)) / (j + 1)
        total = total + _in_fraction(table, j, fraction) * (reach + above_k * (_EXCESS_MAX_C / 100.0) ** j)
    return total


def _in_fraction(table: FloatArray, column: int, fraction: FloatArray) -> FloatArray:
    return np.asarray(polynomial.polyval(fraction, table[:, column]))


def share(part: FloatArray, whole: FloatArray) -> FloatArray:
    """`part` ÷ `whole`, zero where there is nothing at all."""
    return np.divide(
        part, whole, out=np.zeros(np.broadcast_shapes(part.shape, whole.shape)), where=whole != 0
    )


def require(quantity: str, values: FloatArray, low: float, high: float, unit: str) -> None:
    """Raise ModelRangeError unless all values lie within [low, high]; names the worst offender."""
    if values.size == 0 or (values.min() >= low and values.max() <= high):
        return
    flat = values.ravel()
    worst = flat[np.argmax(np.nan_to_num(np.maximum(low - flat, flat - high), nan=np.inf))]
    gap = " " if unit else ""
    raise ModelRangeError(
        f"{quantity} {worst:.4g}{gap}{unit} lies outside {low:g}…{high:g}{gap}{unit}, "
        "the range in which the properties are known"
    )
