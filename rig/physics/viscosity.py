"""How thick a drink is against water: what slows heat on its way to the ice."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from rig.arrays import FloatArray, Floats
from rig.physics.liquid import Liquid, brix, ethanol_mass_fraction
from rig.units import kelvin_from_celsius

# mPa·s at 0 °C against mass percent of ethanol: Melinder, Properties of Secondary Working Fluids (2010), as
# evaluated by CoolProp's MEA fluid; water: IAPWS 2008.
_ETHANOL_PCT = [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 60.0]
_ETHANOL_MPA_S = [1.791, 2.47, 3.32, 4.28, 5.25, 6.09, 6.71, 7.03, 7.08, 6.57, 5.75]
# mPa·s at 20 °C against mass percent of sucrose, CRC Handbook, from memory; water 1.002.
_SUCROSE_PCT = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 65.0]
_SUCROSE_MPA_S = [1.002, 1.336, 1.945, 3.187, 6.162, 15.43, 58.5, 147.0]
_SUCROSE_GAIN_TO_0_C = 1.16
_HALVES_OVER_C = 45.0


def log_water_viscosity(temp_c: Floats) -> FloatArray:
    """Logarithm of water's viscosity [ln mPa·s]; Vogel's equation, within 1 % from −5 to 90 °C.

    Check against IAPWS 2008: 1.791, 1.002 and 0.354 mPa·s at 0, 20 and 80 °C.
    """
    kelvin = kelvin_from_celsius(np.asarray(temp_c, dtype=float))
    return np.asarray(np.log(0.02939) + 507.88 / (kelvin - 149.3))


def log_thickening_at_0_c(liquid: Liquid) -> FloatArray:
    """Logarithm of a drink's viscosity over water's, both at 0 °C; alcohol's and sugar's shares add up.

    Each share is read against the mass fraction on water and that solute alone. There is no published table
    of the three together; 20 % off is likely, which moves heat transfer by 5 %.
    """
    ethanol = PchipInterpolator(_ETHANOL_PCT, np.log(np.array(_ETHANOL_MPA_S) / _ETHANOL_MPA_S[0]))
    sucrose = PchipInterpolator(_SUCROSE_PCT, np.log(np.array(_SUCROSE_MPA_S) / _SUCROSE_MPA_S[0]))
    alcohol = ethanol(np.clip(100.0 * ethanol_mass_fraction(liquid), 0.0, 60.0))
    sugar = _SUCROSE_GAIN_TO_0_C * sucrose(np.clip(brix(liquid), 0.0, 65.0))
    return np.asarray(alcohol + sugar)


def fading(temp_c: Floats) -> FloatArray:
    """How much of the thickening at 0 °C is left at `temp_c`, as a share of its logarithm.

    Against Melinder's 20 % ethanol: 0.69 of it at 20 °C.
    """
    return np.asarray(1.0 / (1.0 + np.maximum(np.asarray(temp_c, dtype=float), -20.0) / _HALVES_OVER_C))
