"""Laws that the made-up world must keep, and outside values it must meet."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import sample_logs.generator as generator
from sample_logs.generator import simulate as engine
from sample_logs.generator.draw import draw_world
from sample_logs.generator.ice import DIFFUSIVITY_M2_PER_S, ShellGrid, ice_enthalpy_j_per_g, ice_temp_c
from sample_logs.generator.instruments import BEFORE_S, make_records, probe_readings
from sample_logs.generator.laws import BreakLaw, Correlation, Plan, Setting, World
from sample_logs.generator.liquid import Drink, Heat, Pour, freezing_point_c
from sample_logs.generator.simulate import Charge, Course, charge_runs, simulate

SOUR = Drink(
    "sour", (Pour("coffee", 45), Pour("spirit", 45, abv_pct=42), Pour("syrup", 15, sugar_g_per_100ml=61.5))
)
KINDS = ("freezer cube", "bar cube", "cracked", "pebble", "crushed")


def plan_in(world: World, technique: str = "shake", ice: str = "freezer cube", start_c: float = 24.0) -> Plan:
    vessel = "mixing glass" if technique == "stir" else "two-piece steel"
    setting = Setting(world, technique, vessel, ice)
    return Plan(setting, SOUR, start_c, 200.0, setting.ice_law.temp_c, 22.0, 22.0)


def play(plan: Plan, duration_s: float, runs: int = 20, seed: int = 1) -> tuple[Charge, Course]:
    rng = np.random.default_rng(seed)
    charge = charge_runs(plan, runs, rng)
    return charge, simulate(plan.setting, charge, duration_s, rng)


def test_the_generator_imports_nothing_from_the_program_it_judges() -> None:
    for file in Path(generator.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [n for n in names if n.split(".")[0] == "rig"], file.name


@pytest.mark.parametrize("law", BreakLaw)
@pytest.mark.parametrize("correlation", Correlation)
@pytest.mark.parametrize(
    ("technique", "ice", "start_c"),
    [
        ("shake", "freezer cube", 24.0),
        ("shake", "crushed", 60.0),
        ("stir", "bar cube", 24.0),
        ("blend", "pebble", 40.0),
    ],
)
def test_heat_is_conserved(
    technique: str, ice: str, start_c: float, correlation: Correlation, law: BreakLaw
) -> None:
    world = replace(draw_world(3), correlation=correlation, break_law=law, breaks_per_s=4.0)
    _, course = play(plan_in(world, technique, ice, start_c), 20.0)
    assert (course.heat_moved_j > 5000).all()
    assert np.abs(course.heat_residual_j).max() < 1e-6 * course.heat_moved_j.min()


@pytest.mark.parametrize("technique", ["shake", "stir", "blend"])
@pytest.mark.parametrize("ice", KINDS)
def test_what_the_ice_loses_the_drink_gains(technique: str, ice: str) -> None:
    world = replace(draw_world(5), breaks_per_s=4.0, film_wash_s=0.2)
    charge, course = play(plan_in(world, technique, ice), 20.0)
    assert course.added_g[-1] + course.ice_g[-1] == pytest.approx(charge.ice_mass_g, abs=1e-3)
    assert course.added_g[0] == pytest.approx(0.0, abs=0.0)


def still_world() -> World:
    """A world with next to no vessel, no heat from outside, nothing random."""
    world = draw_world(5)
    wall = replace(world.walls["two-piece steel"], inner_j_per_k=1e-3, outer_j_per_k=1e-3)
    wall = replace(wall, ambient_w_per_k=0.0, between_w_per_k=0.0, wetted_m2=1e-6)
    motion = replace(world.motions["shake"], power_w=0.0, hand_w_per_k=0.0)
    none = replace(
        world.spread, pour=0.0, drink_temp_k=0.0, ice_mass=0.0, vessel_temp_k=0.0, cadence=0.0, strength=0.0
    )
    ice = replace(world.ices["bar cube"], film_pct=0.0, temp_spread_k=0.0)
    return replace(
        world,
        walls={**world.walls, "two-piece steel": wall},
        motions={**world.motions, "shake": motion},
        ices={**world.ices, "bar cube": ice},
        spread=none,
    )


@pytest.mark.parametrize(
    ("water_g", "start_c", "ice_g", "ice_c", "melt_g"),
    [(60.0, 67.0, 60.0, -0.05, 50.52), (60.0, 67.0, 60.0, -18.0, 43.91)],
)
def test_hot_water_melts_the_ice_that_the_heat_balance_says(
    water_g: float, start_c: float, ice_g: float, ice_c: float, melt_g: float
) -> None:
    """Balance at rest with c = 4.19 and 2.04 J/(g·K), L = 333.43 J/g (IAPWS R10-06), to 1 %."""
    setting = Setting(still_world(), "shake", "two-piece steel", "bar cube")
    plan = Plan(setting, Drink("water", (Pour("water", water_g / 0.9982),)), start_c, ice_g, ice_c, 0.0, 0.0)
    _, course = play(plan, 300.0, runs=1)
    assert course.added_g[-1, 0] == pytest.approx(melt_g, rel=0.01)
    assert course.temp_c[-1, 0] == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("seed", range(6))
def test_a_long_shake_ends_near_the_freezing_point_of_what_it_has_become(seed: int) -> None:
    charge, course = play(plan_in(draw_world(seed)), 150.0)
    floor = freezing_point_c(charge.ethanol_g, charge.sugar_g, charge.water_g + course.added_g[-1])
    assert (course.temp_c[-1] > floor - 0.05).all()
    assert (course.temp_c[-1] < floor + 1.0).all()


@pytest.mark.parametrize("fourier", [0.01, 0.05, 0.2, 0.5])
def test_shells_cool_as_a_solid_sphere_does(fourier: float) -> None:
    """Mean temperature after a step at the surface: Carslaw and Jaeger, Conduction of Heat in Solids, 9.3."""
    grid, radius = ShellGrid.of(engine.SHELLS), 0.0155
    enthalpy = np.full((engine.SHELLS, 1, 1), ice_enthalpy_j_per_g(np.float64(-10.0)))
    duration_s = fourier * radius**2 / DIFFUSIVITY_M2_PER_S
    change, _ = grid.conduct(enthalpy, np.full((1, 1), radius), duration_s)
    n = np.arange(1, 200)
    exact = (6 / np.pi**2 * np.exp(-((n * np.pi) ** 2) * fourier) / n**2).sum()
    warmed = grid.mean(change)[0, 0] / (ice_enthalpy_j_per_g(np.float64(0.0)) - enthalpy[0, 0, 0])
    assert 1 - warmed == pytest.approx(exact, abs=0.025)


def test_ice_enthalpy_and_temperature_are_inverse_and_meet_iapws() -> None:
    temp_c = np.linspace(-25, 0, 26)
    assert ice_temp_c(ice_enthalpy_j_per_g(temp_c)) == pytest.approx(temp_c, abs=1e-9)
    warm_up = ice_enthalpy_j_per_g(np.float64(0.0)) - ice_enthalpy_j_per_g(np.float64(-18.0))
    assert warm_up == pytest.approx(36.55, rel=0.002)  # IAPWS R10-06


@pytest.mark.parametrize("temp_c", [-8.0, 0.0, 15.0, 25.0, 40.0, 85.0])
def test_drink_enthalpy_and_temperature_are_inverse(temp_c: float) -> None:
    heat = Heat.of(np.array([20.0]), np.array([15.0]), np.array([80.0]))
    assert heat.temp_c(heat.enthalpy_j(np.array([temp_c]))) == pytest.approx([temp_c], abs=1e-9)


def test_diluting_spirit_warms_it_by_the_heat_of_mixing() -> None:
    """20 g of ethanol from 40 to 20 % vol gives off 1.3–1.5 kJ (from memory; after Boyne and Williamson)."""
    ethanol, before, after = np.array([20.0]), np.array([40.06]), np.array([103.35])
    given_j = Heat.of(ethanol, np.zeros(1), before).rest_j[0] - Heat.of(ethanol, np.zeros(1), after).rest_j[0]
    assert 1200 < given_j < 1700


def test_finer_steps_and_shells_change_little(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = plan_in(replace(draw_world(1), breaks_per_s=0.0))
    _, coarse = play(plan, 20.0, runs=4)
    monkeypatch.setattr(engine, "SHELLS", 2 * engine.SHELLS)
    monkeypatch.setattr(engine, "usual_step_s", lambda _motion: 0.025)
    _, fine = play(plan, 20.0, runs=4)
    at = np.full(4, 12.0)
    assert coarse.at("temp_c", at) == pytest.approx(fine.at("temp_c", at), abs=0.1)
    assert coarse.at("added_g", at) == pytest.approx(fine.at("added_g", at), rel=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_hotter_wetter_and_warmer_all_dilute_more(seed: int) -> None:
    world = draw_world(seed)
    usual = plan_in(world, ice="bar cube")
    wet = replace(world.ices["bar cube"], film_pct=2 * world.ices["bar cube"].film_pct)
    wetter = replace(world, ices={**world.ices, "bar cube": wet})

    def dilution(plan: Plan) -> float:
        charge, course = play(plan, 15.0, runs=200)
        return float((course.added_g[-1] / charge.volume_ml).mean())

    base = dilution(usual)
    assert dilution(replace(usual, drink_temp_c=60.0)) > base + 0.15
    assert dilution(replace(usual, vessel_temp_c=40.0)) > base + 0.02
    assert dilution(plan_in(wetter, ice="bar cube")) > base + 0.01


@pytest.mark.parametrize("seed", range(12))
def test_worlds_are_as_the_trade_knows_them(seed: int) -> None:
    """Common practice: a hard shake does most of its chilling in 12 s; stirring takes far longer."""
    world = draw_world(seed)
    _, shaken = play(plan_in(world), 40.0, runs=100)
    mean = shaken.temp_c.mean(axis=1)
    at_12 = mean[round(12 / shaken.time_s[1])]
    assert (24.0 - at_12) / (24.0 - mean[-1]) > 0.75
    _, stirred = play(plan_in(world, "stir"), 90.0, runs=100)
    cooled = stirred.temp_c.mean(axis=1) < at_12
    assert not cooled[stirred.time_s < 20].any()


def test_the_probe_lags_behind_a_falling_drink() -> None:
    world = draw_world(2)
    tools = replace(world.instruments, probe_noise_k=0.0, probe_offset_k=0.0, probe_step_k=0.001)

    def shown_at_6_s(lag_s: float) -> tuple[float, float]:
        plan = plan_in(replace(world, instruments=replace(tools, probe_lag_s=lag_s)))
        charge, course = play(plan, 10.0, runs=1)
        time_s, probe_c = probe_readings(plan, charge, course, np.random.default_rng(0))
        assert time_s[0] == -BEFORE_S
        return float(np.interp(6.0, time_s, probe_c[:, 0])), float(course.at("temp_c", np.array([6.0]))[0])

    quick, true_c = shown_at_6_s(0.3)
    slow, _ = shown_at_6_s(5.0)
    assert true_c < quick < true_c + 1.0
    assert slow > true_c + 4.0


def test_strained_mass_is_what_went_in_less_what_stayed_behind() -> None:
    plan = plan_in(draw_world(4), ice="bar cube")
    durations = np.linspace(5, 25, 40)
    records = make_records(plan, durations, np.random.default_rng(3))
    gained = np.array([r.strained_mass_g - r.drink_mass_g for r in records])  # type: ignore[operator]
    _, course = play(plan, 26.0, runs=400)
    added = np.array([course.at("added_g", np.full(400, d)).mean() for d in durations])
    assert 0.0 < (added - gained).mean() < 12.0


def test_the_same_seed_gives_the_same_world_and_runs() -> None:
    assert draw_world(9) == draw_world(9)
    assert draw_world(9) != draw_world(10)
    first, second = (play(plan_in(draw_world(9)), 5.0)[1] for _ in range(2))
    np.testing.assert_array_equal(first.temp_c, second.temp_c)
