"""How well a drink conducts heat: what carries it through the last film to the ice."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from rig.arrays import FloatArray
from rig.physics.liquid import Liquid, brix, ethanol_mass_fraction

# W/(m·K) at 0 °C against mass percent of ethanol: Melinder, Properties of Secondary Working Fluids (2010), as
# evaluated by CoolProp's MEA fluid; water: IAPWS 2011.
_ETHANOL_PCT = [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 60.0]
_ETHANOL_W_PER_MK = [0.561, 0.532, 0.503, 0.475, 0.448, 0.422, 0.398, 0.374, 0.352, 0.312, 0.276]
_SUGAR_PER_BRIX = 0.00548
"""Loss per degree Brix: Riedel (1949), as given for sugar solutions in the food engineering handbooks, from memory."""
GAIN_PER_K = 0.0026
"""Relative gain with warmth, between water's (0.0031, IAPWS 2011: 0.561 at 0 °C, 0.631 W/(m·K) at 40 °C) and that of
spirit (0.0018 at 25 wt %, Melinder 2010): within 4 % of both from 0 to 30 °C."""


def conductivity_at_0_c(liquid: Liquid) -> FloatArray:
    """Thermal conductivity at 0 °C [W/(m·K)], broadcast over the components of `liquid`.

    Alcohol's and sugar's parts multiply, each read against water and that solute alone; within 5 %.
    """
    alcohol = PchipInterpolator(_ETHANOL_PCT, _ETHANOL_W_PER_MK)(
        np.clip(100.0 * ethanol_mass_fraction(liquid), 0.0, 60.0)
    )
    return np.asarray(alcohol * (1.0 - _SUGAR_PER_BRIX * np.clip(brix(liquid), 0.0, 65.0)))
