"""What a drink is made of, and its density, heat capacity, freezing point and enthalpy.

A `Liquid` is a batch: its four masses broadcast against each other and against the temperature. Each
function checks its range and raises ModelRangeError outside; `check=False` skips that in inner loops whose
inputs were checked once with `require_in_range`.

Known for −15…95 °C, 0–60 wt % ethanol (of ethanol + water) and 0–65 °Brix (of sucrose + water).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from rig.arrays import FloatArray, Floats
from rig.physics import ethanol_water, water
from rig.physics.ethanol_water import (
    MIXING_ENTHALPY_RELATIVE_SD,
    PURE_ETHANOL_KG_PER_M3,
    abv_pct_from_mass_fraction,
    density_kg_per_m3,
    mass_fraction_from_abv_pct,
    require,
    share,
)

__all__ = [
    "MIXING_ENTHALPY_RELATIVE_SD",
    "Liquid",
    "abv_pct",
    "abv_pct_from_mass_fraction",
    "brix",
    "density_kg_per_m3",
    "enthalpy_j",
    "ethanol_mass_fraction",
    "freezing_point_c",
    "heat_capacity_j_per_gk",
    "mass_fraction_from_abv_pct",
    "mixing_enthalpy_j",
    "require_in_range",
    "volume_ml",
    "water_enthalpy_j_per_g",
]

TEMP_RANGE_C = (-15.0, 95.0)
ETHANOL_MAX_PCT = 60.0
SUGAR_MAX_BRIX = 65.0

# CRC Handbook of Chemistry and Physics, concentrative properties of aqueous solutions, ethanol: wt % and
# depression [K] (from memory); the row at 60 wt % is Melinder 2010.
_ETHANOL_FREEZING = np.array(
    [
        [0, 0.0], [1, 0.40], [2, 0.81], [3, 1.23], [4, 1.65], [5, 2.09], [6, 2.54], [7, 2.99], [8, 3.47],
        [9, 3.96], [10, 4.47], [12, 5.56], [14, 6.73], [16, 8.01], [18, 9.40], [20, 10.92], [22, 12.60],
        [24, 14.47], [26, 16.41], [28, 18.43], [30, 20.47], [32, 22.44], [34, 24.27], [36, 25.98],
        [38, 27.62], [40, 29.26], [50, 37.67], [60, 44.9],
    ]
)  # fmt: skip
# The same handbook, sucrose (from memory; 50 wt % weak). Beyond, to the eutectic of ice and sugar (−13.9 °C,
# 62.5 wt %) and a little past it: common practice, no source.
_SUCROSE_FREEZING = np.array(
    [
        [0, 0.0], [2, 0.11], [4, 0.23], [5, 0.29], [8, 0.49], [10, 0.63], [12, 0.77], [14, 0.93], [16, 1.10],
        [18, 1.27], [20, 1.47], [22, 1.67], [24, 1.89], [26, 2.12], [28, 2.37], [30, 2.64], [32, 2.94],
        [34, 3.27], [36, 3.63], [38, 4.02], [40, 4.45], [50, 7.6], [60, 12.3], [62.5, 13.9], [65, 15.7],
    ]
)  # fmt: skip
_ETHANOL_DEPRESSION_K = PchipInterpolator(*_ETHANOL_FREEZING.T)
_SUCROSE_DEPRESSION_K = PchipInterpolator(*_SUCROSE_FREEZING.T)

# Other dry matter (coffee solids, milk solids, juice) as an ideal solute: cryoscopic constant of water, and a
# mean molar mass between coffee's and milk's. Common practice, no source; 10 % coffee solids give −0.5 °C.
_CRYOSCOPIC_K_KG_PER_MOL = 1.86
_SOLIDS_G_PER_MOL = 400.0

# Volume that a gram of sucrose adds at 20 °C [ml/g] against its mass fraction b in sucrose + water: from the
# CRC / ICUMSA density table, 5…60 °Brix, which it gives back within 0.00005 g/ml; and its growth [ml/(g·K)],
# from memory of the same table at 0 and 60 °C.
_SUCROSE_ML_PER_G = (0.61530, 0.01138, 0.01525)
_SUCROSE_ML_PER_GK = 0.0004
_SOLIDS_ML_PER_G = 0.67  # between carbohydrate and protein; common practice, no source

# What a gram adds to the heat capacity [J/(g·K)], as constant and slope per °C. Sucrose: Bubník et al., Sugar
# Technologists Manual (1995): 4.1868 − 2.51·b + 0.0075·b·t is water plus this. Solids: carbohydrate by
# Choi and Okos, ASHRAE Refrigeration, ch. 19 (both from memory).
_SUCROSE_HEAT = (1.677, 0.0075)
_SOLIDS_HEAT = (1.5488, 1.9625e-3)


@dataclass(frozen=True, eq=False)
class Liquid:
    """A batch of liquids by their masses [g], shapes that broadcast; `solids_g`: dry matter but sugar."""

    ethanol_g: FloatArray
    sugar_g: FloatArray
    water_g: FloatArray
    solids_g: FloatArray

    def __post_init__(self) -> None:
        for name in ("ethanol_g", "sugar_g", "water_g", "solids_g"):
            object.__setattr__(self, name, np.asarray(getattr(self, name), float))

    @property
    def mass_g(self) -> FloatArray:
        """Mass of everything [g]."""
        return np.asarray(self.ethanol_g + self.sugar_g + self.water_g + self.solids_g)

    def plus_water(self, added_g: Floats) -> Liquid:
        """The same liquids with `added_g` more water [g] (broadcasts)."""
        return replace(self, water_g=self.water_g + np.asarray(added_g, float))

    def times(self, factor: Floats) -> Liquid:
        """`factor` times as much of the same liquids (broadcasts)."""
        by = np.asarray(factor, float)
        return Liquid(self.ethanol_g * by, self.sugar_g * by, self.water_g * by, self.solids_g * by)


def ethanol_mass_fraction(liquid: Liquid) -> FloatArray:
    """Ethanol ÷ (ethanol + water) by mass."""
    return share(liquid.ethanol_g, liquid.ethanol_g + liquid.water_g)


def brix(liquid: Liquid) -> FloatArray:
    """Sugar ÷ (sugar + water) by mass [%]."""
    return 100.0 * share(liquid.sugar_g, liquid.sugar_g + liquid.water_g)


def require_in_range(liquid: Liquid, temp_c: Floats = 20.0) -> None:
    """Raise ModelRangeError, naming quantity, value and range, unless all properties are known here."""
    for name in ("ethanol", "sugar", "water", "solids"):
        require(f"mass of {name}", getattr(liquid, f"{name}_g"), 0.0, np.inf, "g")
    require("temperature", np.asarray(temp_c, float), *TEMP_RANGE_C, "°C")
    require(
        "ethanol (of ethanol and water)", 100.0 * ethanol_mass_fraction(liquid), 0.0, ETHANOL_MAX_PCT, "wt %"
    )
    require("sugar (of sugar and water)", brix(liquid), 0.0, SUGAR_MAX_BRIX, "°Brix")


def volume_ml(liquid: Liquid, temp_c: Floats = 20.0, *, check: bool = True) -> FloatArray:
    """Volume [ml] at `temp_c`: ethanol–water by OIML R 22, with its contraction, sugar and solids added.

    Sucrose by the volume it adds in water (CRC / ICUMSA density table), solids at 0.67 ml/g. Above 40 °C
    see `density_kg_per_m3`. ModelRangeError outside the range.
    """
    if check:
        require_in_range(liquid, temp_c)
    temp = np.asarray(temp_c, float)
    solvent = 1000.0 * (liquid.ethanol_g + liquid.water_g)
    b = brix(liquid) / 100.0
    sugar_ml_per_g = np.polynomial.polynomial.polyval(b, _SUCROSE_ML_PER_G) + _SUCROSE_ML_PER_GK * (
        temp - 20.0
    )
    return np.asarray(
        solvent / ethanol_water.unchecked_density_kg_per_m3(ethanol_mass_fraction(liquid), temp)
        + liquid.sugar_g * sugar_ml_per_g
        + liquid.solids_g * _SOLIDS_ML_PER_G
    )


def abv_pct(liquid: Liquid, *, check: bool = True) -> FloatArray:
    """Alcohol by volume at 20 °C [% vol]. ModelRangeError outside the range."""
    volume = volume_ml(liquid, 20.0, check=check)
    return 100.0 * share(1000.0 * liquid.ethanol_g / PURE_ETHANOL_KG_PER_M3, volume)


def heat_capacity_j_per_gk(liquid: Liquid, temp_c: Floats, *, check: bool = True) -> FloatArray:
    """Heat capacity [J/(g·K)] of the whole liquid.

    Ethanol–water by Melinder 2010 (weak mixtures exceed water), sucrose by Bubník et al. 1995, solids as
    carbohydrate. ModelRangeError outside the range.
    """
    if check:
        require_in_range(liquid, temp_c)
    temp = np.asarray(temp_c, float)
    solvent = liquid.ethanol_g + liquid.water_g
    total = (
        solvent * ethanol_water.heat_capacity_j_per_gk(ethanol_mass_fraction(liquid), temp)
        + liquid.sugar_g * (_SUCROSE_HEAT[0] + _SUCROSE_HEAT[1] * temp)
        + liquid.solids_g * (_SOLIDS_HEAT[0] + _SOLIDS_HEAT[1] * temp)
    )
    return share(np.asarray(total), liquid.mass_g)


def mixing_enthalpy_j(
    ethanol_g: Floats, water_g: Floats, temp_c: Floats, mixing_scale: Floats = 1.0, *, check: bool = True
) -> FloatArray:
    """Heat of mixing pure ethanol with pure water, all at `temp_c` [J]; negative: heat is given off.

    At 25 °C a curve through values from memory (Larkin 1975; Boyne and Williamson 1967), uncertain by
    `MIXING_ENTHALPY_RELATIVE_SD`; elsewhere by the excess heat capacity (Melinder 2010), so that its slope
    against temperature agrees with `heat_capacity_j_per_gk`. `mixing_scale` multiplies the part at 25 °C,
    to carry its uncertainty; heat capacities do not change with it. ModelRangeError outside the range.
    """
    nothing = np.zeros(())
    if check:
        require_in_range(Liquid(np.asarray(ethanol_g), nothing, np.asarray(water_g), nothing), temp_c)
    return ethanol_water.mixing_enthalpy_j(ethanol_g, water_g, temp_c, mixing_scale)


def freezing_point_c(liquid: Liquid, *, check: bool = True) -> FloatArray:
    """Temperature at which ice and this liquid stay in balance [°C], within about ±0.3 °C.

    The depressions by ethanol (on ethanol + water) and by sucrose (on sucrose + water), both of the CRC
    Handbook, are added: they share the water. Solids count as an ideal solute of 400 g/mol. ModelRangeError
    outside the range.
    """
    if check:
        require_in_range(liquid)
    ethanol_pct = np.clip(100.0 * ethanol_mass_fraction(liquid), 0.0, ETHANOL_MAX_PCT)
    sugar_brix = np.clip(brix(liquid), 0.0, SUGAR_MAX_BRIX)
    molality = 1000.0 * share(liquid.solids_g, liquid.water_g) / _SOLIDS_G_PER_MOL
    return np.asarray(
        -_ETHANOL_DEPRESSION_K(ethanol_pct)
        - _SUCROSE_DEPRESSION_K(sugar_brix)
        - _CRYOSCOPIC_K_KG_PER_MOL * molality
    )


def enthalpy_j(
    liquid: Liquid, temp_c: Floats, *, mixing_scale: Floats = 1.0, check: bool = True
) -> FloatArray:
    """Enthalpy [J] above the pure liquid components at 0 °C, with the heat of mixing ethanol and water.

    A function of state: its slope against temperature is mass × `heat_capacity_j_per_gk`. Heat of dilution of
    sugar and solids (a few J per g of sugar) is left out. `mixing_scale` as in `mixing_enthalpy_j`.
    ModelRangeError outside the range.
    """
    if check:
        require_in_range(liquid, temp_c)
    temp = np.asarray(temp_c, float)
    return np.asarray(
        liquid.water_g * water.enthalpy_j_per_g(temp)
        + liquid.ethanol_g * ethanol_water.ethanol_enthalpy_j_per_g(temp)
        + ethanol_water.mixing_enthalpy_j(liquid.ethanol_g, liquid.water_g, temp, mixing_scale)
        + liquid.sugar_g * (_SUCROSE_HEAT[0] + _SUCROSE_HEAT[1] * temp / 2.0) * temp
        + liquid.solids_g * (_SOLIDS_HEAT[0] + _SOLIDS_HEAT[1] * temp / 2.0) * temp
    )


def water_enthalpy_j_per_g(
    liquid: Liquid, temp_c: Floats, *, mixing_scale: Floats = 1.0, check: bool = True
) -> FloatArray:
    """Enthalpy that one more gram of water has in this liquid [J/g]: the slope of `enthalpy_j` in water.

    Less the enthalpy of ice, it is the heat that a gram of ice takes up as it melts into the drink.
    ModelRangeError outside the range.
    """
    if check:
        require_in_range(liquid, temp_c)
    temp = np.asarray(temp_c, float)
    fraction = ethanol_mass_fraction(liquid)
    mixing = ethanol_water.water_mixing_enthalpy_j_per_g(fraction, temp, mixing_scale)
    return np.asarray(water.enthalpy_j_per_g(temp) + mixing)
