"""Shake, stir or blend many drinks at once, in small steps.

Arrays are (runs,), (classes, runs) or (shells, classes, runs). The last size class holds the fragments.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from sample_logs.generator.ice import ICE_G_PER_M3, ShellGrid, ice_enthalpy_j_per_g
from sample_logs.generator.laws import BreakLaw, Correlation, MotionLaw, Plan, Setting
from sample_logs.generator.liquid import (
    Floats,
    Heat,
    freezing_point_c,
    transport,
    water_enthalpy_j_per_g,
)

SHELLS = 8
STILL_SPEED = 0.02
HAND_C = 31.0
LARGEST_SHARE = 0.08
"""No class loses or gains more than this share of its mass in a step; bites only on the last crumbs."""
LITTLE_G = 1e-6
CHUNK = 1024


@dataclass(frozen=True)
class Charge:
    """What truly went into each run; every field has shape (runs,)."""

    ethanol_g: Floats
    sugar_g: Floats
    water_g: Floats
    volume_ml: Floats
    drink_temp_c: Floats
    ice_mass_g: Floats
    film_g: Floats
    ice_temp_c: Floats
    vessel_temp_c: Floats
    room_temp_c: Floats
    cadence: Floats
    """Speed of the hands over the usual one."""
    strength: Floats
    """Heat transfer at equal speed over the usual one."""

    def part(self, at: slice) -> Charge:
        """Some of the runs."""
        return Charge(**{f.name: getattr(self, f.name)[at] for f in fields(self)})

    @property
    def drink_g(self) -> Floats:
        """Mass of the drink before the ice [g]."""
        return self.ethanol_g + self.sugar_g + self.water_g


@dataclass(frozen=True)
class Course:
    """What truly happened; arrays (steps, runs) from the start of motion, residuals (runs,)."""

    time_s: Floats
    temp_c: Floats
    added_g: Floats
    ice_g: Floats
    ice_area_m2: Floats
    fragments_g: Floats
    heat_residual_j: Floats
    """Heat that came in but is not found at the end."""
    heat_moved_j: Floats
    """Heat the drink gave up to the ice."""

    def at(self, name: str, duration_s: Floats) -> Floats:
        """Quantity `name` at one duration a run: linear between steps, shape (runs,)."""
        values: Floats = getattr(self, name)
        place = np.clip(duration_s / self.time_s[1], 0, len(self.time_s) - 1)
        low = np.minimum(place.astype(int), len(self.time_s) - 2)
        runs = np.arange(values.shape[1])
        between: Floats = values[low, runs] + (place - low) * (values[low + 1, runs] - values[low, runs])
        return between


def charge_runs(plan: Plan, runs: int, rng: np.random.Generator) -> Charge:
    """Start `runs` runs as the plan says, give or take what the world gives and takes."""
    spread, ice = plan.setting.world.spread, plan.setting.ice_law

    def factor(log_spread: float) -> Floats:
        return np.exp(rng.normal(0, log_spread, runs))

    pour = factor(spread.pour)
    ethanol, sugar, water = plan.drink.masses_g()
    ice_mass = plan.ice_mass_g * factor(spread.ice_mass)
    film = ice_mass * ice.film_pct / 100 * factor(ice.film_spread)
    return Charge(
        ethanol_g=ethanol * pour,
        sugar_g=sugar * pour,
        water_g=water * pour,
        volume_ml=plan.drink.volume_ml * pour,
        drink_temp_c=plan.drink_temp_c + rng.normal(0, spread.drink_temp_k, runs),
        ice_mass_g=ice_mass,
        film_g=np.minimum(film, 0.4 * ice_mass),
        ice_temp_c=np.minimum(plan.ice_temp_c + rng.normal(0, ice.temp_spread_k, runs), -0.05),
        vessel_temp_c=plan.vessel_temp_c + rng.normal(0, spread.vessel_temp_k, runs),
        room_temp_c=plan.room_temp_c + rng.normal(0, spread.room_temp_k, runs),
        cadence=factor(spread.cadence),
        strength=factor(spread.strength),
    )


def usual_step_s(motion: MotionLaw) -> float:
    """Step fine enough for the technique [s]."""
    if motion.speed_m_per_s > 1:
        return 0.02
    return 0.1 if motion.speed_m_per_s > 0.15 else 0.2


def simulate(setting: Setting, charge: Charge, duration_s: float, rng: np.random.Generator) -> Course:
    """Run all charges for `duration_s` of motion."""
    runs = len(charge.volume_ml)
    dt_s = usual_step_s(setting.motion)
    steps = int(np.ceil(duration_s / dt_s)) + 1
    parts = [
        _Batch(setting, charge.part(slice(n, n + CHUNK)), dt_s, steps, rng).go()
        for n in range(0, runs, CHUNK)
    ]
    joined = {
        f.name: np.concatenate([getattr(p, f.name) for p in parts], axis=-1)
        for f in fields(Course)
        if f.name != "time_s"
    }
    return Course(time_s=parts[0].time_s, **joined)


class _Batch:
    """State of one batch of runs while it is moved."""

    def __init__(
        self, setting: Setting, charge: Charge, dt_s: float, steps: int, rng: np.random.Generator
    ) -> None:
        self.world, self.motion, self.wall, self.kind = (
            setting.world,
            setting.motion,
            setting.wall,
            setting.ice_law,
        )
        self.charge, self.dt_s, self.steps = charge, dt_s, steps
        self.grid = ShellGrid.of(SHELLS)
        runs = len(charge.volume_ml)
        classes = len(self.kind.classes) + 1

        self.water = charge.water_g.copy()
        self.film = charge.film_g.copy()
        self.temp = charge.drink_temp_c.copy()
        self.drink_j = self.heat().enthalpy_j(self.temp)
        self.inner_c = charge.vessel_temp_c.copy()
        self.outer_c = charge.vessel_temp_c.copy()

        dry = charge.ice_mass_g - charge.film_g
        share = np.array([s for _, s in self.kind.classes] + [0.0])[:, None]
        size_m = self.kind.edge_mm / 1000 * np.array([e for e, _ in self.kind.classes])
        piece_g = np.append(ICE_G_PER_M3 * np.pi / 6 * size_m**3, self.world.fragment_g)[:, None]
        if self.kind.shape in ("cube", "block"):
            piece_g[:-1] *= 6 / np.pi
        self.mass = np.maximum(share * dry, LITTLE_G)
        self.pieces = self.mass / piece_g
        self.shells = np.empty((SHELLS, classes, runs))
        self.shells[:] = ice_enthalpy_j_per_g(charge.ice_temp_c)
        self.knocked = self._blows(rng, steps, runs)
        self.wetted = np.minimum(
            self.motion.wetted * (charge.drink_g / charge.ice_mass_g / 0.6) ** self.world.loading, 1.0
        )
        self.came_in = np.zeros(runs)
        self.moved = np.zeros(runs)

    def heat(self) -> Heat:
        return Heat.of(self.charge.ethanol_g, self.charge.sugar_g, self.water)

    def _blows(self, rng: np.random.Generator, steps: int, runs: int) -> Floats:
        """Share of the large pieces' mass knocked off in each step, shape (steps, runs)."""
        law, world = self.world.break_law, self.world
        per_s = world.breaks_per_s * self.motion.breaks * self.kind.brittleness
        span = self.steps * self.dt_s
        amount = {BreakLaw.CHIP: 0.004, BreakLaw.FIRST_BLOWS: 0.006, BreakLaw.SPLIT: 0.02}[law]
        rate = per_s * (0.3 if law is BreakLaw.SPLIT else 1.0) * self.charge.cadence**3
        expected = rate * (span if law is not BreakLaw.FIRST_BLOWS else 4.0)
        count = rng.poisson(expected)
        run = np.repeat(np.arange(runs), count)
        when = rng.uniform(0, span, len(run))
        if law is BreakLaw.FIRST_BLOWS:
            when = rng.exponential(4.0, len(run))
        size = np.minimum(amount * rng.exponential(1.0, len(run)), 0.2)
        out = np.zeros((steps, runs))
        step = (when / self.dt_s).astype(int)
        inside = step < steps
        np.add.at(out, (step[inside], run[inside]), size[inside])
        return np.minimum(out, 0.3)

    def go(self) -> Course:
        kept: dict[str, list[Floats]] = {
            k: [] for k in ("temp_c", "added_g", "ice_g", "ice_area_m2", "fragments_g")
        }
        start_j = self.total_j()
        self.area = self.geometry()[1]
        for step in range(self.steps):
            kept["temp_c"].append(self.temp.copy())
            kept["added_g"].append(self.water - self.charge.water_g)
            kept["ice_g"].append(self.mass.sum(axis=0))
            kept["ice_area_m2"].append(self.area.sum(axis=0))
            kept["fragments_g"].append(self.mass[-1].copy())
            if step < self.steps - 1:
                self.step(step)
        return Course(
            time_s=self.dt_s * np.arange(float(self.steps)),
            heat_residual_j=self.total_j() - start_j - self.came_in,
            heat_moved_j=self.moved,
            **{k: np.array(v) for k, v in kept.items()},
        )

    def total_j(self) -> Floats:
        """Heat in drink, film (at 0 °C: none), ice and walls."""
        ice = (self.mass * self.grid.mean(self.shells)).sum(axis=0)
        walls = self.wall.inner_j_per_k * self.inner_c + self.wall.outer_j_per_k * self.outer_c
        total: Floats = self.drink_j + ice + walls
        return total

    def geometry(self) -> tuple[Floats, Floats, Floats]:
        """Diameter [m], total area [m²] and radius for conduction [m] of each class."""
        diameter = np.cbrt(6 * self.mass / (self.pieces * np.pi * ICE_G_PER_M3))
        area = self.kind.area_factor * self.pieces * np.pi * diameter**2
        return diameter, area, 0.5 * diameter / self.kind.area_factor

    def step(self, step: int) -> None:
        charge, dt_s = self.charge, self.dt_s
        if self.knocked[step].any():
            self.break_up(self.knocked[step])
        heat = self.heat()
        capacity = heat.capacity_j_per_k(self.temp)
        ramp = 1 - np.exp(-(step + 0.5) * dt_s / self.motion.ramp_s)
        speed = STILL_SPEED + (self.motion.speed_m_per_s * charge.cadence) * ramp

        diameter, self.area, radius = self.geometry()
        conductivity, viscosity = transport(charge.ethanol_g, charge.sugar_g, self.water, self.temp)
        specific = capacity / (charge.ethanol_g + charge.sugar_g + self.water)
        to_ice = self.film_coefficient(diameter, speed, conductivity, viscosity, specific)
        link = to_ice * self.area * self.wetted
        pull = dt_s * link.sum(axis=0) / capacity
        link *= -np.expm1(-pull) / pull

        at_zero, per_k = self.grid.conduct(self.shells, radius, dt_s)
        zero_j, per_k_j = self.mass * self.grid.mean(at_zero), self.mass * self.grid.mean(per_k)
        surface = self.surface_c(zero_j / (link * dt_s), per_k_j / (link * dt_s))
        conducted = zero_j + per_k_j * surface
        self.shells += at_zero
        self.shells += per_k * surface
        given = link * (self.temp - surface) * dt_s
        to_melt = given - conducted
        grown = ice_enthalpy_j_per_g(surface)
        leaving = np.where(to_melt > 0, self.shells[-1], grown)
        melt_water = water_enthalpy_j_per_g(surface)
        share = np.clip(to_melt / (melt_water - leaving) / self.mass, -LARGEST_SHARE, LARGEST_SHARE)
        self.shells, leaving = self.grid.recede(self.shells, grown, share)
        melt = share * self.mass
        given = conducted + melt * (melt_water - leaving)
        self.mass -= melt

        wash = self.film * -np.expm1(-dt_s / self.world.film_wash_s)
        self.film -= wash
        self.water += melt.sum(axis=0) + wash
        drawn = given.sum(axis=0)
        self.moved += drawn
        gain = self.motion.power_w * charge.cadence**3 * ramp * dt_s
        self.drink_j += (melt * melt_water).sum(axis=0) - drawn + gain
        self.came_in += gain
        self.walls(heat, speed, viscosity)
        self.temp = self.heat().temp_c(self.drink_j)

    def film_coefficient(
        self, diameter: Floats, speed: Floats, conductivity: Floats, viscosity: Floats, specific: Floats
    ) -> Floats:
        """Heat transfer from drink to ice [W/(m²·K)], less what the outflow of melt blows away."""
        reynolds = speed * diameter * (1000.0 / viscosity)
        prandtl = 1000 * specific * viscosity / conductivity
        match self.world.correlation:
            case Correlation.WHITAKER:
                nusselt = 2 + (0.4 * np.sqrt(reynolds) + 0.06 * np.cbrt(reynolds) ** 2) * prandtl**0.4
            case Correlation.RANZ_MARSHALL:
                nusselt = 2 + 0.78 * np.sqrt(reynolds) * np.cbrt(prandtl)
            case Correlation.AGITATED:
                stirred = speed**3 / 0.35 * diameter**4 * (1000.0 / viscosity) ** 3
                nusselt = 2 + 0.36 * np.sqrt(np.sqrt(stirred)) * np.cbrt(prandtl)
        stefan = np.clip(0.0125 * self.temp, 0.0, 2.0) + 1e-6
        blown = np.log1p(stefan) / stefan
        return self.world.ice_constant * self.charge.strength * blown * nusselt * conductivity / diameter

    def surface_c(self, into_ice_k: Floats, into_ice: Floats) -> Floats:
        """Surface temperature [°C]: the freezing point of the drink, weakened by the ice's own melt.

        Conduction into the ice is `into_ice_k` + `into_ice`·(surface temperature), over the link to the
        drink. The share s of the drink's depression felt at the surface balances melt against mass
        transfer, s = 1 / (1 + β·(heat left for melting)): a quadratic in s, solved without cancellation.
        """
        freezing = freezing_point_c(self.charge.ethanol_g, self.charge.sugar_g, self.water)
        shield = 0.0125 * self.world.mass_transfer
        b = 1 + shield * (self.temp - into_ice_k)
        return freezing * np.minimum(2 / (b + np.sqrt(b**2 - 4 * shield * (1 + into_ice) * freezing)), 1.0)

    def break_up(self, share: Floats) -> None:
        """Knock a share of the large pieces off, or split it in two."""
        if self.world.break_law is BreakLaw.SPLIT:
            self.pieces[:-1] *= 1 + 4 * share
        loose = share * self.mass[:-1]
        total = self.mass[-1] + loose.sum(axis=0)
        self.shells[:, -1] = (
            self.mass[-1] * self.shells[:, -1] + (loose * self.shells[:, :-1]).sum(axis=1)
        ) / total
        self.mass[:-1] -= loose
        self.pieces[-1] += loose.sum(axis=0) / self.world.fragment_g
        self.mass[-1] = total

    def walls(self, heat: Heat, speed: Floats, viscosity: Floats) -> None:
        """Drink to inner wall to outer wall to room and hand; the first exchange exact for the pair."""
        dt_s, wall = self.dt_s, self.wall
        usual = STILL_SPEED + self.motion.speed_m_per_s
        quick = (speed / usual) ** 0.66 * (3e-3 / viscosity) ** 0.33
        link = self.motion.wall_w_per_k_m2 * wall.wetted_m2 * quick
        ease = 1 / heat.capacity_j_per_k(self.temp) + 1 / wall.inner_j_per_k
        given = (self.temp - self.inner_c) * -np.expm1(-dt_s * link * ease) / ease
        passed = wall.between_w_per_k * (self.inner_c - self.outer_c) * dt_s
        outside = dt_s * (
            wall.ambient_w_per_k * (self.charge.room_temp_c - self.outer_c)
            + self.motion.hand_w_per_k * (HAND_C - self.outer_c)
        )
        self.drink_j -= given
        self.inner_c += (given - passed) / wall.inner_j_per_k
        self.outer_c += (passed + outside) / wall.outer_j_per_k
        self.came_in += outside
