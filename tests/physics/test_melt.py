"""The dynamic model keeps its laws, and ends where the steady balance says."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rig.physics import ice
from rig.physics.liquid import Liquid, enthalpy_j, freezing_point_c
from rig.physics.melt import (
    ICE_J_PER_GK,
    Course,
    DrinkCurves,
    MeltInputs,
    _Lane,
    drink_curves,
    lagged,
    node_fractions,
    simulate,
    steps_for,
)
from tests.physics.steady import steady_state

DRINK = Liquid(*(np.array([x]) for x in (19.0, 9.0, 78.0, 1.0)))


def inputs(lanes: int = 1, **changes: float) -> MeltInputs:
    usual = {
        "drink_temp_c": 23.0,
        "ice_mass_g": 200.0,
        "ice_temp_c": -15.0,
        "surface_water_g": 1.0,
        "vessel_temp_c": 21.0,
        "room_temp_c": 21.0,
        "ice_w_per_k": 110.0,
        "breakage_per_s": 0.01,
        "core_w_per_k": 28.0,
        "inner_j_per_k": 80.0,
        "outer_j_per_k": 45.0,
        "film_w_per_k": 60.0,
        "wall_w_per_k": 10.0,
        "room_w_per_k": 0.5,
        "power_w": 4.0,
        "ramp_s": 0.35,
        "wash_s": 0.2,
        "shield_per_k": 0.04,
        "thickness_power": 0.16,
    }
    return MeltInputs(**{k: np.full(lanes, v) for k, v in (usual | changes).items()})


def run(x: MeltInputs, duration_s: float, liquid: Liquid = DRINK) -> tuple[Course, DrinkCurves]:
    curves = drink_curves(liquid).take(np.zeros(x.ice_mass_g.size, dtype=int))
    duration = np.full(x.ice_mass_g.size, duration_s)
    return simulate(curves, x, duration, steps_for(x, curves, duration)), curves


@pytest.mark.parametrize("added_g", [0.0, 20.0, 60.0, 150.0])
@pytest.mark.parametrize("temp_c", [-8.0, 0.0, 20.0, 60.0, 85.0])
def test_the_fitted_curves_stand_for_the_property_functions(added_g: float, temp_c: float) -> None:
    curves = drink_curves(DRINK)
    diluted = DRINK.plus_water(added_g)
    y = added_g / float(diluted.mass_g[0])
    h = float(enthalpy_j(diluted, temp_c)[0] / diluted.mass_g[0])
    temp = sum(float(np.polyval(getattr(curves, f"t{k}")[0], y)) * h**k for k in range(4))
    assert np.polyval(curves.freezing_c[0], y) == pytest.approx(float(freezing_point_c(diluted)[0]), abs=0.02)
    assert temp == pytest.approx(temp_c, abs=0.06)


def test_no_heat_is_lost_or_made() -> None:
    x = inputs(room_w_per_k=0.0, power_w=0.0)
    course, _ = run(x, 25.0)
    end = {f.name: getattr(course, f.name)[-1, 0] for f in fields(course)}
    after = DRINK.plus_water(end["added_g"])
    liquid = float(enthalpy_j(after, end["temp_c"])[0] - enthalpy_j(DRINK, 23.0)[0])
    at_zero = float(ice.enthalpy_j_per_g(0.0))
    before_ice = 199.0 * (at_zero + ICE_J_PER_GK * -15.0)
    after_ice = end["ice_left_g"] * (at_zero + ICE_J_PER_GK * end["core_temp_c"])
    walls = 80.0 * (end["inner_wall_c"] - 21.0) + 45.0 * (end["outer_wall_c"] - 21.0)
    moved = abs(walls) + abs(after_ice - before_ice)
    assert abs(liquid + walls + after_ice - before_ice) < 0.004 * moved


def test_water_that_joins_is_ice_that_went() -> None:
    course, _ = run(inputs(), 30.0)
    assert course.added_g + course.ice_left_g == pytest.approx(np.full_like(course.added_g, 200.0), abs=1e-9)


@pytest.mark.parametrize("ice_temp_c", [-15.0, -0.2])
@pytest.mark.parametrize("drink_temp_c", [23.0, 60.0])
def test_after_long_the_steady_balance_is_reached(ice_temp_c: float, drink_temp_c: float) -> None:
    x = inputs(
        drink_temp_c=drink_temp_c, ice_temp_c=ice_temp_c, film_w_per_k=0.0, room_w_per_k=0.0, power_w=0.0
    )
    course, _ = run(x, 600.0)
    steady = steady_state(DRINK, drink_temp_c, 200.0, ice_temp_c, surface_water_g=1.0)
    assert course.temp_c[-1, 0] == pytest.approx(float(steady.temp_c[0]), abs=0.1)
    # constant heat capacities of ice and cold water in the kernel: 1 % of the melt
    assert course.added_g[-1, 0] == pytest.approx(float(steady.added_g[0]), rel=0.015)


def test_a_stiff_solver_agrees() -> None:
    x = inputs()
    course, curves = run(x, 20.0)
    lane = _Lane(curves, x)
    moment_s = np.array([1e-9])
    unlimited = lane.limits(moment_s)
    known = solve_ivp(
        lambda t, s: lane.rate(
            s[:, None], lane.motion(np.array([t])), unlimited, lane.washing(np.array([t]), moment_s)
        )[0][:, 0],
        (0.0, 20.0),
        lane.start()[:, 0],
        method="LSODA",
        rtol=1e-9,
        atol=1e-9,
    )
    temp = lane.liquid(known.y[:, -1:])[0][0]
    assert course.temp_c[-1, 0] == pytest.approx(temp, abs=2e-3)
    assert course.added_g[-1, 0] == pytest.approx(200.0 - known.y[1:3, -1].sum(), abs=2e-3)


def test_many_lanes_go_as_one_alone() -> None:
    changes = [{}, {"ice_w_per_k": 40.0}, {"drink_temp_c": 60.0}, {"ice_temp_c": -0.1}]
    alone = [inputs(**c) for c in changes]
    together = MeltInputs(*(np.concatenate([getattr(x, f.name) for x in alone]) for f in fields(MeltInputs)))
    curves = drink_curves(DRINK)
    four = simulate(curves.take(np.zeros(4, dtype=int)), together, np.full(4, 15.0), 80)
    for k, x in enumerate(alone):
        one = simulate(curves, x, np.array([15.0]), 80)
        assert np.array_equal(one.temp_c[:, 0], four.temp_c[:, k])
        assert np.array_equal(one.added_g[:, 0], four.added_g[:, k])


def test_cold_dry_ice_dilutes_less_than_wet_ice() -> None:
    cold, _ = run(inputs(), 15.0)
    wet, _ = run(inputs(ice_temp_c=-0.2, surface_water_g=8.0), 15.0)
    assert cold.added_g[-1, 0] + 8.0 < wet.added_g[-1, 0]
    assert cold.temp_c[-1, 0] < wet.temp_c[-1, 0]


def test_ice_that_runs_out_ends_the_melt() -> None:
    course, _ = run(inputs(ice_mass_g=30.0, drink_temp_c=60.0, ice_temp_c=-0.5), 120.0)
    assert np.all(np.isfinite(course.temp_c))
    assert course.added_g[-1, 0] == pytest.approx(30.0, abs=0.05)
    assert course.temp_c[-1, 0] > course.temp_c.min() - 1e-9


def test_most_of_the_chill_of_a_hard_shake_comes_within_12_s() -> None:
    """Cooking Issues, 24 Jul 2009: shakes had almost levelled out by 12 s; a degree or two comes after."""
    course, _ = run(inputs(ice_temp_c=-0.2, surface_water_g=4.0), 40.0)
    at_12 = float(np.interp(12.0, course.time_s[:, 0], course.temp_c[:, 0]))
    whole = 23.0 - course.temp_c[-1, 0]
    assert (23.0 - at_12) / whole > 0.8


def test_a_probe_lags_as_two_lags_in_a_row_do() -> None:
    """Drink 4 s, probe 5 s, 20 to −6 °C: at 10 s true −3.87 °C, shown +3.06 °C (closed form)."""
    time = np.linspace(0.0, 10.0, 2001)[:, None]
    true = -6.0 + 26.0 * np.exp(-time / 4.0)
    shown = lagged(time, true, np.array([5.0]), np.array([20.0]))
    assert true[-1, 0] == pytest.approx(-3.87, abs=0.01)
    assert shown[-1, 0] == pytest.approx(3.06, abs=0.01)


def test_nodes_start_close_and_end_at_the_whole() -> None:
    fractions = node_fractions(40)
    assert fractions[0] == 0.0
    assert fractions[-1] == 1.0
    assert np.all(np.diff(fractions, 2) > 0)
