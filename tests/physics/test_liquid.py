"""Laws that the liquid's properties keep, whatever the values."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.physics import liquid as properties
from rig.physics.liquid import (
    Liquid,
    abv_pct,
    enthalpy_j,
    freezing_point_c,
    heat_capacity_j_per_gk,
    mixing_enthalpy_j,
    volume_ml,
    water_enthalpy_j_per_g,
)

repeatable = settings(max_examples=50, deadline=None, derandomize=True)

temps = st.floats(-14.9, 94.9)


@st.composite
def drinks(draw):
    """Drinks within the range, from black coffee to liqueur."""
    water_g = draw(st.floats(20, 200))
    ethanol_g = draw(st.floats(0, 0.58)) / 0.42 * water_g * draw(st.sampled_from([0.0, 0.3, 1.0]))
    sugar_g = draw(st.floats(0, 0.6)) / 0.4 * water_g * draw(st.sampled_from([0.0, 0.2, 1.0]))
    return Liquid(min(ethanol_g, 1.38 * water_g), sugar_g, water_g, draw(st.floats(0, 20)))


@repeatable
@given(drinks(), temps)
def test_heat_capacity_is_the_slope_of_enthalpy(drink, temp_c):
    step_k = 0.02
    slope = (enthalpy_j(drink, temp_c + step_k) - enthalpy_j(drink, temp_c - step_k)) / (2 * step_k)
    assert slope == pytest.approx(drink.mass_g * heat_capacity_j_per_gk(drink, temp_c), rel=1e-4)


@repeatable
@given(drinks(), temps, st.floats(0, 2))
def test_water_enthalpy_is_the_slope_of_enthalpy_in_water(drink, temp_c, scale):
    step_g = 1e-3
    more, less = (
        enthalpy_j(drink.plus_water(g), temp_c, mixing_scale=scale, check=False) for g in (step_g, -step_g)
    )
    found = water_enthalpy_j_per_g(drink, temp_c, mixing_scale=scale)
    assert found == pytest.approx((more - less) / (2 * step_g), abs=2e-3)


@repeatable
@given(drinks(), temps, st.floats(0.1, 10))
def test_twice_the_drink_has_twice_the_volume_and_enthalpy(drink, temp_c, times):
    larger = Liquid(
        drink.ethanol_g * times, drink.sugar_g * times, drink.water_g * times, drink.solids_g * times
    )
    assert enthalpy_j(larger, temp_c) == pytest.approx(times * enthalpy_j(drink, temp_c), rel=1e-9, abs=1e-6)
    assert volume_ml(larger, temp_c) == pytest.approx(times * volume_ml(drink, temp_c), rel=1e-9)
    assert freezing_point_c(larger) == pytest.approx(freezing_point_c(drink), abs=1e-9)


@repeatable
@given(drinks(), st.floats(0.1, 100))
def test_water_weakens_a_drink_and_lets_it_freeze_sooner(drink, added_g):
    weaker = drink.plus_water(added_g)
    assert freezing_point_c(weaker) >= freezing_point_c(drink)
    assert abv_pct(weaker) <= abv_pct(drink)
    assert volume_ml(weaker) > volume_ml(drink)


@pytest.mark.parametrize("kind", ["ethanol_g", "sugar_g"])
def test_freezing_falls_smoothly_and_without_steps(kind):
    share = np.linspace(0.0, 0.6, 2001)
    parts = {"ethanol_g": 0.0, "sugar_g": 0.0, "solids_g": 0.0, "water_g": 1 - share, kind: share}
    falls = -np.diff(freezing_point_c(Liquid(**parts)))
    assert np.all(falls > 0)
    # No kink: neighbouring slopes differ by little beside the steepest
    assert np.abs(np.diff(falls)).max() < 0.02 * falls.max()


@repeatable
@given(st.floats(0, 60), st.floats(-14, 94))
def test_pure_liquids_have_no_heat_of_mixing(mass_g, temp_c):
    assert mixing_enthalpy_j(0.0, mass_g, temp_c) == 0.0


def test_volume_has_no_step_where_the_density_formula_ends():
    drink = Liquid([10.0, 40.0], 5.0, 60.0, 1.0)
    below, at, above = (volume_ml(drink, t) for t in (39.99, 40.0, 40.01))
    assert above - at == pytest.approx(at - below, rel=0.02)


def test_nothing_at_all_is_no_liquid_but_no_error_either():
    nothing = Liquid(0, 0, 0, 0)
    assert volume_ml(nothing) == abv_pct(nothing) == freezing_point_c(nothing) == enthalpy_j(nothing, 20) == 0


BATCH = Liquid([0.0, 12.0, 30.0], [5.0, 0.0, 20.0], [60.0, 50.0, 45.0], [0.0, 1.5, 0.3])
BATCH_TEMPS_C = np.array([-3.0, 20.0, 70.0])


@pytest.mark.parametrize(
    "name",
    [
        "enthalpy_j",
        "heat_capacity_j_per_gk",
        "volume_ml",
        "water_enthalpy_j_per_g",
        "freezing_point_c",
        "abv_pct",
    ],
)
def test_a_batch_is_the_loop_over_its_lanes(name):
    known = getattr(properties, name)
    with_temp = name not in ("freezing_point_c", "abv_pct")
    together = known(BATCH, BATCH_TEMPS_C) if with_temp else known(BATCH)
    assert together.shape == (3,)
    for lane in range(3):
        parts = (BATCH.ethanol_g, BATCH.sugar_g, BATCH.water_g, BATCH.solids_g)
        alone = Liquid(*(p[lane] for p in parts))
        value = known(alone, BATCH_TEMPS_C[lane]) if with_temp else known(alone)
        assert value == pytest.approx(together[lane], rel=1e-13, abs=1e-12)


def test_a_table_of_drinks_by_temperatures_broadcasts():
    column = Liquid(BATCH.ethanol_g[:, None], 0.0, 60.0, 0.0)
    assert enthalpy_j(column, np.linspace(-5, 60, 4)).shape == (3, 4)
