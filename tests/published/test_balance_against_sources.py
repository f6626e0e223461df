"""The steady balance against published measurements and an independent ocean model."""

import gsw
import pytest

from rig.errors import ModelRangeError
from rig.physics.balance import SURPLUS_CAUSES, Charge, heat_closure
from rig.physics.liquid import Liquid, mass_fraction_from_abv_pct, volume_ml
from tests.physics.steady import steady_state


def spirit(abv_pct: float, mass_g: float) -> Liquid:
    """Spirit of that strength."""
    fraction = mass_fraction_from_abv_pct(abv_pct)
    return Liquid(mass_g * fraction, 0, mass_g * (1 - fraction), 0)


def water(mass_g: float) -> Liquid:
    """Water, or black coffee."""
    return Liquid(0, 0, mass_g, 0)


@pytest.mark.parametrize(
    ("ice_part", "water_c", "ice_c"),
    [(0.3, 30.0, -15.0), (0.2, 25.0, -0.5), (0.5, 20.0, -20.0), (0.25, 35, -5)],
)
def test_ice_in_fresh_water_ends_as_in_teos10(ice_part, water_c, ice_c):
    # TEOS-10 (gsw.melting_ice_into_seawater) at no salinity: only there do the two models mean the same.
    # Its water is free of air and freezes at +0.0025 °C; ours at 0 °C: at most 0.03 g in a kilogram.
    salinity, potential_c, ice_left = gsw.melting_ice_into_seawater(
        0.0, gsw.CT_from_t(0.0, water_c, 0.0), 0.0, ice_part, ice_c
    )
    end = steady_state(water(1000 * (1 - ice_part)), water_c, 1000 * ice_part, ice_c)
    assert salinity == 0.0
    assert end.ice_left_g == pytest.approx(1000 * ice_left, abs=0.04)
    assert end.temp_c == pytest.approx(gsw.t_from_CT(0.0, potential_c, 0.0), abs=0.004)


@pytest.mark.parametrize(
    ("liquid_g", "liquid_c", "ice_g", "ice_c", "melt_g"),
    [(60, 67, 60, 0, 50.52), (60, 67, 60, -18, 43.91)],
)
def test_hot_coffee_melts_what_a_constant_heat_capacity_says(liquid_g, liquid_c, ice_g, ice_c, melt_g):
    # Exact for 4.19 and 2.04 J/(g·K), 333.43 J/g. IAPWS water averages 4.187 over 0…67 °C: 0.1 % less, 0.05 g
    end = steady_state(water(liquid_g), liquid_c, ice_g, ice_c)
    assert end.temp_c == pytest.approx(0.0, abs=1e-9)
    assert end.melt_g == pytest.approx(melt_g, abs=0.06)
    assert not end.all_melted


def test_as_much_water_at_80_c_melts_all_the_ice():
    # As above: 0.21 °C by constant heat capacities
    end = steady_state(water(100), 80, 100, 0)
    assert end.all_melted
    assert end.temp_c == pytest.approx(0.21, abs=0.04)


def sour() -> Liquid:
    """60 ml of 40 % vol, 36.3 g of water from lime and syrup, 13.8 g of sugar."""
    fraction = float(mass_fraction_from_abv_pct(40))
    spirit_g = 60 * 0.94805
    return Liquid(spirit_g * fraction, 13.8, spirit_g * (1 - fraction) + 36.3, 0)


@pytest.mark.parametrize(
    ("ice_c", "surface_g", "tin_j_per_k", "temp_c", "added_g"),
    [
        (0, 0, 0, -7.3, 43.3),
        (0, 0, 200, -6.5, 57.7),
        (0, 10, 200, -6.0, 67.0),
        (-18, 0, 0, -8.5, 28.8),
        (-18, 0, 200, -7.3, 43.2),
    ],
)
def test_a_sour_settles_where_a_balance_without_heat_of_mixing_puts_it(
    ice_c, surface_g, tin_j_per_k, temp_c, added_g
):
    # Plausibility: a hand calculation with one heat capacity, no heat of mixing. mixing_scale=0 leaves that
    # out at 25 °C only, the excess heat capacity brings a little back when cold: hence 2.5 g.
    end = steady_state(sour(), 20, 150, ice_c, surface_g, tin_j_per_k, 20, mixing_scale=0.0)
    assert end.temp_c == pytest.approx(temp_c, abs=0.2)
    assert end.added_g == pytest.approx(added_g, abs=2.5)


def test_heat_of_mixing_costs_a_few_percent_of_dilution():
    # 5…10 % of the dilution, a rough figure; both sides hold the colder excess, so less is seen here
    with_mixing = steady_state(sour(), 20, 150, 0).added_g
    without = steady_state(sour(), 20, 150, 0, mixing_scale=0.0).added_g
    assert 1.02 < with_mixing / without < 1.10


def test_a_shaken_sour_lands_in_the_published_range():
    # D. Arnold, Liquid Intelligence (2014): 51–60 % of water added; 2009: down to −7 °C when shaken
    end = steady_state(sour(), 20, 150, 0, 0, 200, 20)
    assert 0.51 < end.added_g / volume_ml(sour()) < 0.60
    assert -7.5 < end.temp_c < -5.0


def test_a_stirred_spirit_closes_its_heat():
    # 70 g of 40 % vol, 22.8 → 3.4 °C, stirred, +16 g (magazine experiment of 2012, 14 cubes of 25 g, taken at
    # 0 °C). Without heat of mixing it closes within 1 %; with it the chill pays for 2.5 g more.
    closure = heat_closure(Charge.of(spirit(40, 70), 22.8, 350, 0), 3.4, 16)
    assert closure.closes
    assert closure.least_g == pytest.approx(16, abs=3)


@pytest.mark.parametrize(("ice_c", "tin_j_per_k"), [(0, 0), (-18, 0), (0, 100)])
def test_the_same_spirit_shaken_does_not(ice_c, tin_j_per_k):
    # 22.8 → −1.7 °C, +46 g: even a steel tin of 200 g at room temperature does not pay for that
    closure = heat_closure(Charge.of(spirit(40, 70), 22.8, 350, ice_c, 0, tin_j_per_k, 20), -1.7, 46)
    assert not closure.closes
    assert closure.surplus_g > 8
    assert any("strainer" in cause for cause in SURPLUS_CAUSES)


def test_a_steady_state_outside_the_known_range_is_refused():
    with pytest.raises(ModelRangeError, match="steady state of 1 of 1"):
        steady_state(Liquid(38, 0, 30, 0), 20, 400, -25)
