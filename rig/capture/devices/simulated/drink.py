"""One drink that nobody makes: its true course, and what probe, scale and motion sensor would read of it.

The course comes from the generator of the sample benches, a finer-grained simulator that shares no formula
with the model this program fits. Each seed is another drink: other hands, other ice, another start.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from rig.bench import Ice, IceShape, Motion, Recipe
from sample_logs.generator.draw import draw_world
from sample_logs.generator.instruments import strained_g
from sample_logs.generator.laws import Plan, Setting, World
from sample_logs.generator.liquid import Drink, Pour
from sample_logs.generator.simulate import Charge, Course, charge_runs, simulate

LONGEST_S = 90.0
SCALE_LAG_S = 0.15
USUAL_ROOM_C = 21.0
USUAL_ICE_OVER_DRINK = 2.3
_OF_MOTION = {Motion.SHAKE: "shake", Motion.STIR: "stir", Motion.BLEND: "blend"}
ICE_OF_SHAPE = {
    IceShape.CUBE: "freezer cube",
    IceShape.BLOCK: "freezer cube",
    IceShape.SPHERE: "freezer cube",
    IceShape.PEBBLE: "pebble",
    IceShape.CRACKED: "cracked",
    IceShape.CRUSHED: "crushed",
}


@dataclass(frozen=True)
class Instruments:
    """The probe and the scale of a simulated rig; K, s and g."""

    probe_lag_s: float
    probe_offset_k: float
    probe_noise_k: float
    probe_step_k: float
    scale_noise_g: float


class MadeUp(Protocol):
    """A drink whose whole course is known before it starts; masses in g, temperatures in °C."""

    @property
    def seed(self) -> int:
        """Which drink it is."""
        ...

    @property
    def drink_mass_g(self) -> float:
        """What was poured."""
        ...

    @property
    def ice_mass_g(self) -> float:
        """The ice, with the water on it."""
        ...

    @property
    def vessel_mass_g(self) -> float:
        """The empty vessel."""
        ...

    @property
    def cadence_hz(self) -> float:
        """How fast these hands move."""
        ...

    @property
    def instruments(self) -> Instruments:
        """What it is watched by."""
        ...

    def temp_c(self, moved_s: float) -> float:
        """True temperature after so much motion."""
        ...

    def strained_g(self, moved_s: float) -> float:
        """What runs through the strainer after so much motion."""
        ...


@dataclass(frozen=True, eq=False)
class SimulatedDrink:
    """A drink whose whole course is known before it starts; masses in g, temperatures in °C.

    `usual_g` is the mass that the plan meant, the charge holds what these hands truly poured.
    """

    plan: Plan
    charge: Charge
    course: Course
    seed: int

    @property
    def world(self) -> World:
        """The constants of its world."""
        return self.plan.setting.world

    @property
    def instruments(self) -> Instruments:
        """What it is watched by."""
        tools = self.world.instruments
        return Instruments(
            tools.probe_lag_s,
            tools.probe_offset_k,
            tools.probe_noise_k,
            tools.probe_step_k,
            tools.scale_noise_g,
        )

    @property
    def vessel_mass_g(self) -> float:
        """The empty vessel."""
        return float(self.plan.setting.wall.mass_g)

    @property
    def drink_mass_g(self) -> float:
        """What was poured."""
        return float(self.charge.drink_g[0])

    @property
    def ice_mass_g(self) -> float:
        """The ice, with the water on it."""
        return float(self.charge.ice_mass_g[0])

    @property
    def vessel_temp_c(self) -> float:
        """The vessel before the drink."""
        return float(self.charge.vessel_temp_c[0])

    @property
    def cadence_hz(self) -> float:
        """How fast these hands move."""
        return float(self.plan.setting.motion.cadence_hz * self.charge.cadence[0])

    def temp_c(self, moved_s: float) -> float:
        """True temperature after so much motion."""
        return float(np.interp(moved_s, self.course.time_s, self.course.temp_c[:, 0]))

    def added_g(self, moved_s: float) -> float:
        """Water that the ice has given after so much motion."""
        return float(np.interp(moved_s, self.course.time_s, self.course.added_g[:, 0]))

    def strained_g(self, moved_s: float) -> float:
        """What runs through the strainer after so much motion; the same for the same seed and duration."""
        rng = np.random.default_rng([self.seed, 3])
        return float(strained_g(self.plan, self.charge, self.course, np.array([moved_s]), rng)[0])


def make_drink(
    seed: int,
    recipe: Recipe | None = None,
    *,
    motion: Motion = Motion.SHAKE,
    vessel: str = "two-piece steel",
    ice: Ice | None = None,
    drink_temp_c: float = 24.0,
    ice_mass_g: float | None = None,
    world: int | None = None,
) -> SimulatedDrink:
    """A drink of this seed: as asked for, give or take what hands, ice and room give and take.

    `world`: the number of its world; every seed its own where none is given. The same seed and request give the same
    drink.
    """
    law = draw_world(seed if world is None else world)
    poured = _drink(recipe)
    kind = "freezer cube" if ice is None else (ice.name if ice.name in law.ices else ICE_OF_SHAPE[ice.shape])
    tin = vessel if vessel in law.walls else "two-piece steel"
    setting = Setting(law, _OF_MOTION.get(motion, "stir"), tin, kind)
    # A simulated probe is a good one: what is shown here is a drink, not the worst capsule of any world.
    tools = replace(law.instruments, probe_in_drink=True, probe_lag_s=min(law.instruments.probe_lag_s, 1.5))
    setting = replace(setting, world=replace(law, instruments=tools))
    plan = Plan(
        setting,
        poured,
        drink_temp_c,
        ice_mass_g or USUAL_ICE_OVER_DRINK * sum(poured.masses_g()),
        setting.ice_law.temp_c if ice is None or ice.temp_c is None else min(ice.temp_c, -0.05),
        USUAL_ROOM_C,
        USUAL_ROOM_C,
    )
    rng = np.random.default_rng([seed, 2])
    charge = charge_runs(plan, 1, rng)
    return SimulatedDrink(plan, charge, simulate(setting, charge, LONGEST_S, rng), seed)


def _drink(recipe: Recipe | None) -> Drink:
    if recipe is None:
        return Drink(
            "night ferry",
            (Pour("coffee concentrate", 50), Pour("dark spirit", 35, abv_pct=42), Pour("water", 5)),
        )
    return Drink(
        recipe.name,
        tuple(
            Pour(
                i.name,
                i.volume_ml if i.volume_ml is not None else (i.mass_g or 0.0) / (i.density_g_per_ml or 1.0),
                abv_pct=i.abv_pct,
                sugar_g_per_100ml=i.sugar_g_per_100ml if i.sugar_g_per_100ml is not None else (i.brix or 0.0),
                solids_pct=i.solids_pct,
            )
            for i in recipe.ingredients
        ),
    )


Seconds = Callable[[], float]


@dataclass(eq=False)
class Hands:
    """What happens to a drink, and when: the devices look at it while somebody's methods make it happen.

    `now_s` gives simulated seconds. Any thread may call.
    """

    drink: MadeUp
    now_s: Seconds
    on_scale_g: float = 0.0
    started_s: float | None = None
    stopped_s: float | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _rng: np.random.Generator = field(init=False)
    _probe_shown_c: float = field(init=False)
    _scale_shown_g: float = 0.0
    _probe_at_s: float | None = None
    _scale_at_s: float | None = None

    def __post_init__(self) -> None:
        self._rng = np.random.default_rng([self.drink.seed, 4])
        self._probe_shown_c = self.drink.temp_c(0.0)

    def put_on_scale(self, mass_g: float) -> None:
        """Put a mass on the tared scale; 0 takes it off."""
        with self._lock:
            self.on_scale_g = mass_g

    def start(self) -> None:
        """Start to shake, stir or blend."""
        with self._lock:
            self.started_s, self.stopped_s = self.now_s(), None

    def stop(self) -> None:
        """Stop."""
        with self._lock:
            self.stopped_s = self.now_s()

    @property
    def moved_s(self) -> float:
        """How long the drink has been moved by now."""
        return self._moved_s(self.now_s())

    def probe_c(self, at_s: float) -> float:
        """What the probe shows: behind the drink by its lag, with its offset, noise and steps."""
        with self._lock:
            tools = self.drink.instruments
            true_c = self.drink.temp_c(self._moved_s(at_s))
            self._probe_shown_c += _caught_up(at_s, self._probe_at_s, tools.probe_lag_s) * (
                true_c - self._probe_shown_c
            )
            self._probe_at_s = at_s
            read = self._probe_shown_c + tools.probe_offset_k + self._rng.normal(0, tools.probe_noise_k)
            return round(read / tools.probe_step_k) * tools.probe_step_k

    def scale_g(self, at_s: float) -> float:
        """What the scale shows: settling, with its noise and steps."""
        with self._lock:
            tools = self.drink.instruments
            self._scale_shown_g += _caught_up(at_s, self._scale_at_s, SCALE_LAG_S) * (
                self.on_scale_g - self._scale_shown_g
            )
            self._scale_at_s = at_s
            read = self._scale_shown_g + self._rng.normal(0, 0.3 * tools.scale_noise_g)
            return round(read / 0.1) * 0.1

    def cadence_hz(self, at_s: float) -> float:
        """What a motion sensor on the vessel shows."""
        with self._lock:
            if self.started_s is None or at_s < self.started_s:
                return 0.0
            if self.stopped_s is not None and at_s >= self.stopped_s:
                return 0.0
            return round(self.drink.cadence_hz * float(np.exp(self._rng.normal(0, 0.04))), 2)

    def _moved_s(self, at_s: float) -> float:
        if self.started_s is None:
            return 0.0
        end_s = at_s if self.stopped_s is None else min(at_s, self.stopped_s)
        return max(end_s - self.started_s, 0.0)


def _caught_up(at_s: float, before_s: float | None, lag_s: float) -> float:
    """The share of its way that a lagging instrument goes between two looks."""
    return 1.0 if before_s is None else -float(np.expm1(-(at_s - before_s) / lag_s))
