"""Pure liquid water at ordinary pressure, supercooled to −16 °C and hot to 98 °C.

Arrays in, arrays out; no range checks here: `liquid.require_in_range` guards the public functions.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial import polynomial

from rig.arrays import FloatArray, Floats

# Refit of IAPWS-95 (IAPWS R6-95(2018)) at 101.325 kPa, −16…98 °C, in powers of temp_c / 100;
# residual at most 0.002 J/(g·K).
_HEAT_CAPACITY = np.array([4.218868, -0.3554654, 1.456955, -3.643124, 5.54791, -4.405228, 1.397569])
_ENTHALPY = 100.0 * polynomial.polyint(_HEAT_CAPACITY)

# G. S. Kell, J. Chem. Eng. Data 20 (1975) 97: 0…150 °C, air-free water.
_KELL_ABOVE = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
_KELL_BELOW = 16.879850e-3


def heat_capacity_j_per_gk(temp_c: Floats) -> FloatArray:
    """Heat capacity of liquid water [J/(g·K)]; IAPWS-95."""
    return np.asarray(polynomial.polyval(np.asarray(temp_c, float) / 100.0, _HEAT_CAPACITY))


def enthalpy_j_per_g(temp_c: Floats) -> FloatArray:
    """Enthalpy of liquid water [J/g] above liquid water at 0 °C; IAPWS-95."""
    return np.asarray(polynomial.polyval(np.asarray(temp_c, float) / 100.0, _ENTHALPY))


def saturation_kpa(temp_c: Floats) -> FloatArray:
    """Pressure of water vapour over liquid water [kPa], also over supercooled water, where a cold glass condenses.

    Buck, J. Appl. Meteorol. 20 (1981) 1527, in the form with the 1996 coefficients; within 0.1 % of IAPWS-IF97
    to 50 °C and 0.5 % to 100 °C. No range is checked here.
    """
    t = np.asarray(temp_c, float)
    return np.asarray(0.61121 * np.exp((18.678 - t / 234.5) * (t / (257.14 + t))))


def density_kg_per_m3(temp_c: Floats) -> FloatArray:
    """Density of liquid water [kg/m³], 0…150 °C; Kell 1975."""
    t = np.asarray(temp_c, float)
    return np.asarray(polynomial.polyval(t, _KELL_ABOVE) / (1.0 + _KELL_BELOW * t))
