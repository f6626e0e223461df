"""No input and no step length takes the dynamic model out of what a drink on ice can be.

The liquid stays between the coldest thing around and the warmest, above −40 °C; ice never falls below nothing; no
more water joins than there was ice; heat closes. Swept over all that the priors can give the model, to four standard
deviations of every parameter at once, and beyond that over inputs that no bench gives.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import qmc

from rig.arrays import FloatArray
from rig.bench import IceShape, Motion, parse_bench
from rig.fitting.bench_fit import prior_fit
from rig.fitting.prediction import parameter_draws, predict
from rig.fitting.priors import P
from rig.fitting.situation import Nominals, Situation, inputs_for, nominals
from rig.physics import ice
from rig.physics.liquid import Liquid, enthalpy_j, heat_capacity_j_per_gk
from rig.physics.melt import ICE_J_PER_GK, Course, MeltInputs, drink_curves, simulate, steps_for
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.runs import RunBook

BENCH, _ = parse_bench(
    """
title = "Edge of all things"
[vessels."steel tin"]
mass_g = 235
[vessels.thimble]
material = "plastic"
mass_g = 12
[vessels."stone jar"]
material = "glass"
mass_g = 2500
[recipes.black]
ingredients = [{ name = "coffee", volume_ml = 90 }]
[recipes.syrup]
ingredients = [
  { name = "coffee", volume_ml = 40 },
  { name = "nut syrup", volume_ml = 40, sugar_g_per_100ml = 80 },
]
[recipes.strong]
ingredients = [{ name = "dark spirit", volume_ml = 60, abv_pct = 50 }]
"""
    + "".join(f'[ice.{s.value}]\nshape = "{s.value}"\n' for s in IceShape)
)
PRIOR = prior_fit(RunBook(BENCH, ()))
TECHNIQUES = (*(m.value for m in Motion), "some other way")
KINDS = [
    Situation(t, v, i, r) for t in TECHNIQUES for v in BENCH.vessels for i in BENCH.ice for r in BENCH.recipes
]
WIDEST_SD = 4.0
BOILING_C = 100.0
ROUNDING = 1e-9
MIXING_K = 1.5
"""A cold spirit into which a third of its mass of water runs at once warms by so much: 40 to 70 J per gram of water
(heat of mixing) outweigh what the water takes to warm."""


@dataclass(frozen=True)
class Sweep:
    """Lanes; `liquid` is the undiluted drink of each."""

    liquid: Liquid
    nominal: Nominals
    inputs: MeltInputs
    duration_s: FloatArray


def swept(count: int, seed: int) -> Sweep:
    """Lanes over all set-ups, 0.1 g to 1 kg of ice, hot and cold drinks, 0 to 300 s, each parameter within ±4 sd."""
    sd = np.array(
        [parameter_draws(PRIOR, s, 64, 1).parameters.std(axis=0) for s in KINDS[:: len(BENCH.recipes)]]
    )
    sd = np.repeat(sd, len(BENCH.recipes), axis=0)
    u = qmc.Sobol(len(P) + 6, rng=np.random.default_rng(seed)).random(count)
    kind = np.arange(count) % len(KINDS)
    made = [
        Situation(
            KINDS[k].technique, KINDS[k].vessel, KINDS[k].ice, KINDS[k].recipe,
            drink_temp_c=2.0 + 93.0 * a, drink_mass_g=30.0 * 20.0**b, ice_mass_g=0.1 * 1e4**c,
            ice_temp_c=-25.0 * d, vessel_temp_c=-18.0 + 80.0 * e,
        )
        for k, (a, b, c, d, e) in zip(kind, u[:, :5], strict=True)
    ]  # fmt: skip
    nominal = nominals(BENCH, made)
    parameters = WIDEST_SD * (2.0 * u[:, 6:] - 1.0) * sd[kind]
    recipes = [liquid_from_recipe(BENCH.recipe(s.recipe)).liquid for s in made]
    share = nominal.drink_mass_g / np.array([float(np.sum(q.mass_g)) for q in recipes])
    liquid = Liquid(
        *(np.array([float(np.sum(getattr(q, f.name))) for q in recipes]) * share for f in fields(Liquid))
    )
    return Sweep(liquid, nominal, inputs_for(nominal, parameters, np.arange(count)), 300.0 * u[:, 5])


@pytest.fixture(scope="module")
def sweep() -> Sweep:
    return swept(1024, 1)


def assert_physical(x: MeltInputs, course: Course) -> None:
    for f in fields(course):
        assert np.all(np.isfinite(getattr(course, f.name))), f.name
    around = np.stack([x.drink_temp_c, x.vessel_temp_c, x.room_temp_c, np.zeros_like(x.room_temp_c)])
    most = np.where(x.power_w > 0.0, np.maximum(around.max(axis=0), BOILING_C), around.max(axis=0))
    least = np.minimum(around.min(axis=0), x.ice_temp_c)
    for temp in (course.temp_c, course.inner_wall_c, course.outer_wall_c):
        assert np.all(temp <= most + MIXING_K)
    assert np.all(course.temp_c >= np.minimum(least, -20.0) - 0.05)
    assert np.all(course.temp_c > -40.0)
    assert np.all(course.core_temp_c <= ROUNDING)
    assert np.all(course.ice_left_g >= 0.0)
    assert np.all(course.added_g <= x.ice_mass_g * (1.0 + ROUNDING))


@pytest.mark.parametrize("steps", [None, 32, 5], ids=["as many steps as needed", "32 steps", "5 steps"])
def test_no_drink_that_the_priors_can_think_of_leaves_the_physical_range(
    sweep: Sweep, steps: int | None
) -> None:
    if steps is None:
        steps = min(steps_for(sweep.inputs, sweep.nominal.curves, sweep.duration_s), 400)
    course = simulate(sweep.nominal.curves, sweep.inputs, sweep.duration_s, steps)
    assert_physical(sweep.inputs, course)
    # without motor, hands and room a drink gets no warmer than what was warm to begin with
    nothing = np.zeros_like(sweep.duration_s)
    alone = sweep.inputs.with_values(power_w=nothing, room_w_per_k=nothing)
    course = simulate(sweep.nominal.curves, alone, sweep.duration_s, steps)
    warmest = np.maximum(alone.drink_temp_c, np.maximum(alone.vessel_temp_c, 0.0))
    assert np.all(course.temp_c <= warmest + MIXING_K)


def test_a_drink_frozen_onto_the_ice_gives_no_more_than_it_can(sweep: Sweep) -> None:
    course = simulate(sweep.nominal.curves, sweep.inputs, sweep.duration_s, 100)
    assert np.all(course.added_g >= -0.04 * sweep.nominal.drink_mass_g)
    assert np.any(course.added_g < -0.03 * sweep.nominal.drink_mass_g)  # the sweep goes there


def test_no_heat_is_lost_or_made_anywhere(sweep: Sweep) -> None:
    nothing = np.zeros_like(sweep.duration_s)
    x = sweep.inputs.with_values(power_w=nothing, room_w_per_k=nothing)
    course = simulate(sweep.nominal.curves, x, sweep.duration_s, 64)
    before, after = sweep.liquid, sweep.liquid.plus_water(course.added_g[-1])
    gained = enthalpy_j(after, course.temp_c[-1], check=False) - enthalpy_j(
        before, x.drink_temp_c, check=False
    )
    at_zero = float(ice.enthalpy_j_per_g(0.0))
    wet = x.surface_water_g * np.exp(-sweep.duration_s / x.wash_s)  # not joined yet
    gained += (course.ice_left_g[-1] - wet) * (at_zero + ICE_J_PER_GK * course.core_temp_c[-1])
    gained -= (x.ice_mass_g - x.surface_water_g) * (at_zero + ICE_J_PER_GK * x.ice_temp_c)
    gained += x.inner_j_per_k * (course.inner_wall_c[-1] - x.vessel_temp_c)
    gained += x.outer_j_per_k * (course.outer_wall_c[-1] - x.vessel_temp_c)
    # the liquid's properties are polynomials, and melt water has one heat capacity: tenths of a kelvin of the drink
    away_k = np.abs(gained) / (after.mass_g * heat_capacity_j_per_gk(after, 0.0, check=False))
    assert np.percentile(away_k, 95.0) < 0.15
    assert np.max(away_k) < 0.5


@pytest.mark.parametrize(("technique", "start_c"), [("blend", 22.0), ("stir", 45.0), ("shake", 70.0)])
def test_little_crushed_ice_makes_no_drink_colder_than_ice_can(technique: str, start_c: float) -> None:
    asked = Situation(technique, "steel tin", "crushed", "black", drink_temp_c=start_c, ice_mass_g=80.0)
    told = predict(PRIOR, asked, np.linspace(2.0, 60.0, 30), draws=512)
    assert np.min(told.temp_c) > -1.5  # black coffee freezes at some tenths of a kelvin below 0 °C
    # a blender's motor, a few hundred watts at most, warms 170 g by as much in a minute once the ice is gone
    assert np.max(told.temp_c) < start_c + 30.0
    assert np.median(told.temp_c, axis=0).max() < start_c


LANES = 8


@st.composite
def any_inputs(draw: st.DrawFn) -> MeltInputs:
    """Inputs that need not make sense together, over many powers of ten."""

    def lanes(low: float, high: float) -> FloatArray:
        return np.array(draw(st.lists(st.floats(low, high), min_size=LANES, max_size=LANES)))

    def powers(low: float, high: float) -> FloatArray:
        return 10.0 ** lanes(low, high)

    mass = powers(-1.0, 3.0)
    return MeltInputs(
        drink_temp_c=lanes(-8.0, 95.0),
        ice_mass_g=mass,
        ice_temp_c=lanes(-30.0, 0.0),
        surface_water_g=mass * lanes(0.0, 1.0),
        vessel_temp_c=lanes(-20.0, 95.0),
        room_temp_c=lanes(-20.0, 60.0),
        ice_w_per_k=powers(-3.0, 5.0),
        breakage_per_s=powers(-5.0, 2.0),
        core_w_per_k=powers(-3.0, 5.0),
        inner_j_per_k=powers(-1.0, 4.0),
        outer_j_per_k=powers(-1.0, 4.0),
        film_w_per_k=powers(-3.0, 5.0),
        wall_w_per_k=powers(-3.0, 5.0),
        room_w_per_k=powers(-3.0, 5.0),
        power_w=powers(-3.0, 4.0),
        ramp_s=powers(-2.0, 1.0),
        wash_s=powers(-2.5, 0.5),
        shield_per_k=powers(-3.0, 1.0),
        thickness_power=lanes(-0.5, 1.0),
    )


@given(any_inputs(), st.floats(0.0, 300.0), st.integers(1, 60))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_no_inputs_at_all_leave_the_physical_range(x: MeltInputs, duration_s: float, steps: int) -> None:
    drinks = Liquid(
        *(np.resize(part, LANES) for part in ((19.0, 0.0), (9.0, 35.0), (78.0, 45.0), (1.0, 0.0)))
    )
    assert_physical(x, simulate(drink_curves(drinks), x, np.full(LANES, duration_s), steps))
