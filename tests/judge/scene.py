"""What all families of made-up worlds have in common: facts of a bench, plans, what goes into a run, what is read.

No heat moves here. A family supplies `Laws`: how ice, wall, film and liquid left behind behave in one world.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from sample_logs.generator.liquid import Drink, Floats, Pour
from tests.judge.liquid import masses_g

ROOM_C = 21.5
ICE_G = {"shake": 200.0, "stir": 240.0}
STEEL_J_PER_G_K, GLASS_J_PER_G_K = 0.50, 0.84
BEFORE_S = 2.0
"""A trace starts this long before the motion."""

SetUp = tuple[str, str, str]
"""Technique, vessel, ice."""


@dataclass(frozen=True)
class Vessel:
    """What the label of a vessel says."""

    material: str
    mass_g: float
    j_per_g_k: float


@dataclass(frozen=True)
class Ice:
    """A kind of ice: what it looks like, and its true mean temperature and surface water."""

    shape: str
    edge_mm: float
    temp_c: float
    temp_spread_k: float
    film_pct: float
    film_spread: float
    brittleness: float


@dataclass(frozen=True)
class Scatter:
    """What differs from one run to the next, nobody meaning it (natural-log or °C standard deviations)."""

    pace: float
    strength: float
    hands: float
    pour: float
    drink_temp_k: float
    ice_mass: float
    vessel_temp_k: float
    room_temp_k: float


@dataclass(frozen=True)
class Instruments:
    """Probe and scale, and how well temperatures are read before the run."""

    probe_lag_s: float
    probe_offset_k: float
    probe_noise_k: float
    probe_rate_hz: float
    probe_step_k: float
    probe_in_drink: bool
    scale_step_g: float
    scale_noise_g: float
    reading_noise_k: float


@dataclass(frozen=True)
class Charge:
    """What truly went into each run; every field has shape (runs,)."""

    ethanol_g: Floats
    sugar_g: Floats
    water_g: Floats
    volume_ml: Floats
    drink_temp_c: Floats
    ice_g: Floats
    """Ice and the water on it."""
    film_g: Floats
    ice_temp_c: Floats
    vessel_temp_c: Floats
    room_temp_c: Floats
    pace: Floats
    strength: Floats
    hands: Floats

    def __len__(self) -> int:
        return len(self.volume_ml)

    @property
    def drink_g(self) -> Floats:
        """Mass of the drink before the ice [g]."""
        return self.ethanol_g + self.sugar_g + self.water_g


@dataclass(frozen=True)
class Course:
    """What truly happened: arrays (steps, runs) against `time_s`, the energy ledger (runs,).

    `added_g` is water taken up while in motion; `late_g` what would still join while straining, if the motion
    stopped now; `left_g` the liquid that would stay behind on ice and vessel; `probe_c` what surrounds the
    probe.
    """

    time_s: Floats
    temp_c: Floats
    added_g: Floats
    late_g: Floats
    left_g: Floats
    probe_c: Floats
    residual_j: Floats
    """Heat found at the end less what was there and what came in."""
    residual_g: Floats
    """Ice and the water of it found at the end, less what went in."""

    def at(self, name: str, when_s: Floats, *, each: bool = False) -> Floats:
        """Quantity `name`, linear between steps: at `when_s` for all runs, or at one time a run (`each`)."""
        values: Floats = getattr(self, name)
        low = np.clip(np.searchsorted(self.time_s, when_s, side="right") - 1, 0, len(self.time_s) - 2)
        part = np.clip((when_s - self.time_s[low]) / (self.time_s[low + 1] - self.time_s[low]), 0.0, 1.0)
        if each:
            runs = np.arange(values.shape[1])
            return values[low, runs] * (1 - part) + values[low + 1, runs] * part
        return values[low] * (1 - part[:, None]) + values[low + 1] * part[:, None]


def step_times(longest_s: float, fine_s: float, until_s: float, coarse_s: float) -> Floats:
    """Times of the steps: fine at first, coarse once the start is over."""
    fine = np.arange(0.0, min(until_s, longest_s), fine_s)
    coarse = np.arange(fine[-1] + fine_s, longest_s + coarse_s, coarse_s)
    return np.concatenate([fine, coarse])


class Laws(Protocol):
    """How one world behaves."""

    def make(self, plan: Plan, charge: Charge, longest_s: float, rng: np.random.Generator) -> Course:
        """Make drinks, in motion for `longest_s`."""


@dataclass(frozen=True)
class World:
    """A made-up world: the facts that stand on labels, the layout of its bench, and its hidden laws."""

    family: str
    seed: int
    vessels: dict[str, Vessel]
    ices: dict[str, Ice]
    drinks: dict[str, Drink]
    """By part: two that are measured, and hot, strong, long ones that are not."""
    start_c: dict[str, float]
    set_ups: tuple[SetUp, ...]
    pairs: tuple[SetUp, ...]
    """An ice and a vessel each measured, never together."""
    scatter: Scatter
    instruments: Instruments
    held_back_stated: bool
    wetness_stated: bool
    laws: Laws = field(repr=False)

    def rng(self, *key: int) -> np.random.Generator:
        """Chance of this world for one purpose."""
        return np.random.default_rng([self.seed, *(ord(c) for c in self.family), *key])


@dataclass(frozen=True)
class Plan:
    """What a person means to do: a set-up, a drink and its true mean starting conditions."""

    world: World
    technique: str
    vessel: str
    ice: str
    part: str
    drink_temp_c: float
    ice_g: float
    vessel_temp_c: float = ROOM_C
    room_temp_c: float = ROOM_C

    @property
    def set_up(self) -> SetUp:
        return self.technique, self.vessel, self.ice

    @property
    def drink(self) -> Drink:
        return self.world.drinks[self.part]


def usual_plan(world: World, set_up: SetUp, part: str, drink_temp_c: float | None = None) -> Plan:
    """How this drink is made here."""
    start_c = world.start_c[part] if drink_temp_c is None else drink_temp_c
    return Plan(world, *set_up, part, start_c, ICE_G[set_up[0]])


def charge_runs(plan: Plan, runs: int, rng: np.random.Generator) -> Charge:
    """Start `runs` runs as planned, give or take what this world gives and takes."""
    scatter, ice = plan.world.scatter, plan.world.ices[plan.ice]

    def about(middle: float, log_sd: float) -> Floats:
        return middle * np.exp(rng.normal(0, log_sd, runs) - 0.5 * log_sd**2)

    pour = about(1.0, scatter.pour)
    ethanol, sugar, water = masses_g(plan.drink)
    ice_g = about(plan.ice_g, scatter.ice_mass)
    return Charge(
        ethanol_g=pour * ethanol,
        sugar_g=pour * sugar,
        water_g=pour * water,
        volume_ml=pour * plan.drink.volume_ml,
        drink_temp_c=plan.drink_temp_c + rng.normal(0, scatter.drink_temp_k, runs),
        ice_g=ice_g,
        film_g=ice_g * np.minimum(about(ice.film_pct / 100, ice.film_spread), 0.3),
        ice_temp_c=np.minimum(ice.temp_c + rng.normal(0, ice.temp_spread_k, runs), -0.02),
        vessel_temp_c=plan.vessel_temp_c + rng.normal(0, scatter.vessel_temp_k, runs),
        room_temp_c=plan.room_temp_c + rng.normal(0, scatter.room_temp_k, runs),
        pace=about(1.0, scatter.pace),
        strength=about(1.0, scatter.strength),
        hands=about(1.0, scatter.hands),
    )


def make_drinks(plan: Plan, runs: int, longest_s: float, rng: np.random.Generator) -> tuple[Charge, Course]:
    """Charge and make `runs` drinks; no joule and no gram may be lost on the way."""
    charge = charge_runs(plan, runs, rng)
    course = plan.world.laws.make(plan, charge, longest_s, rng)
    assert np.abs(course.residual_j).max() < 1.0, "heat does not close"
    assert np.abs(course.residual_g).max() < 1e-3, "mass does not close"
    return charge, course


def draw_world(
    family: str,
    seed: int,
    draw_laws: Callable[[np.random.Generator, dict[str, Vessel], dict[str, Ice]], Laws],
) -> World:
    """The world of this family and seed; the same names give the same world."""
    rng = np.random.default_rng([seed, *(ord(c) for c in family)])
    vessels, ices = _vessels(rng), _ices(rng)
    set_ups, pairs = _layout(rng)
    used = {ice for _, _, ice in set_ups}
    drinks, start_c = _drinks(rng)
    u = rng.uniform
    return World(
        family=family,
        seed=seed,
        vessels=vessels,
        ices={name: ice for name, ice in ices.items() if name in used},
        drinks=drinks,
        start_c=start_c,
        set_ups=set_ups,
        pairs=pairs,
        scatter=Scatter(
            pace=float(u(0.06, 0.12)),
            strength=float(u(0.03, 0.08)),
            hands=float(u(0.15, 0.5)),
            pour=float(u(0.005, 0.015)),
            drink_temp_k=float(u(0.4, 1.2)),
            ice_mass=float(u(0.015, 0.05)),
            vessel_temp_k=float(u(0.3, 1.0)),
            room_temp_k=0.5,
        ),
        instruments=Instruments(
            probe_lag_s=float(np.exp(u(np.log(0.3), np.log(6.0)))),
            probe_offset_k=float(np.clip(rng.normal(0, 0.25), -0.5, 0.5)),
            probe_noise_k=float(u(0.03, 0.2)),
            probe_rate_hz=float(rng.choice([2, 4, 5, 10])),
            probe_step_k=float(rng.choice([0.0625, 0.1, 0.25])),
            probe_in_drink=bool(rng.random() < 0.7),
            scale_step_g=float(rng.choice([0.1, 0.5, 1.0])),
            scale_noise_g=float(u(0.05, 0.3)),
            reading_noise_k=float(u(0.1, 0.4)),
        ),
        held_back_stated=bool(rng.random() < 0.6),
        wetness_stated=bool(rng.random() < 0.5),
        laws=draw_laws(rng, vessels, ices),
    )


def _vessels(rng: np.random.Generator) -> dict[str, Vessel]:
    u = rng.uniform
    steel, glass = ("stainless steel", STEEL_J_PER_G_K), ("glass", GLASS_J_PER_G_K)
    return {
        "two-piece steel": Vessel(steel[0], round(u(210, 420)), steel[1]),
        "three-piece steel": Vessel(steel[0], round(u(160, 280)), steel[1]),
        "mixing glass": Vessel(glass[0], round(u(450, 800)), glass[1]),
    }


def _ices(rng: np.random.Generator) -> dict[str, Ice]:
    u = rng.uniform
    return {
        "freezer cube": Ice(
            "cube", float(rng.integers(24, 34)), -float(u(13, 20)), float(u(0.4, 1.2)),
            float(u(0.05, 0.5)), 0.4, float(u(0.7, 1.6)),
        ),
        "bar cube": Ice(
            "cube", float(rng.integers(24, 33)), -float(u(0.1, 1.0)), 0.15,
            float(u(1.5, 6.0)), float(u(0.15, 0.35)), float(u(0.4, 1.0)),
        ),
        "cracked": Ice(
            "cracked", float(rng.integers(12, 18)), -float(u(0.5, 6.0)), 0.4,
            float(u(2.0, 7.0)), float(u(0.15, 0.3)), float(u(0.6, 1.2)),
        ),
        "pebble": Ice(
            "pebble", float(rng.integers(8, 12)), -float(u(0.1, 1.0)), 0.15,
            float(u(5.0, 13.0)), float(u(0.12, 0.25)), 0.3,
        ),
    }  # fmt: skip


def _layout(rng: np.random.Generator) -> tuple[tuple[SetUp, ...], tuple[SetUp, ...]]:
    """Six set-ups, and the two pairs of a shaker and an ice that are never together."""
    small = str(rng.choice(["cracked", "pebble"]))
    ices = ["freezer cube", "bar cube", small]
    shakers = ["two-piece steel", "three-piece steel"]
    if rng.random() < 0.5:
        shakers.reverse()
    shared = str(rng.choice(ices, p=[0.5, 0.3, 0.2]))
    shaken = [("shake", shakers[0], ice) for ice in ices] + [("shake", shakers[1], shared)]
    stirred = [("stir", "mixing glass", ice) for ice in ("freezer cube", "bar cube")]
    pairs = [("shake", shakers[1], ice) for ice in ices if ice != shared]
    return tuple(shaken + stirred), tuple(pairs)


def _drinks(rng: np.random.Generator) -> tuple[dict[str, Drink], dict[str, float]]:
    def ml(low: float, high: float) -> float:
        return (
            float(5 * np.round(rng.uniform(low, high) / 5))
            if high > 20
            else float(np.round(rng.uniform(low, high)))
        )

    def pct(low: float, high: float) -> float:
        return float(np.round(rng.uniform(low, high)))

    def syrup(low: float, high: float) -> Pour:
        return Pour("syrup", ml(low, high), sugar_g_per_100ml=61.5)

    drinks = {
        "sour": Drink("quay sour", (
            Pour("coffee concentrate", ml(35, 50)),
            Pour("dark spirit", ml(40, 50), abv_pct=pct(38, 46), sugar_g_per_100ml=1),
            syrup(12, 18),
        )),
        "rested": Drink("rested black", (
            Pour("rested coffee", ml(35, 50)),
            Pour("dark spirit", ml(40, 55), abv_pct=40),
            Pour("coffee liqueur", ml(10, 20), abv_pct=20, sugar_g_per_100ml=35),
        )),
        "hot": Drink("straight from the pot", (
            Pour("hot coffee", ml(50, 70)), Pour("dark spirit", ml(30, 40), abv_pct=42), syrup(10, 14),
        )),
        "strong": Drink("harbour master", (
            Pour("coffee spirit", ml(60, 70), abv_pct=pct(45, 50)),
            Pour("fortified wine", ml(15, 25), abv_pct=18, sugar_g_per_100ml=14),
            Pour("coffee concentrate", 5),
        )),
        "long": Drink("long watch", (
            Pour("coffee concentrate", ml(80, 100)), Pour("dark spirit", ml(35, 45), abv_pct=40), syrup(8, 12),
        )),
    }  # fmt: skip
    start_c = {
        "sour": pct(20, 26),
        "rested": pct(31, 40),
        "hot": pct(54, 66),
        "strong": pct(20, 25),
        "long": pct(26, 45),
    }
    return drinks, start_c
