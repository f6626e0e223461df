"""Viscosity and thermal conductivity of what a drink is made of, against published tables."""

from __future__ import annotations

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from iapws import IAPWS95

from rig.physics.conductivity import GAIN_PER_K, conductivity_at_0_c
from rig.physics.liquid import Liquid
from rig.physics.melt import drink_curves
from rig.physics.viscosity import log_thickening_and_thinning, log_water_viscosity, thinning_share
from rig.units import kelvin_from_celsius

ATMOSPHERE_PA = 101325.0


def log_thickening(liquid, temp_c):
    """ln(viscosity ÷ water's) at `temp_c`."""
    at_0_c, thinning = log_thickening_and_thinning(liquid)
    return at_0_c - thinning * thinning_share(temp_c)


def spirit(ethanol_pct: float) -> Liquid:
    return Liquid(ethanol_pct, 0.0, 100.0 - ethanol_pct, 0.0)


def syrup(brix: float) -> Liquid:
    return Liquid(0.0, brix, 100.0 - brix, 0.0)


def viscosity_mpa_s(liquid: Liquid, temp_c: float) -> float:
    return float(np.exp(log_water_viscosity(temp_c) + log_thickening(liquid, temp_c)))


def melinder(what: str, ethanol_pct: float, temp_c: float) -> float:
    """Melinder, Properties of Secondary Working Fluids (IIR 2010), as CoolProp's fit of it gives it."""
    return PropsSI(
        what, "T", kelvin_from_celsius(temp_c), "P", ATMOSPHERE_PA, f"INCOMP::MEA[{ethanol_pct / 100}]"
    )


@pytest.mark.parametrize("temp_c", [0.01, 10.0, 20.0, 40.0, 60.0, 80.0])
def test_water_is_as_viscous_as_iapws_says(temp_c):
    source = IAPWS95(T=kelvin_from_celsius(temp_c), P=0.101325)
    assert np.exp(log_water_viscosity(temp_c)) == pytest.approx(source.mu * 1000, rel=0.012)


@pytest.mark.parametrize(
    ("brix", "mpa_s"),
    [(10, 1.336), (20, 1.945), (30, 3.187), (40, 6.162), (50, 15.43), (60, 58.49), (65, 147.2)],
)
def test_sugar_at_20_c_has_the_viscosity_of_its_own_table(brix, mpa_s):
    # CRC Handbook, sucrose at 20 °C (Swindells et al., NBS Circular 440 supplement, 1958); 30 and 65 as quoted
    # in a public laboratory report, the others from memory
    assert viscosity_mpa_s(syrup(brix), 20.0) == pytest.approx(mpa_s, rel=0.01)


# CRC Handbook, viscosity of aqueous sucrose against temperature (Bingham and Jackson, Bull. Bur. Stand. 14
# (1918) 59), as a public transcription of the handbook's table gives it. Two of its cells, 40 °Brix at 10 °C and
# 60 °Brix at 15 °C, lie 6 and 5 % off the curve through their neighbours in the same column.
SUGAR_TEMPS_C = (0, 5, 10, 15, 20, 25, 30, 35, 40, 50, 60, 80)
SUGAR_MPA_S = {
    20: (3.804, 3.154, 2.652, 2.267, 1.960, 1.704, 1.504, 1.331, 1.193, 0.970, 0.808, 0.590),
    40: (14.77, 11.56, 9.794, 7.468, 6.200, 5.187, 4.382, 3.762, 3.249, 2.497, 1.982, 1.334),
    60: (238.0, 156.0, 109.8, 74.6, 56.5, 43.86, 33.78, 26.52, 21.28, 14.01, 9.83, 5.40),
}
OFF_THEIR_COLUMN = {(40, 10), (60, 15)}


@pytest.mark.parametrize(
    ("brix", "temp_c", "mpa_s"),
    [
        (brix, temp_c, value)
        for brix, values in SUGAR_MPA_S.items()
        for temp_c, value in zip(SUGAR_TEMPS_C, values, strict=True)
    ]
    + [(30, 40, 1.833), (30, 60, 1.2), (65, 40, 44.36), (65, 60, 17.9)],
)
def test_sugar_thins_with_warmth_as_the_handbook_says(brix, temp_c, mpa_s):
    # the last four: literature values quoted in a public laboratory report
    within = 0.09 if (brix, temp_c) in OFF_THEIR_COLUMN else 0.05
    assert viscosity_mpa_s(syrup(brix), temp_c) == pytest.approx(mpa_s, rel=within)


# The coldest temperature [°C] at which the source has a value, by wt %: above freezing
MELINDER_COLDEST_C = {5: 0, 10: 0, 15: -5, 20: -10, 25: -15, 30: -15, 35: -15, 40: -15, 50: -10}


@pytest.mark.parametrize(
    ("ethanol_pct", "temp_c"),
    [
        (w, t)
        for w, coldest in MELINDER_COLDEST_C.items()
        for t in (-15, -10, -5, 0, 5, 10, 20, 30, 40)
        if coldest <= t <= 30 or (w <= 40 and t >= coldest)
    ],
)
def test_spirit_is_as_viscous_as_melinder_says(ethanol_pct, temp_c):
    expected = melinder("V", ethanol_pct, temp_c) * 1000
    assert viscosity_mpa_s(spirit(ethanol_pct), temp_c) == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(
    "drink",
    [spirit(40.0), spirit(20.0), syrup(50.0), syrup(15.0), Liquid(12.0, 9.0, 70.0, 2.0)],
    ids=["spirit", "wine", "syrup", "sweet", "drink"],
)
def test_the_curves_of_a_drink_keep_its_viscosity_as_it_dilutes(drink):
    curves = drink_curves(drink)
    for y in (0.0, 0.1, 0.25, 0.4, 0.6):
        diluted = drink.plus_water(drink.mass_g * y / (1 - y))
        for temp_c in (-8.0, 0.0, 20.0, 60.0):
            at = np.polyval(curves.thickening[0], y) - np.polyval(curves.thinning[0], y) * thinning_share(
                temp_c
            )
            assert at == pytest.approx(float(log_thickening(diluted, temp_c)), abs=0.03)


@pytest.mark.parametrize(
    ("ethanol_pct", "temp_c"),
    [(w, t) for w in (5, 10, 15, 20, 25, 30, 35, 40) for t in (0, 10, 20, 30)],
)
def test_spirit_conducts_heat_as_melinder_says(ethanol_pct, temp_c):
    found = float(conductivity_at_0_c(spirit(ethanol_pct))) * (1 + GAIN_PER_K * temp_c)
    assert found == pytest.approx(melinder("L", ethanol_pct, temp_c), rel=0.04)


@pytest.mark.parametrize("temp_c", [0.0, 10.0, 20.0, 30.0, 40.0])
@pytest.mark.parametrize("brix", [0.0, 10.0, 20.0, 40.0, 60.0])
def test_syrup_conducts_heat_as_riedel_says(brix, temp_c):
    # Riedel 1949 in the food engineering handbooks, from memory, its unit factor among it
    water_share = 1.0 - brix / 100.0
    expected = (326.58 + 1.0412 * temp_c - 0.00337 * temp_c**2) * (0.46 + 0.54 * water_share) * 1.73e-3
    found = float(conductivity_at_0_c(syrup(brix))) * (1 + GAIN_PER_K * temp_c)
    assert found == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("temp_c", [0.01, 20.0, 40.0])
def test_water_conducts_heat_as_iapws_says(temp_c):
    source = IAPWS95(T=kelvin_from_celsius(temp_c), P=0.101325)
    found = float(conductivity_at_0_c(spirit(0.0))) * (1 + GAIN_PER_K * temp_c)
    assert found == pytest.approx(source.k, rel=0.03)
