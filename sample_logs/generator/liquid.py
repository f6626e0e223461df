"""What the made-up drinks are made of: ethanol, sugar and water, from published tables.

Everything is linear interpolation in tables, so that nothing here shares a formula with the program that
is judged by these drinks. Units: g, J, °C, W/(m·K), Pa·s; arrays of shape (runs,) throughout. Enthalpy is
zero for pure liquid water and pure liquid ethanol at 0 °C.

Sources: ethanol–water freezing points, CRC Handbook, "Concentrative properties" (from memory); heat
capacity, conductivity and viscosity of ethanol–water, Melinder's secondary-fluid fits; density by % vol,
OIML R 22; sucrose freezing points, CRC Handbook (from memory); heat capacity of sucrose, Bubník et al.,
Sugar Technologists Manual, 1995 (from memory); heat of mixing near 0 °C, shaped after Boyne and
Williamson, Can. J. Chem. 45 (1967) (from memory, ±10 %).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ETHANOL_G_PER_ML = 0.78924
SUGAR_ML_PER_G = 0.622


def _row(text: str) -> Floats:
    return np.array([float(x) for x in text.split(",")])


_VOL_PCT = np.array([0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 96.0])
_DENSITY_20 = _row("""
    0.99820, 0.99106, 0.98471, 0.97897, 0.97356, 0.96810, 0.96221, 0.95559, 0.94805, 0.93954,
    0.93014, 0.90912, 0.80742
""")

_ETHANOL_WT = np.array(
    [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30, 32, 34, 40.0]
)
_ETHANOL_DROP = _row("""
    0, 0.40, 0.81, 1.23, 1.65, 2.09, 2.54, 2.99, 3.47, 3.96, 4.47, 5.56, 6.73, 8.01, 9.40, 10.92,
    12.60, 14.47, 16.41, 18.43, 20.47, 22.44, 24.27, 29.26
""")
_SUGAR_WT = np.array([0, 2, 4, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30, 32, 34, 36, 38, 40, 50.0])
_SUGAR_DROP = _row("""
    0, 0.11, 0.23, 0.49, 0.63, 0.77, 0.93, 1.10, 1.27, 1.47, 1.67, 1.89, 2.12, 2.37, 2.64, 2.94,
    3.27, 3.63, 4.02, 4.45, 7.6
""")

_MIX_WT = np.array([0, 5, 10, 15, 20, 25, 30, 35, 40, 50.0])
_HEAT_CAPACITY_0 = np.array([4.2194, 4.334, 4.402, 4.413, 4.369, 4.282, 4.163, 4.029, 3.893, 3.634])
_HEAT_CAPACITY_20 = np.array([4.1841, 4.241, 4.303, 4.335, 4.329, 4.287, 4.216, 4.127, 4.029, 3.824])
_CONDUCTIVITY_0 = np.array([0.556, 0.532, 0.503, 0.475, 0.448, 0.422, 0.398, 0.374, 0.352, 0.312])
_VISCOSITY_0 = np.array([1.791, 2.47, 3.32, 4.28, 5.25, 6.09, 6.71, 7.03, 7.08, 6.57]) * 1e-3

_MIX_X = np.array([0, 0.02, 0.05, 0.08, 0.12, 0.16, 0.20, 0.25, 0.30, 0.40, 0.50, 1.0])
_MIX_KJ_PER_MOL = np.array([0, -0.235, -0.53, -0.75, -0.93, -1.0, -0.98, -0.93, -0.85, -0.68, -0.52, 0])
_WATER_G_PER_MOL, _ETHANOL_G_PER_MOL = 18.015, 46.068

# Above this temperature the heat capacities are held: the tables stop near 20 °C and level off.
_LEVEL_C = 25.0


def _mixing_table() -> tuple[Floats, Floats]:
    """Heat of mixing [J/g of mixture] on a grid of mass fraction of ethanol [%]."""
    wt = np.linspace(0, 60, 241)
    ethanol, water = wt / _ETHANOL_G_PER_MOL, (100 - wt) / _WATER_G_PER_MOL
    moles_per_g = (ethanol + water) / 100
    return wt, 1000 * np.interp(ethanol / (ethanol + water), _MIX_X, _MIX_KJ_PER_MOL) * moles_per_g


_MIX_GRID_WT, _MIX_GRID_J_PER_G = _mixing_table()


@dataclass(frozen=True)
class Pour:
    """One ingredient: volume at 20 °C, strength, sugar, dry solids [% of mass], and what a label says."""

    name: str
    volume_ml: float
    abv_pct: float = 0.0
    sugar_g_per_100ml: float = 0.0
    solids_pct: float = 0.0
    caffeine_mg: float = 0.0
    allergens: tuple[str, ...] = ()

    def masses_g(self) -> tuple[float, float, float]:
        """Ethanol, dissolved solids and water [g]."""
        ethanol = self.volume_ml * self.abv_pct / 100 * ETHANOL_G_PER_ML
        sugar = self.volume_ml * (self.sugar_g_per_100ml + self.solids_pct) / 100
        rest_ml = self.volume_ml - SUGAR_ML_PER_G * sugar
        density = np.interp(self.volume_ml * self.abv_pct / rest_ml, _VOL_PCT, _DENSITY_20)
        return ethanol, sugar, float(rest_ml * density) - ethanol


@dataclass(frozen=True)
class Drink:
    """A recipe of the made-up world."""

    name: str
    pours: tuple[Pour, ...]

    @property
    def volume_ml(self) -> float:
        """Sum of the ingredients' volumes at 20 °C [ml]."""
        return sum(p.volume_ml for p in self.pours)

    def masses_g(self) -> tuple[float, float, float]:
        """Ethanol, dissolved solids and water [g]."""
        parts = np.array([p.masses_g() for p in self.pours]).sum(axis=0)
        return float(parts[0]), float(parts[1]), float(parts[2])


def freezing_point_c(ethanol_g: Floats, sugar_g: Floats, water_g: Floats) -> Floats:
    """Temperature at which ice and drink are at rest [°C]: both depressions, each on the shared water."""
    ethanol_pct = 100 * ethanol_g / (ethanol_g + water_g)
    sugar_pct = 100 * sugar_g / (sugar_g + water_g)
    drop: Floats = np.interp(ethanol_pct, _ETHANOL_WT, _ETHANOL_DROP) + np.interp(
        sugar_pct, _SUGAR_WT, _SUGAR_DROP
    )
    return -drop


@dataclass(frozen=True)
class Heat:
    """Heat content of a drink as a function of temperature: a + bT + cT² [J], straight above 25 °C."""

    rest_j: Floats
    linear_j_per_k: Floats
    square_j_per_k2: Floats

    @classmethod
    def of(cls, ethanol_g: Floats, sugar_g: Floats, water_g: Floats) -> Heat:
        """The heat content of a drink of these masses."""
        mixture = ethanol_g + water_g
        wt = 100 * ethanol_g / mixture
        c0 = np.interp(wt, _MIX_WT, _HEAT_CAPACITY_0)
        slope = (np.interp(wt, _MIX_WT, _HEAT_CAPACITY_20) - c0) / 20
        return cls(
            rest_j=mixture * np.interp(wt, _MIX_GRID_WT, _MIX_GRID_J_PER_G),
            linear_j_per_k=mixture * c0 + 1.677 * sugar_g,
            square_j_per_k2=0.5 * (mixture * slope + 0.0075 * sugar_g),
        )

    def capacity_j_per_k(self, temp_c: Floats) -> Floats:
        """Heat capacity at this temperature [J/K]."""
        return self.linear_j_per_k + 2 * self.square_j_per_k2 * np.minimum(temp_c, _LEVEL_C)

    def enthalpy_j(self, temp_c: Floats) -> Floats:
        """Enthalpy at this temperature [J]."""
        low = np.minimum(temp_c, _LEVEL_C)
        return (
            self.rest_j
            + (self.linear_j_per_k + self.square_j_per_k2 * low) * low
            + self.capacity_j_per_k(temp_c) * (temp_c - low)
        )

    def temp_c(self, enthalpy_j: Floats) -> Floats:
        """Temperature at which the drink holds this enthalpy [°C]."""
        excess = enthalpy_j - self.rest_j
        root = np.sqrt(np.maximum(self.linear_j_per_k**2 + 4 * self.square_j_per_k2 * excess, 0.0))
        low = 2 * excess / (self.linear_j_per_k + root)
        level = self.linear_j_per_k * _LEVEL_C + self.square_j_per_k2 * _LEVEL_C**2
        high = _LEVEL_C + (excess - level) / (self.linear_j_per_k + 2 * self.square_j_per_k2 * _LEVEL_C)
        return np.where(excess > level, high, low)


def water_enthalpy_j_per_g(temp_c: Floats) -> Floats:
    """Enthalpy of pure water [J/g], also supercooled; the same table as the drink's at no ethanol."""
    slope = float(_HEAT_CAPACITY_20[0] - _HEAT_CAPACITY_0[0]) / 20
    c0 = float(_HEAT_CAPACITY_0[0])
    return c0 * temp_c + 0.5 * slope * temp_c**2


def transport(ethanol_g: Floats, sugar_g: Floats, water_g: Floats, temp_c: Floats) -> tuple[Floats, Floats]:
    """Thermal conductivity [W/(m·K)] and viscosity [Pa·s].

    Thins with warmth as water does (1.791, 1.0016, 0.3541 mPa·s at 0, 20, 80 °C); sugar thickens by a
    fit to sucrose at 10, 20 and 50 °Brix.
    """
    wt = 100 * ethanol_g / (ethanol_g + water_g)
    brix = 100 * sugar_g / (sugar_g + water_g)
    conductivity = np.interp(wt, _MIX_WT, _CONDUCTIVITY_0) * (1 + 0.0035 * np.clip(temp_c, -10, 60))
    warm = np.clip(temp_c, -12, 90)
    thinning = np.exp(-0.0325 * warm + 0.000152 * warm**2)
    thickening = np.exp(0.027 * brix / (1 - 0.01 * np.minimum(brix, 70)))
    return conductivity, np.interp(wt, _MIX_WT, _VISCOSITY_0) * thinning * thickening
