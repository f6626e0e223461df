"""How thick a drink is against water: what slows heat on its way to the ice.

ln(viscosity ÷ water's) = thickening at 0 °C − thinning · T/(T + 94 °C), for alcohol and for sugar each with two
numbers that depend on strength alone. The form keeps Melinder's ethanol–water (5 to 50 wt %, −15 to 40 °C) and
the handbook's sucrose (10 to 65 °Brix, 0 to 80 °C) within 5 %.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from rig.arrays import FloatArray, Floats
from rig.physics.liquid import Liquid, brix, ethanol_mass_fraction
from rig.units import kelvin_from_celsius

_THINNING_C = 94.0
_COLDEST_C = -20.0

# mPa·s at 0 and at 25 °C against mass percent of ethanol: Melinder, Properties of Secondary Working Fluids
# (2010), as evaluated by CoolProp's MEA fluid.
_ETHANOL_PCT = [5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 60.0]
_ETHANOL_0_MPA_S = [2.468, 3.317, 4.281, 5.249, 6.093, 6.705, 7.032, 7.083, 6.568, 5.590]
_ETHANOL_25_MPA_S = [1.088, 1.319, 1.573, 1.821, 2.040, 2.210, 2.325, 2.388, 2.395, 2.277]
# mPa·s at 20 °C against mass percent of sucrose: CRC Handbook (Swindells et al., NBS Circular 440 supplement,
# 1958), from memory.
_SUCROSE_PCT = [10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 65.0]
_SUCROSE_20_MPA_S = [1.336, 1.945, 3.187, 6.162, 15.43, 58.49, 147.2]
# Its thinning as a share of its thickening: least squares through the same handbook's columns for 20, 40 and
# 60 °Brix, 0 to 80 °C (Bingham & Jackson 1918), and two values at 65; below 20 °Brix carried on.
_SHARE_AT_PCT = [0.0, 20.0, 40.0, 60.0, 65.0]
_SUCROSE_THINNING_SHARE = [0.65, 0.705, 0.805, 0.95, 1.0]


def log_water_viscosity(temp_c: Floats) -> FloatArray:
    """Logarithm of water's viscosity [ln mPa·s]; Vogel's equation, within 1 % from −5 to 90 °C.

    Check against IAPWS 2008: 1.791, 1.002 and 0.354 mPa·s at 0, 20 and 80 °C.
    """
    kelvin = kelvin_from_celsius(np.asarray(temp_c, dtype=float))
    return np.asarray(np.log(0.02939) + 507.88 / (kelvin - 149.3))


def thinning_share(temp_c: Floats) -> FloatArray:
    """T/(T + 94 °C): how much of the thinning counts at `temp_c`; 0 at 0 °C, negative below."""
    temp = np.maximum(np.asarray(temp_c, dtype=float), _COLDEST_C)
    return np.asarray(temp / (temp + _THINNING_C))


def log_thickening_and_thinning(liquid: Liquid) -> tuple[FloatArray, FloatArray]:
    """ln(viscosity ÷ water's) at 0 °C, and by how much it falls per unit of `thinning_share`.

    Alcohol's and sugar's parts add up, each read against the mass fraction on water and that solute alone.
    There is no published table of the three together; 20 % off is likely, which moves heat transfer by 5 %.
    """
    ethanol_pct = np.clip(100.0 * ethanol_mass_fraction(liquid), 0.0, _ETHANOL_PCT[-1])
    sugar_brix = np.clip(brix(liquid), 0.0, _SUCROSE_PCT[-1])
    alcohol_0, alcohol_25 = (
        _through_water(_ETHANOL_PCT, values, temp_c)(ethanol_pct)
        for values, temp_c in ((_ETHANOL_0_MPA_S, 0.0), (_ETHANOL_25_MPA_S, 25.0))
    )
    alcohol_thinning = (alcohol_0 - alcohol_25) / thinning_share(25.0)
    share = PchipInterpolator(_SHARE_AT_PCT, _SUCROSE_THINNING_SHARE)(sugar_brix)
    sugar_20 = _through_water(_SUCROSE_PCT, _SUCROSE_20_MPA_S, 20.0)(sugar_brix)
    sugar_0 = sugar_20 / (1.0 - share * thinning_share(20.0))
    return np.asarray(alcohol_0 + sugar_0), np.asarray(alcohol_thinning + share * sugar_0)


def _through_water(pct: list[float], mpa_s: list[float], temp_c: float) -> PchipInterpolator:
    """ln(viscosity ÷ water's) against mass percent, through 0 at water."""
    return PchipInterpolator([0.0, *pct], [0.0, *(np.log(mpa_s) - log_water_viscosity(temp_c))])
