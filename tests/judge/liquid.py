"""What the judge's drinks are made of: ethanol, sugar and water, from public tables.

Nothing is shared with the program that is judged, nor with the generator of the sample benches but the plain
words for an ingredient. Units: g, J, °C, W/(m·K), Pa·s; arrays of shape (runs,). Enthalpy is zero for liquid
water and for pure liquid ethanol at 0 °C.

Sources: density by % vol at 20 °C, OIML R 22; heat capacity, conductivity and viscosity of ethanol–water,
Melinder's secondary-fluid fits, evaluated by CoolProp (INCOMP::MEA); density of sucrose solutions, ICUMSA;
their viscosity at 20 °C, ICUMSA (from memory); heat capacity of sucrose, Bubník et al., Sugar Technologists
Manual, 1995 (from memory); conductivity with sugar, Riedel (from memory); freezing points, CRC Handbook,
"Concentrative properties" (from memory); heat of mixing at 0 °C shaped after Boyne and Williamson, Can. J.
Chem. 45 (1967), (from memory, ±10 %); ice, IAPWS R10-06.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from CoolProp.CoolProp import PropsSI
from scipy.interpolate import PchipInterpolator

from sample_logs.generator.liquid import Drink, Floats

LATENT_J_PER_G = 333.43
ICE_G_PER_M3 = 917.5e3
ICE_W_PER_M_K = 2.25
ICE_J_PER_G_K, ICE_J_PER_G_K2 = 2.097, 0.0074
WATER_J_PER_G_K = 4.2194
ETHANOL_G_PER_ML = 0.78924
WATER_G_PER_MOL, ETHANOL_G_PER_MOL = 18.015, 46.068
WARM_C = 30.0
"""Above it the heat capacities are held."""
THINNEST_C, COLDEST_C = 40.0, -12.0
"""Between them Melinder's fits hold; outside, viscosity goes on along its slope, conductivity is held."""


def _numbers(text: str) -> Floats:
    return np.array([float(x) for x in text.split()])


_VOL_PCT = _numbers("0 5 10 15 20 25 30 35 40 45 50 60 96 100")
_DENSITY = _numbers(
    ".99820 .99106 .98471 .97897 .97356 .96810 .96221 .95559 .94805 .93954 .93014 .90912 .80742 .78924"
)
_BRIX = _numbers("0 5 10 15 20 30 40 50 60 66.7")
_SUGAR_DENSITY = _numbers(".99820 1.0178 1.0381 1.0592 1.0810 1.1270 1.1765 1.2296 1.2865 1.327")
_ETHANOL_WT = _numbers("0 1 2 3 4 5 6 7 8 9 10 12 14 16 18 20 22 24 26 28 30 32 34 36 38 40 50")
_ETHANOL_DROP = _numbers(
    "0 .40 .81 1.23 1.65 2.09 2.54 2.99 3.47 3.96 4.47 5.56 6.73 8.01 9.40 10.92 12.60 14.47 16.41 18.43 "
    "20.47 22.44 24.27 25.98 27.62 29.26 37.67"
)
_SUGAR_WT = _numbers("0 2 4 5 8 10 12 14 16 18 20 22 24 26 28 30 32 34 36 38 40 50")
_SUGAR_DROP = _numbers(
    "0 .11 .23 .29 .49 .63 .77 .93 1.10 1.27 1.47 1.67 1.89 2.12 2.37 2.64 2.94 3.27 3.63 4.02 4.45 7.6"
)
_SUGAR_VISCOSITY_BRIX = _numbers("0 10 20 30 40 50 60")
_SUGAR_VISCOSITY = _numbers("1.002 1.336 1.945 3.187 6.167 15.43 58.5")
_MIX_X = _numbers("0 .02 .04 .06 .08 .10 .12 .15 .18 .20 .25 .30 .40 .50 .60 .80 1")
_MIX_KJ_PER_MOL = -_numbers("0 .235 .44 .615 .755 .865 .94 1.01 1.03 1.02 .96 .875 .70 .545 .42 .20 0")


@dataclass(frozen=True)
class Tables:
    """Everything against mass per cent of ethanol on ethanol and water, on a fine grid."""

    wt: Floats
    capacity: Floats
    capacity_slope: Floats
    mixing_j_per_g: Floats
    log_viscosity: tuple[Floats, Floats, Floats]
    conductivity: tuple[Floats, Floats]
    ethanol_drop_k: Floats
    brix: Floats
    sugar_drop_k: Floats
    log_sugar_viscosity: Floats


@cache
def tables() -> Tables:
    """The tables, smoothly refined once."""
    wt = np.arange(0, 56, 0.25)
    coarse = np.arange(0.0, 56.0, 5.0)
    warm = np.array([0.0, 5, 10, 20, 30, 40])

    def melinder(what: str, temp_c: float) -> Floats:
        return np.array(
            [PropsSI(what, "T", temp_c + 273.15, "P", 101325, f"INCOMP::MEA[{w / 100}]") for w in coarse]
        )

    def fine(values: Floats) -> Floats:
        return np.asarray(PchipInterpolator(coarse, values)(wt))

    capacity = fine(melinder("C", 0.0)) / 1000
    slope = (fine(melinder("C", 20.0)) / 1000 - capacity) / 20
    capacity[0], slope[0] = WATER_J_PER_G_K, (4.1841 - WATER_J_PER_G_K) / 20
    log_viscosity = np.polyfit(warm, np.log([melinder("V", t) for t in warm]), 2)[::-1]
    conductivity = np.polyfit(warm, [melinder("L", t) for t in warm], 1)[::-1]
    ethanol, water = wt / ETHANOL_G_PER_MOL, (100 - wt) / WATER_G_PER_MOL
    mixing = PchipInterpolator(_MIX_X, _MIX_KJ_PER_MOL)(ethanol / (ethanol + water)) * 10 * (ethanol + water)
    brix = np.arange(0, 60.5, 0.5)
    thick = PchipInterpolator(_SUGAR_VISCOSITY_BRIX, np.log(_SUGAR_VISCOSITY / _SUGAR_VISCOSITY[0]))(brix)
    return Tables(
        wt,
        capacity,
        slope,
        mixing,
        (fine(log_viscosity[0]), fine(log_viscosity[1]), fine(log_viscosity[2])),
        (fine(conductivity[0]), fine(conductivity[1])),
        np.asarray(PchipInterpolator(_ETHANOL_WT, _ETHANOL_DROP)(np.minimum(wt, 50))),
        brix,
        np.asarray(PchipInterpolator(_SUGAR_WT, _SUGAR_DROP)(np.minimum(brix, 50))),
        thick,
    )


def masses_g(drink: Drink) -> tuple[float, float, float]:
    """Ethanol, dissolved solids and water [g] of a recipe measured by volume at 20 °C."""
    ethanol = sugar = water = 0.0
    for pour in drink.pours:
        solids = pour.volume_ml * (pour.sugar_g_per_100ml + pour.solids_pct) / 100
        rest_ml = pour.volume_ml - solids * _sugar_ml_per_g(solids, pour.volume_ml)
        pure = pour.volume_ml * pour.abv_pct / 100 * ETHANOL_G_PER_ML
        density = PchipInterpolator(_VOL_PCT, _DENSITY)(pour.volume_ml * pour.abv_pct / rest_ml)
        ethanol, sugar, water = ethanol + pure, sugar + solids, water + float(rest_ml * density) - pure
    return ethanol, sugar, water


def _sugar_ml_per_g(sugar_g: float, volume_ml: float) -> float:
    """Room that a gram of sugar takes in a solution of this strength [ml/g], from its density."""
    brix = _BRIX[1:]
    per_ml = _SUGAR_DENSITY[1:] * brix / 100
    room = (1 / _SUGAR_DENSITY[1:] - (1 - brix / 100) / _SUGAR_DENSITY[0]) / (brix / 100)
    return float(np.interp(sugar_g / volume_ml, per_ml, room))


def _wt_and_brix(ethanol_g: Floats, sugar_g: Floats, water_g: Floats) -> tuple[Floats, Floats]:
    return 100 * ethanol_g / (ethanol_g + water_g), 100 * sugar_g / (sugar_g + water_g)


def freezing_point_c(ethanol_g: Floats, sugar_g: Floats, water_g: Floats) -> Floats:
    """Where ice and drink are at rest [°C]: both depressions, each on the shared water."""
    table = tables()
    wt, brix = _wt_and_brix(ethanol_g, sugar_g, water_g)
    return -np.interp(wt, table.wt, table.ethanol_drop_k) - np.interp(brix, table.brix, table.sugar_drop_k)


def viscosity_pa_s(ethanol_g: Floats, sugar_g: Floats, water_g: Floats, temp_c: Floats) -> Floats:
    """Dynamic viscosity: ethanol–water at this temperature, thickened by sugar as at 20 °C."""
    table = tables()
    wt, brix = _wt_and_brix(ethanol_g, sugar_g, water_g)
    a, b, c = (np.interp(wt, table.wt, row) for row in table.log_viscosity)
    within = np.clip(temp_c, COLDEST_C, THINNEST_C)
    log = a + (b + c * within) * within + (b + 2 * c * within) * (temp_c - within)
    return np.exp(log + np.interp(brix, table.brix, table.log_sugar_viscosity))


def conductivity_w_per_m_k(ethanol_g: Floats, sugar_g: Floats, water_g: Floats, temp_c: Floats) -> Floats:
    """Thermal conductivity: ethanol–water, less half a per cent for each per cent of sugar."""
    table = tables()
    wt, brix = _wt_and_brix(ethanol_g, sugar_g, water_g)
    a, b = (np.interp(wt, table.wt, row) for row in table.conductivity)
    return (a + b * np.clip(temp_c, COLDEST_C, THINNEST_C)) * (1 - 0.0054 * brix)


@dataclass(frozen=True)
class Heat:
    """Heat content of drinks as a function of temperature [J]; heat of mixing times `mixing`."""

    rest_j: Floats
    linear: Floats
    bend: Floats

    @classmethod
    def of(cls, ethanol_g: Floats, sugar_g: Floats, water_g: Floats, mixing: float = 1.0) -> Heat:
        """The heat content of drinks of these masses."""
        table, mixture = tables(), ethanol_g + water_g
        wt = 100 * ethanol_g / mixture
        return cls(
            mixing * mixture * np.interp(wt, table.wt, table.mixing_j_per_g),
            mixture * np.interp(wt, table.wt, table.capacity) + 1.677 * sugar_g,
            mixture * np.interp(wt, table.wt, table.capacity_slope) + 0.0075 * sugar_g,
        )

    def capacity_j_per_k(self, temp_c: Floats) -> Floats:
        """Heat capacity [J/K]."""
        return self.linear + self.bend * np.minimum(temp_c, WARM_C)

    def enthalpy_j(self, temp_c: Floats) -> Floats:
        """Enthalpy [J]."""
        low = np.minimum(temp_c, WARM_C)
        return self.rest_j + self.linear * temp_c + self.bend * low * (temp_c - 0.5 * low)

    def temp_c(self, enthalpy_j: Floats, near_c: Floats) -> Floats:
        """Temperature [°C] at this enthalpy: two Newton steps from a temperature near it."""
        for _ in range(2):
            near_c = near_c - (self.enthalpy_j(near_c) - enthalpy_j) / self.capacity_j_per_k(near_c)
        return near_c


def water_j_per_g(temp_c: Floats) -> Floats:
    """Enthalpy of water [J/g], supercooled too; the same as the drink's without ethanol and sugar."""
    table = tables()
    return (table.capacity[0] + 0.5 * table.capacity_slope[0] * temp_c) * temp_c


def ice_j_per_g(temp_c: Floats) -> Floats:
    """Enthalpy of ice [J/g]."""
    return -LATENT_J_PER_G + (ICE_J_PER_G_K + 0.5 * ICE_J_PER_G_K2 * temp_c) * temp_c
