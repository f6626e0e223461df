"""Family "zones": drink among the ice and drink beside it, ice that sticks together, films that drain, tired hands.

What it has and a plain melt model lacks: two zones of drink that mix slowly while stirred; ice whose surface
shrinks by a power of its mass of its own and is partly stuck together; ice warmed by Vermeulen's law of diffusion
into spheres (Ind. Eng. Chem. 45 (1953) 1664, from memory); a wall with a dry rim, on which moist air condenses;
liquid left behind that drains with the time of straining and clings by its viscosity; slush through the strainer;
a pace that drifts within a run; a probe that touches ice now and then.

Explicit steps; what leaves one part enters another, so heat is kept to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_logs.generator.liquid import Floats
from tests.judge.liquid import (
    ICE_J_PER_G_K,
    ICE_J_PER_G_K2,
    LATENT_J_PER_G,
    Heat,
    conductivity_w_per_m_k,
    freezing_point_c,
    ice_j_per_g,
    viscosity_pa_s,
    water_j_per_g,
)
from tests.judge.scene import Charge, Course, Ice, Plan, Vessel, World, draw_world, step_times

STEPS_S = {"shake": (0.04, 6.0, 0.1), "stir": (0.1, 12.0, 0.25)}
HAND_C, DEW_POINT_C = 33.0, 11.0
ICE_M2_PER_S = 1.18e-6
EARLIEST = 0.04
"""Least share of warming at which Vermeulen's law is used."""


@dataclass(frozen=True)
class Hands:
    """A technique: heat transfer, mixing of the zones, what warms the vessel, how the drink is strained."""

    ice_w_per_m2_k: float
    size_power: float
    among: float
    """Share of the drink that is among the ice."""
    mixing_s: float
    pace_power: float
    ramp_s: float
    drift_per_s: float
    drift_spread_per_s: float
    work_w: float
    wall_w_per_k: float
    hand_w_per_k: float
    air_w_per_k: float
    dew_w_per_k: float
    strain_s: float
    strain_spread: float
    still: float
    """Melting while straining over melting in motion."""
    slush_g: float
    """Slush that passes after 10 s."""


@dataclass(frozen=True)
class Clump:
    """How a kind of ice clings together and shrinks."""

    spread_m2_per_kg: float
    shrinking_power: float
    stuck: float
    loosening_s: float
    radius_m: float


@dataclass(frozen=True)
class Shell:
    """A vessel: the wetted part, the dry rim, what clings."""

    wetted_j_per_k: float
    rim_j_per_k: float
    rim_w_per_k: float
    left_g: float
    left_spread: float


@dataclass(frozen=True)
class Laws:
    """The hidden constants of one world."""

    hands: dict[str, Hands]
    clumps: dict[str, Clump]
    shells: dict[str, Shell]
    conductivity_power: float
    viscosity_power: float
    mixing: float
    film_g_per_m2: float
    film_drains_s: float
    clinging_power: float
    stuck_spread: float
    touches_per_s: float
    touch_s: float

    def make(self, plan: Plan, charge: Charge, longest_s: float, rng: np.random.Generator) -> Course:
        return _Making(self, plan, charge, longest_s, rng).go()


def draw(seed: int) -> World:
    """The world of this seed."""
    return draw_world("zones", seed, draw_laws)


def draw_laws(rng: np.random.Generator, vessels: dict[str, Vessel], ices: dict[str, Ice]) -> Laws:
    """Every constant anew."""
    u = rng.uniform

    def near(middle: float, factor: float) -> float:
        return float(middle * factor ** u(-1, 1))

    hands = {
        "shake": Hands(
            near(3200, 1.3), u(0.0, 0.4), u(0.3, 0.6), u(0.3, 1.0), u(0.5, 0.8), u(0.3, 0.7),
            u(-0.012, 0.0), u(0.004, 0.012), u(2, 7), u(40, 100), u(0.6, 2.0), u(0.3, 0.8), u(0.1, 0.4),
            u(2.5, 5.0), u(0.1, 0.25), u(0.03, 0.12), u(0.0, 0.9),
        ),
        "stir": Hands(
            near(560, 1.35), u(0.0, 0.4), u(0.35, 0.65), u(2.0, 7.0), u(0.5, 0.8), u(0.3, 0.7),
            u(-0.003, 0.0), u(0.001, 0.003), u(0.1, 0.5), u(6, 18), u(0.05, 0.4), u(0.2, 0.6), u(0.1, 0.3),
            u(4.0, 8.0), u(0.1, 0.25), u(0.03, 0.12), 0.0,
        ),
    }  # fmt: skip
    clumps = {}
    for name, ice in ices.items():
        cubes = ice.shape == "cube"
        clumps[name] = Clump(
            spread_m2_per_kg=6 / (917.5 * 1e-3 * ice.edge_mm) * (u(0.65, 0.95) if cubes else u(0.5, 0.85)),
            shrinking_power=u(0.45, 0.9),
            stuck=u(0.0, 0.3),
            loosening_s=near(6.0, 2.5),
            radius_m=0.5e-3 * ice.edge_mm * u(0.8, 1.0),
        )
    shells = {}
    for name, vessel in vessels.items():
        whole = vessel.mass_g * vessel.j_per_g_k
        wetted = u(0.5, 0.85)
        shells[name] = Shell(whole * wetted, whole * (1 - wetted), u(0.3, 3.0), u(0.7, 2.5), u(0.15, 0.35))
    return Laws(
        hands=hands,
        clumps=clumps,
        shells=shells,
        conductivity_power=u(1 / 3, 2 / 3),
        viscosity_power=u(1 / 6, 1 / 3),
        mixing=u(0.92, 1.08),
        film_g_per_m2=u(12, 36),
        film_drains_s=near(2.0, 2.0),
        clinging_power=u(0.2, 0.5),
        stuck_spread=u(0.2, 0.6),
        touches_per_s=float(rng.choice([0.0, u(0.02, 0.12)], p=[0.4, 0.6])),
        touch_s=u(0.3, 1.5),
    )


class _Making:
    """Runs of one plan in the making; index 0 of `water`, `spirit`, `sugar`, `heat_j` is among the ice, 1 beside."""

    def __init__(
        self, laws: Laws, plan: Plan, charge: Charge, longest_s: float, rng: np.random.Generator
    ) -> None:
        self.laws, self.charge = laws, charge
        self.hands, self.clump, self.shell = (
            laws.hands[plan.technique],
            laws.clumps[plan.ice],
            laws.shells[plan.vessel],
        )
        self.time_s = step_times(longest_s, *STEPS_S[plan.technique])
        runs = len(charge)
        split = np.array([self.hands.among, 1 - self.hands.among])[:, None]
        self.water, self.spirit, self.sugar = (
            split * whole for whole in (charge.water_g, charge.ethanol_g, charge.sugar_g)
        )
        self.temp = np.broadcast_to(charge.drink_temp_c, (2, runs)).copy()
        self.heat_j = self.heat(self.water, self.spirit, self.sugar).enthalpy_j(self.temp)
        self.start_ice = charge.ice_g - charge.film_g
        self.ice = self.start_ice.copy()
        self.ice_j = self.ice * ice_j_per_g(charge.ice_temp_c)
        self.film = charge.film_g.copy()
        self.wetted_c, self.rim_c = charge.vessel_temp_c.copy(), charge.vessel_temp_c.copy()
        self.came_in, self.melting = np.zeros(runs), np.zeros(runs)

        def about(middle: float, log_sd: float) -> Floats:
            return middle * np.exp(rng.normal(0, log_sd, runs))

        self.drift = rng.normal(self.hands.drift_per_s, self.hands.drift_spread_per_s, runs)
        self.stuck = np.minimum(about(self.clump.stuck, laws.stuck_spread), 0.8)
        self.strain_s = about(self.hands.strain_s, self.hands.strain_spread)
        self.clings = about(self.shell.left_g, self.shell.left_spread)
        self.slush = about(self.hands.slush_g, 0.35)
        touched = (
            rng.random((len(self.time_s), runs)) < laws.touches_per_s * np.gradient(self.time_s)[:, None]
        )
        ends = np.where(touched, self.time_s[:, None] + laws.touch_s, -1.0)
        self.touching = np.maximum.accumulate(ends, axis=0) > self.time_s[:, None]

    def heat(self, water: Floats, spirit: Floats, sugar: Floats) -> Heat:
        return Heat.of(spirit, sugar, water, self.laws.mixing)

    def total_j(self) -> Floats:
        walls = self.shell.wetted_j_per_k * self.wetted_c + self.shell.rim_j_per_k * self.rim_c
        total: Floats = self.heat_j.sum(axis=0) + self.ice_j + walls
        return total

    def mixed_c(self) -> Floats:
        """Temperature of both zones poured together; zones of unlike strength warm a little as they mix."""
        whole = self.heat(self.water.sum(axis=0), self.spirit.sum(axis=0), self.sugar.sum(axis=0))
        return whole.temp_c(self.heat_j.sum(axis=0), self.temp.mean(axis=0))

    def area_m2(self, now_s: float) -> Floats:
        whole = 1e-3 * self.start_ice * self.clump.spread_m2_per_kg
        free = 1 - self.stuck * np.exp(-now_s / self.clump.loosening_s)
        return whole * free * (self.ice / self.start_ice) ** self.clump.shrinking_power

    def left_g(self, now_s: float, mixed_c: Floats) -> Floats:
        """Liquid that would stay behind if strained now."""
        parts = self.spirit.sum(axis=0), self.sugar.sum(axis=0), self.water.sum(axis=0)
        clinging = (viscosity_pa_s(*parts, mixed_c) / 4e-3) ** self.laws.clinging_power
        drained = 1 / np.sqrt(1 + self.strain_s / self.laws.film_drains_s)
        return clinging * (self.clings + self.laws.film_g_per_m2 * drained * self.area_m2(now_s))

    def go(self) -> Course:
        start_j = self.total_j()
        kept: list[tuple[Floats, ...]] = []
        for n, now_s in enumerate(self.time_s):
            mixed = self.mixed_c()
            slush = self.slush * self.charge.pace**3 * np.sqrt(now_s / 10)
            late = np.maximum(self.hands.still * self.strain_s * self.melting, 0.0) + np.minimum(slush, 4.0)
            ice_c = self.surface_c()
            probe = np.where(self.touching[n], 0.5 * (self.temp[1] + ice_c), self.temp[1])
            added = self.water.sum(axis=0) - self.charge.water_g
            kept.append((mixed, added, late, self.left_g(now_s, mixed), probe))
            if n + 1 < len(self.time_s):
                self.step(now_s, self.time_s[n + 1] - now_s)
        rows = (np.array(values) for values in zip(*kept, strict=True))
        residual_j = self.total_j() - start_j - self.came_in
        gained = self.water.sum(axis=0) - self.charge.water_g
        return Course(self.time_s, *rows, residual_j, self.ice + self.film + gained - self.charge.ice_g)

    def surface_c(self) -> Floats:
        return freezing_point_c(self.spirit[0], self.sugar[0], self.water[0])

    def step(self, now_s: float, dt_s: float) -> None:
        laws, charge, hands = self.laws, self.charge, self.hands
        pace = charge.pace * np.maximum(1 + self.drift * now_s, 0.4)
        ramp = -np.expm1(-(now_s + 0.5 * dt_s) / hands.ramp_s)
        quick = (0.05 + 0.95 * ramp) * pace**hands.pace_power
        parts = self.spirit, self.sugar, self.water
        capacity = self.heat(self.water, self.spirit, self.sugar).capacity_j_per_k(self.temp)
        ease = (conductivity_w_per_m_k(*parts, self.temp) / 0.45) ** laws.conductivity_power
        ease *= (viscosity_pa_s(*parts, self.temp) / 3e-3) ** -laws.viscosity_power * quick

        area, surface = self.area_m2(now_s), self.surface_c()
        size = (2 * self.clump.radius_m / 0.025) ** -hands.size_power
        link = hands.ice_w_per_m2_k * size * charge.strength * ease[0] * area
        given = (self.temp[0] - surface) * capacity[0] * -np.expm1(-link * dt_s / capacity[0])
        into = np.clip(self.into_ice_w(surface) * dt_s, -0.5 * LATENT_J_PER_G, 0.5 * LATENT_J_PER_G)
        leaving, water = ice_j_per_g(surface), water_j_per_g(surface)
        melt = np.minimum((given - into) / (water - leaving), 0.2 * self.ice)
        given = into + melt * (water - leaving)
        self.ice = self.ice - melt
        self.ice_j = self.ice_j + into - melt * leaving
        self.melting = melt / dt_s

        wash = self.film * -np.expm1(-dt_s / 0.3)
        self.film = self.film - wash
        self.water[0] += melt + wash
        self.heat_j[0] += melt * water - given
        work = hands.work_w * pace**3 * ramp * dt_s
        self.heat_j[1] += work
        self.came_in += work
        self.heat_j[1] -= self.warm_vessel(capacity[1], ease[1], dt_s)
        self.mix(dt_s, quick, melt + wash)
        self.temp = self.heat(self.water, self.spirit, self.sugar).temp_c(self.heat_j, self.temp)

    def into_ice_w(self, surface: Floats) -> Floats:
        """Heat that runs into the ice by Vermeulen's law, from the share by which it has warmed."""
        start = self.charge.ice_temp_c
        sensible = self.ice_j / self.ice + LATENT_J_PER_G
        mean = 2 * sensible / (ICE_J_PER_G_K + np.sqrt(ICE_J_PER_G_K**2 + 2 * ICE_J_PER_G_K2 * sensible))
        span = surface - start
        span = np.where(np.abs(span) < 0.2, np.where(span < 0, -0.2, 0.2), span)
        warmed = (mean - start) / span
        rate = np.pi**2 * ICE_M2_PER_S / self.clump.radius_m**2
        pace = rate * (1 - warmed * np.abs(warmed)) / (2 * np.maximum(np.abs(warmed), EARLIEST))
        return self.ice * ICE_J_PER_G_K * span * pace

    def mix(self, dt_s: float, quick: Floats, entered: Floats) -> None:
        """Let the zones exchange drink; what melted pushes as much out from among the ice."""
        total = (self.water + self.spirit + self.sugar).sum(axis=0)
        whole = self.hands.among * (1 - self.hands.among) * total
        swapped = whole * -np.expm1(-dt_s * quick / self.hands.mixing_s)
        first, second = (self.water[n] + self.spirit[n] + self.sugar[n] for n in (0, 1))
        out, back = (swapped + entered * (1 - self.hands.among)) / first, swapped / second
        for held in (self.water, self.spirit, self.sugar, self.heat_j):
            net = out * held[0] - back * held[1]
            held[0] -= net
            held[1] += net

    def warm_vessel(self, capacity: Floats, ease: Floats, dt_s: float) -> Floats:
        """Heat that the drink gives to the wetted wall [J]; hands, air and dew warm it, the rim follows."""
        shell, hands, charge = self.shell, self.hands, self.charge
        rate = 1 / capacity + 1 / shell.wetted_j_per_k
        given = (self.temp[1] - self.wetted_c) * -np.expm1(-dt_s * hands.wall_w_per_k * ease * rate) / rate
        dew = hands.dew_w_per_k * np.maximum(DEW_POINT_C - self.wetted_c, 0.0)
        held = hands.hand_w_per_k * (HAND_C - self.wetted_c) + hands.air_w_per_k * (
            charge.room_temp_c - self.wetted_c
        )
        outside = dt_s * charge.hands * (held + dew)
        at_rim = dt_s * 0.3 * hands.air_w_per_k * (charge.room_temp_c - self.rim_c)
        along = dt_s * shell.rim_w_per_k * (self.wetted_c - self.rim_c)
        self.came_in += outside + at_rim
        self.wetted_c = self.wetted_c + (given + outside - along) / shell.wetted_j_per_k
        self.rim_c = self.rim_c + (along + at_rim) / shell.rim_j_per_k
        return given
