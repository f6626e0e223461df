"""Laws that the steady balance keeps, and that its answers agree with one another."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.physics import ice
from rig.physics.balance import (
    Charge,
    heat_closure,
    ice_needed_g,
    melt_for_temperature,
    rest_temperature_c,
)
from rig.physics.liquid import Liquid, enthalpy_j, freezing_point_c
from tests.physics.steady import steady_state

repeatable = settings(max_examples=50, deadline=None, derandomize=True)

FLIP = Liquid(12.0, 6.0, 72.0, 1.0)
LANES = {
    "drink_temp_c": np.array([20.0, 60.0, 80.0, 5.0]),
    "ice_mass_g": np.array([200.0, 150.0, 20.0, 120.0]),
    "ice_temp_c": np.array([0.0, -18.0, -10.0, -20.0]),
    "surface_water_g": np.array([4.0, 0.0, 3.0, 1.0]),
    "vessel_j_per_k": np.array([118.0, 0.0, 60.0, 200.0]),
    "vessel_temp_c": np.array([20.0, 20.0, 22.0, -18.0]),
    "gain_j": np.array([0.0, 300.0, 0.0, 50.0]),
}


def enthalpy_in(drink, drink_c, ice_g, ice_c, tin, tin_c, gain_j):
    return enthalpy_j(drink, drink_c) + ice_g * ice.enthalpy_j_per_g(ice_c) + tin * tin_c + gain_j


charges = st.fixed_dictionaries(
    {
        "drink_temp_c": st.floats(0, 85),
        "ice_mass_g": st.floats(0, 400),
        "ice_temp_c": st.floats(-20, 0),
        "surface_water_g": st.floats(0, 20),
        "vessel_j_per_k": st.floats(0, 300),
        "vessel_temp_c": st.floats(-10, 30),
        "gain_j": st.floats(0, 2000),
    }
)


@repeatable
@given(charges, st.floats(0, 25), st.floats(0, 15))
def test_enthalpy_and_mass_are_conserved(charge, ethanol_g, sugar_g):
    drink = Liquid(ethanol_g, sugar_g, 60.0, 1.0)
    end = steady_state(drink, **charge)
    before = enthalpy_in(
        drink, charge["drink_temp_c"], charge["ice_mass_g"], charge["ice_temp_c"],
        charge["vessel_j_per_k"], charge["vessel_temp_c"], charge["gain_j"],
    )  # fmt: skip
    ice_end = np.minimum(end.temp_c, 0.0)
    after = enthalpy_in(
        drink.plus_water(end.added_g),
        end.temp_c,
        end.ice_left_g,
        ice_end,
        charge["vessel_j_per_k"],
        end.temp_c,
        0.0,
    )
    assert after == pytest.approx(before, abs=0.01)
    assert end.ice_left_g + end.added_g == pytest.approx(charge["ice_mass_g"] + charge["surface_water_g"])


@repeatable
@given(charges)
def test_with_ice_left_the_drink_lies_on_its_freezing_curve(charge):
    end = steady_state(FLIP, **charge)
    freezing = freezing_point_c(FLIP.plus_water(end.added_g))
    if end.all_melted:
        assert end.temp_c >= freezing - 1e-9
    else:
        assert end.temp_c == pytest.approx(freezing, abs=1e-9)


@pytest.mark.parametrize(
    ("what", "values", "colder"),
    [
        ("drink_temp_c", [0.0, 20.0, 40.0, 60.0, 80.0], False),
        ("vessel_j_per_k", [0.0, 50.0, 100.0, 200.0], False),
        ("vessel_temp_c", [0.0, 10.0, 20.0, 30.0], False),
        ("surface_water_g", [0.0, 5.0, 10.0, 20.0], False),
        ("gain_j", [0.0, 500.0, 2000.0], False),
        ("ice_temp_c", [0.0, -5.0, -10.0, -20.0], True),
    ],
)
def test_each_term_moves_the_end_the_way_it_must(what, values, colder):
    terms = {
        "drink_temp_c": 25.0,
        "ice_mass_g": 200.0,
        "ice_temp_c": -8.0,
        "vessel_j_per_k": 100.0,
        what: values,
    }
    end = steady_state(FLIP, **terms)
    sign = -1 if colder else 1
    assert np.all(sign * np.diff(end.temp_c) > 0)
    assert np.all(sign * np.diff(end.added_g) > 0)


def test_a_hot_drink_takes_twice_the_melt():
    # From the trade, no source: 90 ml at 60 °C about 0.8 g of melt per ml, at 25 °C about 0.4
    end = steady_state(Liquid(14.2, 4.0, 72.0, 1.0), [60.0, 25.0], 220.0, -12.0, 4.0, 100.0, 22.0)
    assert 1.7 < end.added_g[0] / end.added_g[1] < 2.3


def test_very_cold_ice_freezes_water_on():
    end = steady_state(FLIP, 0.0, 300.0, -25.0)
    assert end.melt_g < 0
    assert end.ice_left_g > 300.0


def test_without_ice_a_drink_only_meets_its_vessel():
    end = steady_state(Liquid(0, 0, 100, 0), 60.0, 0.0, -18.0, vessel_j_per_k=100.0, vessel_temp_c=20.0)
    assert end.all_melted
    assert end.added_g == 0
    assert end.temp_c == pytest.approx(60 - 40 * 100 / (100 + 418.5), abs=0.05)


def test_a_batch_is_the_loop_over_its_lanes():
    together = steady_state(FLIP, **LANES)
    assert together.all_melted.tolist() == [False, False, True, False]
    for lane in range(4):
        alone = steady_state(FLIP, **{name: values[lane] for name, values in LANES.items()})
        for name in ("temp_c", "melt_g", "added_g", "ice_left_g", "all_melted"):
            assert getattr(together, name).shape == (4,)
            assert getattr(alone, name) == pytest.approx(getattr(together, name)[lane], abs=1e-9)


def test_at_the_cold_floor_the_melt_needed_is_the_steady_melt():
    for ice_c in (0.0, -15.0):
        end = steady_state(FLIP, 25.0, 200.0, ice_c, 4.0, 110.0, 21.0)
        needed = melt_for_temperature(Charge.of(FLIP, 25.0, 200.0, ice_c, 4.0, 110.0, 21.0), end.temp_c)
        warmed = needed.least_g if ice_c < end.temp_c else needed.most_g
        assert warmed == pytest.approx(end.added_g, abs=1e-6)


def test_there_is_no_chilling_without_dilution():
    needed = melt_for_temperature(Charge.of(FLIP, 25.0, 200.0, 0.0), [20.0, 10.0, 0.0, -3.0])
    assert np.all(np.diff(needed.least_g) > 0)
    assert needed.least_g[0] > 0
    assert np.all(needed.most_g >= needed.least_g)


def test_below_the_cold_floor_no_amount_of_melt_is_right():
    floor_c = steady_state(FLIP, 25.0, 200.0, 0.0).temp_c
    needed = melt_for_temperature(Charge.of(FLIP, 25.0, 200.0, 0.0), floor_c - 1.0)
    assert np.isnan(needed.most_g)


def test_too_little_ice_cannot_bring_it_there():
    assert np.isnan(melt_for_temperature(Charge.of(FLIP, 60.0, 30.0, -10.0), 0.0).least_g)


def test_a_rested_drink_reaches_its_target_with_the_water_allowed():
    rest_c = rest_temperature_c(
        Charge.of(FLIP, 20.0, 200.0, -15.0, 4.0, 110.0, 21.0), -1.0, [25.0, 35.0, 50.0]
    )
    assert np.all(np.diff(rest_c) > 0)
    needed = melt_for_temperature(Charge.of(FLIP, rest_c, 200.0, -15.0, 4.0, 110.0, 21.0), -1.0)
    # Ice that stays idle takes the most melt, since it is colder than the drink
    assert needed.most_g == pytest.approx([25.0, 35.0, 50.0], abs=1e-6)


def test_rest_knows_when_none_is_needed_and_when_none_helps():
    charge = Charge.of(FLIP, 20.0, 200.0, -15.0)
    assert rest_temperature_c(charge, 30.0, 80.0) == 95.0
    assert np.isnan(rest_temperature_c(charge, -12.0, 30.0))
    assert np.isnan(rest_temperature_c(charge, -1.0, 250.0))
    assert np.isnan(rest_temperature_c(Charge.of(FLIP, 20.0, 200.0, -15.0, 4.0), -1.0, 2.0))


@pytest.mark.parametrize("ice_c", [0.0, -10.0])
def test_enough_ice_ends_as_near_the_floor_as_asked(ice_c):
    within_k = np.array([0.2, 1.0, 3.0])
    enough_g = ice_needed_g(Charge.of(FLIP, 40.0, 300.0, ice_c, 6.0, 110.0, 21.0), within_k)
    assert np.all(np.diff(enough_g) < 0)
    masses = np.linspace(0, 300, 1201)
    floor_c = steady_state(FLIP, 40.0, masses, ice_c, 0.02 * masses, 110.0, 21.0).temp_c.min()
    reached = steady_state(FLIP, 40.0, enough_g, ice_c, 0.02 * enough_g, 110.0, 21.0).temp_c
    assert reached == pytest.approx(floor_c + within_k, abs=0.1)


def test_a_run_of_the_model_itself_closes():
    end = steady_state(FLIP, **LANES)
    still_icy = ~end.all_melted
    charge = Charge.of(FLIP, **{name: values[still_icy] for name, values in LANES.items()})
    closure = heat_closure(charge, end.temp_c[still_icy], end.added_g[still_icy], uncertainty_g=0.01)
    assert closure.closes.all()
    assert np.all(closure.surplus_g == 0)


@pytest.mark.parametrize(("extra_g", "surplus_g"), [(15.0, 15.0), (-15.0, -15.0)])
def test_surplus_and_shortfall_are_told_apart_and_sized(extra_g, surplus_g):
    paid = heat_closure(Charge.of(FLIP, 25.0, 200.0, 0.0), 2.0, 0.0)
    edge_g = paid.most_g if extra_g > 0 else paid.least_g
    closure = heat_closure(Charge.of(FLIP, 25.0, 200.0, 0.0), 2.0, edge_g + extra_g)
    assert not closure.closes
    assert closure.surplus_g == pytest.approx(surplus_g)
