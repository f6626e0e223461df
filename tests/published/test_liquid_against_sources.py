"""Liquid properties against published values; each tolerance has its reason beside it."""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from iapws import IAPWS95

from rig.errors import ModelRangeError
from rig.physics.liquid import (
    Liquid,
    abv_pct,
    abv_pct_from_mass_fraction,
    density_kg_per_m3,
    enthalpy_j,
    freezing_point_c,
    heat_capacity_j_per_gk,
    mass_fraction_from_abv_pct,
    mixing_enthalpy_j,
    volume_ml,
)
from rig.units import kelvin_from_celsius

ATMOSPHERE_PA = 101325.0


def spirit(ethanol_pct: float, mass_g: float = 1.0) -> Liquid:
    """Ethanol–water of that mass percentage."""
    return Liquid(ethanol_pct / 100 * mass_g, 0, (1 - ethanol_pct / 100) * mass_g, 0)


def syrup(brix: float, mass_g: float = 100.0) -> Liquid:
    """Sucrose–water of that mass percentage."""
    return Liquid(0, brix / 100 * mass_g, (1 - brix / 100) * mass_g, 0)


def melinder(what: str, ethanol_pct: float, temp_c: float = 20.0) -> float:
    """Melinder, Properties of Secondary Working Fluids (IIR 2010), as CoolProp's fit of it gives it."""
    return PropsSI(
        what, "T", kelvin_from_celsius(temp_c), "P", ATMOSPHERE_PA, f"INCOMP::MEA[{ethanol_pct / 100}]"
    )


@pytest.mark.parametrize(
    ("fraction", "temp_c", "density"),
    [
        (0.0, 20.0, 998.20123),
        (1.0, 20.0, 789.2391),
        (0.0, 0.0, 999.8369),
        (1.0, 0.0, 806.2151),
        (0.5, 20.0, 913.7706),
        # p ≠ 0 and t ≠ 20: only these notice a wrong mixed coefficient, of which copies are about
        (1.0, 40.0, 771.932),
        (0.2, -5.0, 976.7385),
        (0.3, -5.0, 967.8353),
        (0.73, 15.5, 864.2486),
    ],
)
def test_density_is_that_of_oiml_r22(fraction, temp_c, density):
    # OIML R 22 (1975), general formula; the values are printed to this many places
    assert density_kg_per_m3(fraction, temp_c) == pytest.approx(density, abs=6e-4)


@pytest.mark.parametrize(
    ("abv", "fraction", "density_20", "density_0", "density_minus_5"),
    [
        (5, 0.03982, 991.06, 992.84, 992.35),
        (15, 0.12093, 978.97, 982.53, 982.58),
        (25, 0.20381, 968.10, 975.24, 976.47),
        (40, 0.33300, 948.05, 960.63, 963.56),
        (60, 0.52088, 909.12, 924.68, 928.43),
        (96, 0.93838, 807.42, 824.49, 828.67),
    ],
)
def test_strength_by_volume_and_by_mass_agree_with_oiml_r22(
    abv, fraction, density_20, density_0, density_minus_5
):
    assert mass_fraction_from_abv_pct(abv) == pytest.approx(fraction, abs=6e-6)
    found = density_kg_per_m3(mass_fraction_from_abv_pct(abv), [20.0, 0.0, -5.0])
    assert found == pytest.approx([density_20, density_0, density_minus_5], abs=6e-3)


def test_strength_conversions_undo_each_other():
    abv = np.linspace(0.0, 100.0, 201)
    assert abv_pct_from_mass_fraction(mass_fraction_from_abv_pct(abv)) == pytest.approx(abv, abs=1e-8)


def test_equal_volumes_of_ethanol_and_water_contract_to_96_ml():
    # From OIML R 22, at 20 °C: 50 + 50 ml make 96.46 ml of 51.83 %; 60 ml of 40 % + 40 ml, 99.89 of 24.03 %
    water_g = 40 * density_kg_per_m3(0.0, 20.0) / 1000
    spirit_g = 60 * density_kg_per_m3(mass_fraction_from_abv_pct(40), 20.0) / 1000
    ethanol_g = spirit_g * mass_fraction_from_abv_pct(40)
    weak = Liquid(ethanol_g, 0, spirit_g - ethanol_g + water_g, 0)
    strong = Liquid(50 * 0.7892391, 0, 50 * 0.99820123, 0)
    assert volume_ml(strong) == pytest.approx(96.46, abs=0.01)
    assert abv_pct(strong) == pytest.approx(51.83, abs=0.01)
    assert volume_ml(weak) == pytest.approx(99.89, abs=0.01)
    assert abv_pct(weak) == pytest.approx(24.03, abs=0.01)


@pytest.mark.parametrize(("temp_c", "density"), [(50, 988.035), (80, 971.790), (90, 965.310)])
def test_hot_water_keeps_the_density_of_iapws95(temp_c, density):
    # Where OIML R 22 hands over, at 40 °C, its water and Kell's differ by 0.01 kg/m³
    assert density_kg_per_m3(0.0, temp_c) == pytest.approx(density, abs=0.02)


@pytest.mark.parametrize("temp_c", [45.0, 60.0, 75.0])
def test_hot_ethanol_expands_as_its_equation_of_state_says(temp_c):
    # Schroeder et al. 2014. Ours beyond 40 °C is an estimate: 0.2 % is 0.05 ml in a measure of spirit.
    expected = PropsSI("D", "T", kelvin_from_celsius(temp_c), "P", ATMOSPHERE_PA, "Ethanol")
    assert density_kg_per_m3(1.0, temp_c) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize(
    ("brix", "density"),
    [
        (5, 1.0178),
        (10, 1.0381),
        (15, 1.0592),
        (20, 1.0810),
        (30, 1.1270),
        (40, 1.1765),
        (50, 1.2296),
        (60, 1.2865),
    ],
)
def test_syrup_has_the_density_of_the_sucrose_table(brix, density):
    # CRC Handbook / ICUMSA, 20 °C; the table is printed to 1e-4
    assert syrup(brix).mass_g / volume_ml(syrup(brix)) == pytest.approx(density, abs=1.1e-4)


def test_equal_masses_of_sugar_and_water_hold_615_g_of_sugar_per_litre():
    # 0.5 × 1.2296 g/ml: CRC Handbook / ICUMSA
    assert 1000 * 50 / volume_ml(syrup(50)) == pytest.approx(614.8, abs=0.2)


@pytest.mark.parametrize("temp_c", [0.0, 5.0, 20.0, 40.0, 60.0, 90.0])
def test_water_has_the_heat_capacity_and_enthalpy_of_iapws95(temp_c):
    water = Liquid(0, 0, 1, 0)
    source = IAPWS95(T=kelvin_from_celsius(temp_c), P=0.101325)
    ice_point = IAPWS95(T=kelvin_from_celsius(0.0), P=0.101325)
    assert heat_capacity_j_per_gk(water, temp_c) == pytest.approx(source.cp, abs=2e-3)
    assert enthalpy_j(water, temp_c) == pytest.approx(source.h - ice_point.h, abs=0.05)


# The coldest temperature [°C] at which the source has a value, by wt %: above freezing
MELINDER_COLDEST_C = {5: 0, 10: 0, 15: -5, 20: -10, 25: -15, 30: -15, 40: -15, 50: -15, 60: -15}


@pytest.mark.parametrize(
    ("ethanol_pct", "temp_c"),
    [
        (w, t)
        for w, coldest in MELINDER_COLDEST_C.items()
        for t in (-15, -10, -5, 0, 10, 20, 35)
        if t >= coldest
    ],
)
def test_heat_capacity_is_melinders(ethanol_pct, temp_c):
    found = heat_capacity_j_per_gk(spirit(ethanol_pct), temp_c)
    # The source's own water is up to 0.4 % off IAPWS-95, to which ours is tied
    assert found == pytest.approx(melinder("C", ethanol_pct, temp_c) / 1000, rel=6e-3)


def test_weak_spirit_takes_more_heat_than_water():
    at_zero = heat_capacity_j_per_gk(spirit(15.0), 0.0)
    assert at_zero == pytest.approx(4.413, abs=0.02)  # Melinder 2010, 15 wt %, 0 °C
    assert at_zero > heat_capacity_j_per_gk(spirit(0.0), 0.0)


@pytest.mark.parametrize(("brix", "temp_c"), [(10, 20), (30, 0), (50, 20), (50, 60), (65, 20)])
def test_syrup_has_the_heat_capacity_of_bubnik(brix, temp_c):
    # Bubník et al., Sugar Technologists Manual (1995), from memory; its water is a constant 4.1868
    expected = 4.1868 - 0.0251 * brix + 7.5e-5 * brix * temp_c
    assert heat_capacity_j_per_gk(syrup(brix), temp_c) == pytest.approx(expected, rel=8e-3)


@pytest.mark.parametrize("ethanol_pct", [5, 10, 15, 20, 25, 30, 35, 40, 50, 60])
def test_spirit_freezes_where_melinder_says(ethanol_pct):
    # Our table is the CRC Handbook's: an independent set of measurements, which differ by as much as 0.35 °C
    expected = melinder("T_FREEZE", ethanol_pct) - kelvin_from_celsius(0.0)
    assert freezing_point_c(spirit(ethanol_pct)) == pytest.approx(expected, abs=0.35)


@pytest.mark.parametrize(
    ("ethanol_pct", "freezing_c"), [(4.8, -2.0), (6.8, -3.0), (11.3, -5.0), (13.8, -6.1), (16.4, -7.5)]
)
def test_weak_spirit_freezes_near_langes_table(ethanol_pct, freezing_c):
    # Lange's Handbook, Table 5.13: old antifreeze data, reads warmer the stronger (1.5 °C at 30 wt %)
    assert freezing_point_c(spirit(ethanol_pct)) == pytest.approx(freezing_c, abs=0.8)


@pytest.mark.parametrize(("abv", "freezing_c"), [(10, -4), (20, -9), (30, -15), (40, -23), (50, -32)])
def test_freezing_by_volume_agrees_with_the_rounded_trade_table(abv, freezing_c):
    # engineeringtoolbox.com, ethanol–water, rounded to whole degrees
    liquid = spirit(100 * float(mass_fraction_from_abv_pct(abv)))
    assert freezing_point_c(liquid) == pytest.approx(freezing_c, abs=1.0)


@pytest.mark.parametrize(
    "brix", [4, 5, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30, 32, 34, 36, 38, 40, 50]
)
def test_syrup_freezes_as_if_each_sucrose_bound_five_waters(brix):
    # Raoult's law with hydration (Scatchard 1921, from memory: about five waters): an independent law,
    # within 4 % of the CRC rows, so that a slip in any of them shows
    molality = 1000 * brix / (100 - brix) / 342.3
    expected_k = 1.86 * molality / (1 - 5 * 0.018015 * molality)
    assert -freezing_point_c(syrup(brix)) == pytest.approx(expected_k, rel=0.04)


def test_sugar_and_ice_meet_at_the_eutectic():
    # −13.9 °C at 62…63 wt % (from memory)
    assert freezing_point_c(syrup(62.5)) == pytest.approx(-13.9, abs=0.3)


def test_milk_and_coffee_freeze_near_what_is_known():
    # Milk −0.52 °C, with 4.8 g of milk sugar (taken for sucrose: same molar mass) and 8 g of other solids in
    # 100 g (from memory). Salts do half of the rest, for which the mean molar mass is only rough.
    milk = Liquid(0, 4.8, 87.2, 8.0)
    assert freezing_point_c(milk) == pytest.approx(-0.52, abs=0.25)
    black_coffee = Liquid(0, 0, 98.7, 1.3)
    assert -0.15 < freezing_point_c(black_coffee) < 0.0


def moles(ethanol_mole_fraction: float) -> tuple[float, float]:
    """Masses [g] of ethanol and water in a mole of the mixture."""
    return 46.069 * ethanol_mole_fraction, 18.015 * (1 - ethanol_mole_fraction)


def test_mixing_gives_off_most_heat_at_one_ethanol_in_six():
    # From memory of Larkin 1975 and Boyne and Williamson 1967: −0.78 kJ/mol near x = 0.16 at 25 °C, ±5 %
    x = np.linspace(0.02, 0.36, 341)
    heat_j = mixing_enthalpy_j(*moles(x), 25.0)
    assert x[np.argmin(heat_j)] == pytest.approx(0.16, abs=0.01)
    assert heat_j.min() == pytest.approx(-780.0, rel=0.05)


def test_a_drop_of_ethanol_in_water_gives_off_10_kj_per_mol():
    # −10.2 kJ/mol at 25 °C, ±5 % (from memory, as above)
    assert mixing_enthalpy_j(46.069e-6, 18.015, 25.0) * 1e6 == pytest.approx(-10200, rel=0.05)


def test_mixing_gives_off_more_heat_when_cold():
    # About −1.0 kJ/mol at 0 °C (from memory, weak), though only the heat capacities carry it there
    assert mixing_enthalpy_j(*moles(0.16), 0.0) == pytest.approx(-1000, rel=0.15)


def test_diluting_spirit_gives_off_the_heat_of_a_few_grams_of_melt():
    # 20 g of ethanol from 40 to 20 % vol at 25 °C: about 1.3…1.5 kJ, a rough figure on the same curve
    ethanol_g = 20.0
    water_g = [ethanol_g * (1 / mass_fraction_from_abv_pct(abv) - 1) for abv in (40, 20)]
    given_off = mixing_enthalpy_j(ethanol_g, water_g[0], 25.0) - mixing_enthalpy_j(
        ethanol_g, water_g[1], 25.0
    )
    assert 1000 < given_off < 1700


@pytest.mark.parametrize(
    ("liquid", "temp_c", "named"),
    [
        (spirit(61.0), 20.0, "ethanol .* 61 wt % lies outside 0…60"),
        (syrup(66.0), 20.0, "sugar .* 66 °Brix lies outside 0…65"),
        (spirit(20.0), 96.0, "temperature 96 °C lies outside -15…95"),
        (spirit(20.0), -15.5, "temperature -15.5 °C lies outside"),
        (spirit(20.0), np.nan, "temperature nan"),
        (Liquid(1, 0, -1e-3, 0), 20.0, "mass of water"),
    ],
)
def test_outside_its_range_a_property_is_refused(liquid, temp_c, named):
    with pytest.raises(ModelRangeError, match=named):
        heat_capacity_j_per_gk(liquid, temp_c)
    with pytest.raises(ModelRangeError, match=named):
        enthalpy_j(liquid, [20.0, temp_c])
