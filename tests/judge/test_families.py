"""The judged worlds keep heat and mass, end where a balance says, and are not each other's likeness."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.judge import lumped, shells, zones
from tests.judge.bench import FAMILIES, final_dilution, grid_s, make_case, probe_readings
from tests.judge.liquid import ICE_W_PER_M_K, Heat, freezing_point_c, ice_j_per_g
from tests.judge.scene import ICE_G, Plan, World, charge_runs, make_drinks, usual_plan

SEED = 201


@pytest.fixture(scope="module", params=list(FAMILIES))
def world(request: pytest.FixtureRequest) -> World:
    return FAMILIES[request.param](SEED)


def test_heat_and_mass_close_for_every_set_up_and_drink(world: World) -> None:
    for set_up in {*world.set_ups, *world.pairs}:
        for part in ("strong", "hot"):
            _, course = make_drinks(usual_plan(world, set_up, part), 20, 12.0, world.rng(1))
            assert np.abs(course.residual_j).max() < 1e-3
            assert np.abs(course.residual_g).max() < 1e-5  # the fragments start as a microgram
            assert np.all(np.diff(course.added_g[2:], axis=0) > -0.5)
            assert np.all((course.left_g > 0) & (course.left_g < 20) & (course.late_g >= 0))


def still(world: World) -> World:
    """The same world without hands, air, work and slush: nothing comes in."""
    laws: Any = world.laws
    if world.family == "shells":
        calm = {k: replace(m, work_w=0.0, hand_w_per_k=0.0, air_w_per_k=0.0) for k, m in laws.motions.items()}
        return replace(world, laws=replace(laws, motions=calm))
    if world.family == "lumped":
        calm = {k: replace(t, work_w=0.0, outside_w_per_k=0.0) for k, t in laws.techniques.items()}
        return replace(world, laws=replace(laws, techniques=calm))
    none = {"work_w": 0.0, "hand_w_per_k": 0.0, "air_w_per_k": 0.0, "dew_w_per_k": 0.0}
    calm = {k: replace(h, **none) for k, h in laws.hands.items()}
    return replace(world, laws=replace(laws, hands=calm))


def wall_j_per_k(world: World, vessel: str) -> float:
    laws: Any = world.laws
    if world.family == "shells":
        wall = laws.walls[vessel]
        return float(wall.inner_j_per_k + wall.outer_j_per_k)
    if world.family == "lumped":
        box = laws.containers[vessel]
        return float(box.near_j_per_k + box.far_j_per_k)
    shell = laws.shells[vessel]
    return float(shell.wetted_j_per_k + shell.rim_j_per_k)


def test_left_alone_it_ends_where_enthalpy_in_is_enthalpy_out(world: World) -> None:
    """Solved here on its own: drink, ice and wall end at the drink's freezing point."""
    alone = still(world)
    set_up = next(s for s in world.set_ups if s[2] == "freezer cube")
    plan = usual_plan(alone, set_up, "sour")
    charge = charge_runs(plan, 3, world.rng(9))
    course = alone.laws.make(plan, charge, 400.0, world.rng(10))
    mixing = world.laws.mixing  # type: ignore[attr-defined]
    wall = wall_j_per_k(world, set_up[1])
    for n in range(3):
        ethanol, sugar, water = (getattr(charge, k)[n : n + 1] for k in ("ethanol_g", "sugar_g", "water_g"))
        dry, film = charge.ice_g[n] - charge.film_g[n], charge.film_g[n]
        start = Heat.of(ethanol, sugar, water, mixing).enthalpy_j(charge.drink_temp_c[n : n + 1])
        start = start + dry * ice_j_per_g(charge.ice_temp_c[n]) + wall * charge.vessel_temp_c[n]

        def excess(
            melt: float, parts: Any = (ethanol, sugar, water), d: Any = dry, f: Any = film, j: Any = start
        ) -> float:
            more = parts[0], parts[1], parts[2] + melt + f
            end_c = freezing_point_c(*more)
            heat = Heat.of(*more, mixing).enthalpy_j(end_c)
            return float((heat + (d - melt) * ice_j_per_g(end_c) + wall * end_c - j).item())

        melt = brentq(excess, -20.0, 120.0)
        end_c = freezing_point_c(ethanol, sugar, water + melt + film).item()
        assert course.temp_c[-1, n] == pytest.approx(end_c, abs=0.1)
        assert course.added_g[-1, n] == pytest.approx(melt + film, abs=0.6)


def test_the_same_seed_gives_the_same_world_and_the_same_drinks(world: World) -> None:
    again = FAMILIES[world.family](SEED)
    assert again == world
    plan = usual_plan(world, world.set_ups[0], "sour")
    first, second = (make_case(0, "measured", p, 100) for p in (plan, replace(plan, world=again)))
    assert first is not None
    assert second is not None
    assert first.target_kwargs == second.target_kwargs
    assert np.array_equal(first.truth.odds, second.truth.odds)


def test_other_seeds_and_families_give_other_worlds() -> None:
    drawn = [draw(seed) for draw in FAMILIES.values() for seed in (SEED, SEED + 1)]
    powers = {w.laws.viscosity_power for w in drawn}  # type: ignore[attr-defined]
    assert len(powers) == len(drawn)
    assert {w.family for w in drawn} == set(FAMILIES)


@pytest.mark.parametrize("seed", range(201, 221))
def test_every_pair_is_measured_apart_and_never_together(seed: int) -> None:
    for draw in FAMILIES.values():
        world = draw(seed)
        assert len(world.set_ups) == 6
        assert len(world.pairs) >= 2
        for technique, vessel, ice in world.pairs:
            assert (technique, vessel, ice) not in world.set_ups
            assert any(vessel == v for _, v, _ in world.set_ups)
            assert any(ice == i for t, _, i in world.set_ups if t == technique)


@pytest.mark.parametrize("seed", range(201, 231))
def test_powers_hands_and_lag_are_drawn_within_what_is_known(seed: int) -> None:
    for draw in FAMILIES.values():
        world = draw(seed)
        laws: Any = world.laws
        assert 1 / 6 <= laws.viscosity_power <= 1 / 3
        assert 1 / 3 <= laws.conductivity_power <= 2 / 3
        assert 0.3 <= world.instruments.probe_lag_s <= 6.0
    shaking = shells.draw(seed).laws.motions["shake"]  # type: ignore[attr-defined]
    assert 1.0 <= shaking.hand_w_per_k + shaking.air_w_per_k <= 3.0
    assert 1.0 <= lumped.draw(seed).laws.techniques["shake"].outside_w_per_k <= 3.0  # type: ignore[attr-defined]
    way = zones.draw(seed).laws.hands["shake"]  # type: ignore[attr-defined]
    assert 0.9 <= way.hand_w_per_k + way.air_w_per_k + way.dew_w_per_k <= 3.3


def test_steps_are_fine_enough(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """Halving them moves no drink by more than a tenth of what one drink differs from the next."""
    module = {"shells": shells, "lumped": lumped, "zones": zones}[world.family]
    for set_up in (world.set_ups[3], world.set_ups[4]):
        plan = usual_plan(world, set_up, "hot")
        charge = charge_runs(plan, 40, world.rng(2))
        when = np.array([5.0, 10.0, 20.0])

        def seen(plan: Plan = plan, charge: Any = charge, when: Any = when) -> tuple[np.ndarray, np.ndarray]:
            course = plan.world.laws.make(plan, charge, 20.0, plan.world.rng(3))
            return course.at("temp_c", when), final_dilution(charge, course, when)

        coarse = seen()
        halved = {k: (fine / 2, until, late / 2) for k, (fine, until, late) in module.STEPS_S.items()}
        with monkeypatch.context() as patch:
            patch.setattr(module, "STEPS_S", halved)
            fine = seen()
        for before, after in zip(coarse, fine, strict=True):
            assert np.abs(np.median(after - before, axis=1)).max() < 0.15 * np.std(after, axis=1).max()


def test_shells_conduct_like_a_sphere() -> None:
    """Mean temperature of a sphere whose surface is held: Carslaw and Jaeger, Conduction of Heat in Solids, 9.3."""
    world = shells.draw(SEED)
    plan = usual_plan(world, next(s for s in world.set_ups if s[2] == "freezer cube"), "sour")
    batch = shells._Batch(world.laws, plan, charge_runs(plan, 1, world.rng(1)), 1.0, world.rng(2))  # type: ignore[arg-type]
    batch.sensible[:] = 2.0 * -18.0
    area = batch.area_m2()
    radius = 3 * batch.ice / 917.5e3 / area
    mass = batch.ice[0, 0]
    taken = 0.0
    dt_s, steps = 0.05, 160
    for _ in range(steps):
        taken += batch.conduct(area, radius, np.zeros(1), dt_s)[0, 0]
    start_c = shells._ice_temp_c(np.array(-36.0)).item()
    fourier = ICE_W_PER_M_K / (917.5e3 * 2.03) * dt_s * steps / radius[0, 0] ** 2
    n = np.arange(1, 400)
    left = 6 / np.pi**2 * np.sum(np.exp(-((n * np.pi) ** 2) * fourier) / n**2)
    assert taken / (36.0 * mass) == pytest.approx(1 - left, rel=0.05)
    assert start_c < -17


def test_a_moving_surface_carries_the_cold_of_its_shells() -> None:
    """Ice that melts under a surface held at 0 °C gives up neither more nor less heat than it holds."""
    world = shells.draw(SEED)
    plan = usual_plan(world, next(s for s in world.set_ups if s[2] == "freezer cube"), "sour")
    batch = shells._Batch(world.laws, plan, charge_runs(plan, 1, world.rng(1)), 1.0, world.rng(2))  # type: ignore[arg-type]
    batch.sensible[:] = np.linspace(-40, -5, shells.SHELLS)[:, None, None]

    def held_j() -> float:
        return float((batch.ice * (shells.SHARE[:, None, None] * batch.sensible).sum(axis=0)).sum())

    before, melt = held_j(), 0.02 * batch.ice
    batch.recede(melt, np.zeros(1))
    assert held_j() == pytest.approx(
        before, abs=1e-6 * abs(before)
    )  # what left was at 0 °C: no sensible heat


def test_a_slow_probe_shows_the_drink_of_a_moment_ago(world: World) -> None:
    plan = usual_plan(world, world.set_ups[0], "sour")
    charge, course = make_drinks(plan, 200, 20.0, world.rng(5))
    probe = world.instruments
    time_s, shown = probe_readings(plan, charge, course, world.rng(6))
    mean = shown.mean(axis=1) - probe.probe_offset_k
    undone = mean + probe.probe_lag_s * np.gradient(mean, time_s)
    late = (time_s > 4) & (time_s < 18)
    true_c = course.at("probe_c", time_s[late]).mean(axis=1)
    apart = undone[late] - true_c
    assert abs(apart.mean()) < 0.1
    assert np.all(mean[late] > true_c)


def test_ice_is_never_used_up_in_the_range_of_a_call(world: World) -> None:
    for technique, vessel, ice in world.set_ups:
        plan = usual_plan(world, (technique, vessel, ice), "hot")
        _, course = make_drinks(plan, 10, float(grid_s(technique)[-1]), world.rng(7))
        assert course.added_g.max() < 0.9 * ICE_G[technique]
