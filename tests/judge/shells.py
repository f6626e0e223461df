"""Family "shells": ice in concentric shells with a moving surface, one or two walls, film on ice and vessel.

A size class holds many like pieces, each a sphere of equal surface to volume. Shells keep their shares of the
mass, so the surface, as it melts, moves through the ice and carries the cold of the shells along. Conduction is
implicit in time, melt explicit; what crosses a boundary is booked on both sides, so heat is kept to rounding.

Arrays: (runs,), (classes, runs), (shells, classes, runs). The last class holds the fragments.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_logs.generator.liquid import Floats
from tests.judge.liquid import (
    ICE_G_PER_M3,
    ICE_J_PER_G_K,
    ICE_J_PER_G_K2,
    ICE_W_PER_M_K,
    LATENT_J_PER_G,
    Heat,
    conductivity_w_per_m_k,
    freezing_point_c,
    ice_j_per_g,
    viscosity_pa_s,
    water_j_per_g,
)
from tests.judge.scene import Charge, Course, Ice, Plan, Vessel, World, draw_world, step_times

SHELLS = 7
STEPS_S = {"shake": (0.05, 8.0, 0.125), "stir": (0.1, 10.0, 0.25)}
"""Fine step, until when, coarse step."""
HAND_C = 33.0
MOST_MELT, MOST_GROWTH = 0.3, 0.05
"""No class loses or gains more than this share of its mass in a step; bites on the last crumbs only."""
MOST_CHIPS_G = 3.0
LITTLE_G = 1e-6

_EDGE = 1 - (np.arange(SHELLS, -1, -1) / SHELLS) ** 1.5
_MIDDLE = 0.5 * (_EDGE[:-1] + _EDGE[1:])
SHARE = np.diff(_EDGE**3)
WITHIN = _EDGE[1:] ** 3
LINK = _EDGE[1:] ** 2 / np.diff(np.append(_MIDDLE, 1.0))
"""Area over distance at the outer boundary of each shell, of a unit sphere with unit surface."""


@dataclass(frozen=True)
class Motion:
    """A technique of this world."""

    ice_w_per_m2_k: float
    wetted: float
    pace_power: float
    ramp_s: float
    work_w: float
    breaks_per_s: float
    wall_w_per_m2_k: float
    hand_w_per_k: float
    air_w_per_k: float
    late_s: float
    late_spread: float


@dataclass(frozen=True)
class Wall:
    """A vessel: the part in touch with the drink, the part behind it (none: 0), what it keeps."""

    inner_j_per_k: float
    outer_j_per_k: float
    between_w_per_k: float
    wetted_m2: float
    left_g: float
    left_spread: float


@dataclass(frozen=True)
class Laws:
    """The hidden constants of one world."""

    motions: dict[str, Motion]
    walls: dict[str, Wall]
    classes: dict[str, tuple[tuple[float, float], ...]]
    """Edge over nominal, share of mass."""
    roughness: dict[str, float]
    conductivity_power: float
    viscosity_power: float
    size_power: float
    shield_per_k: float
    mixing: float
    wash_s: float
    break_fade_s: float
    break_spread: float
    fragment_mm: float
    film_g_per_m2: float
    film_spread: float
    chip_pass: float
    chip_spread: float

    def make(self, plan: Plan, charge: Charge, longest_s: float, rng: np.random.Generator) -> Course:
        return _Batch(self, plan, charge, longest_s, rng).go()


def draw(seed: int) -> World:
    """The world of this seed."""
    return draw_world("shells", seed, draw_laws)


def draw_laws(rng: np.random.Generator, vessels: dict[str, Vessel], ices: dict[str, Ice]) -> Laws:
    """Every constant anew."""
    u = rng.uniform

    def about(middle: float, log_sd: float) -> float:
        return float(middle * np.exp(log_sd * np.clip(rng.normal(), -2.2, 2.2)))

    outside, share = u(1.0, 3.0), u(0.5, 0.9)
    calm, calm_share = u(0.3, 1.0), u(0.2, 0.6)
    motions = {
        "shake": Motion(
            about(3400, 0.2), u(0.5, 0.8), u(0.5, 0.75), u(0.3, 0.7), u(2, 7), about(0.006, 0.5),
            u(1200, 3000), outside * share, outside * (1 - share), u(0.1, 0.6), u(0.1, 0.3),
        ),
        "stir": Motion(
            about(560, 0.25), u(0.32, 0.5), u(0.5, 0.75), u(0.3, 0.7), u(0.1, 0.5), about(0.0003, 0.5),
            u(300, 800), calm * calm_share, calm * (1 - calm_share), u(0.2, 1.0), u(0.1, 0.3),
        ),
    }  # fmt: skip
    walls = {}
    for name, vessel in vessels.items():
        glass = vessel.material == "glass"
        whole = vessel.mass_g * vessel.j_per_g_k * u(0.75, 1.0)
        inner = u(0.3, 0.55) if glass else u(0.5, 0.85)
        alone = not glass and rng.random() < 0.5
        walls[name] = Wall(
            inner_j_per_k=whole if alone else whole * inner,
            outer_j_per_k=0.0 if alone else whole * (1 - inner),
            between_w_per_k=u(1.5, 6) if glass else u(3, 15),
            wetted_m2=u(0.018, 0.026) if glass else u(0.024, 0.042),
            left_g=u(0.8, 3.2),
            left_spread=u(0.15, 0.4),
        )
    large = u(0.55, 0.85)
    even = u(0.5, 0.8)
    return Laws(
        motions=motions,
        walls=walls,
        classes={
            "freezer cube": ((1.0, large), (0.8, 1 - large)),
            "bar cube": ((1.0, large), (0.7, 1 - large)),
            "cracked": ((1.25, u(0.35, 0.55)), (0.75, 0.0)),
            "pebble": ((1.1, even), (0.8, 1 - even)),
        },
        roughness={name: u(1.0, 1.25) for name in ices},
        conductivity_power=u(1 / 3, 2 / 3),
        viscosity_power=u(1 / 6, 1 / 3),
        size_power=u(0.0, 0.5),
        shield_per_k=u(0.0, 0.05),
        mixing=u(0.92, 1.08),
        wash_s=about(0.35, 0.4),
        break_fade_s=about(12.0, 0.8),
        break_spread=u(0.3, 0.7),
        fragment_mm=u(4, 9),
        film_g_per_m2=u(8, 25),
        film_spread=u(0.08, 0.2),
        chip_pass=about(0.05, 0.5),
        chip_spread=u(0.2, 0.5),
    )


def _ice_temp_c(sensible_j_per_g: Floats) -> Floats:
    """Temperature of ice [°C] from its enthalpy above ice at 0 °C [J/g]."""
    root = np.sqrt(ICE_J_PER_G_K**2 + 2 * ICE_J_PER_G_K2 * sensible_j_per_g)
    return 2 * sensible_j_per_g / (ICE_J_PER_G_K + root)


class _Batch:
    """A lot of runs of one plan, stepped together."""

    def __init__(
        self, laws: Laws, plan: Plan, charge: Charge, longest_s: float, rng: np.random.Generator
    ) -> None:
        self.laws, self.charge = laws, charge
        self.motion, self.wall = laws.motions[plan.technique], laws.walls[plan.vessel]
        self.rough, self.edge_mm = laws.roughness[plan.ice], plan.world.ices[plan.ice].edge_mm
        self.time_s = step_times(longest_s, *STEPS_S[plan.technique])
        runs = len(charge)
        classes = laws.classes[plan.ice]
        shares = np.array([s for _, s in classes])
        shares[-1] = 1 - shares[:-1].sum()
        edges_m = 1e-3 * np.append(self.edge_mm * np.array([e for e, _ in classes]), laws.fragment_mm)
        dry = charge.ice_g - charge.film_g
        self.ice = np.maximum(np.append(shares, 0.0)[:, None] * dry, LITTLE_G)
        self.pieces = self.ice / (ICE_G_PER_M3 * edges_m**3)[:, None]
        cold = ICE_J_PER_G_K * charge.ice_temp_c + 0.5 * ICE_J_PER_G_K2 * charge.ice_temp_c**2
        self.sensible = np.broadcast_to(cold, (SHELLS, *self.ice.shape)).copy()
        self.film, self.water = charge.film_g.copy(), charge.water_g.copy()
        self.temp = charge.drink_temp_c.copy()
        self.drink_j = self.heat().enthalpy_j(self.temp)
        self.inner_c = charge.vessel_temp_c.copy()
        self.outer_c = charge.vessel_temp_c.copy()
        self.came_in = np.zeros(runs)
        self.melting = np.zeros(runs)

        brittle = plan.world.ices[plan.ice].brittleness * self.motion.breaks_per_s
        self.knock = brittle * charge.pace**3 * np.exp(rng.normal(0, laws.break_spread, runs))
        self.film_left = laws.film_g_per_m2 * np.exp(rng.normal(0, laws.film_spread, runs))
        self.wall_left = self.wall.left_g * np.exp(rng.normal(0, self.wall.left_spread, runs))
        self.passing = laws.chip_pass * np.exp(rng.normal(0, laws.chip_spread, runs))
        self.late_s = self.motion.late_s * np.exp(rng.normal(0, self.motion.late_spread, runs))

    def heat(self) -> Heat:
        return Heat.of(self.charge.ethanol_g, self.charge.sugar_g, self.water, self.laws.mixing)

    def total_j(self) -> Floats:
        """Heat in drink, ice and walls; the film on the ice, water at 0 °C, has none."""
        ice = self.ice * ((SHARE[:, None, None] * self.sensible).sum(axis=0) - LATENT_J_PER_G)
        walls = self.wall.inner_j_per_k * self.inner_c + self.wall.outer_j_per_k * self.outer_c
        total: Floats = self.drink_j + ice.sum(axis=0) + walls
        return total

    def area_m2(self) -> Floats:
        """Surface of each class."""
        return 6 * self.rough * np.cbrt(self.pieces * (self.ice / ICE_G_PER_M3) ** 2)

    def go(self) -> Course:
        start_j = self.total_j()
        kept: list[tuple[Floats, ...]] = []
        for now_s, next_s in zip(self.time_s, [*self.time_s[1:], np.inf], strict=True):
            chips = np.minimum(self.passing * self.ice[-1], MOST_CHIPS_G)
            late = np.maximum(self.melting * self.late_s, 0.0) + chips
            left = self.wall_left + self.film_left * self.area_m2().sum(axis=0)
            kept.append((self.temp, self.water - self.charge.water_g, late, left))
            if np.isfinite(next_s):
                self.step(now_s, next_s - now_s)
        temp, added, late, left = (np.array(rows) for rows in zip(*kept, strict=True))
        residual_j = self.total_j() - start_j - self.came_in
        residual_g = self.ice.sum(axis=0) + self.film + added[-1] - self.charge.ice_g
        return Course(self.time_s, temp, added, late, left, temp, residual_j, residual_g)

    def step(self, now_s: float, dt_s: float) -> None:
        laws, charge, motion = self.laws, self.charge, self.motion
        ramp = -np.expm1(-(now_s + 0.5 * dt_s) / motion.ramp_s)
        self.break_up(self.knock * np.exp(-now_s / laws.break_fade_s) * ramp * dt_s)
        heat = self.heat()
        capacity = heat.capacity_j_per_k(self.temp)
        parts = charge.ethanol_g, charge.sugar_g, self.water

        area = self.area_m2()
        radius = 3 * self.ice / ICE_G_PER_M3 / area
        ease = (conductivity_w_per_m_k(*parts, self.temp) / 0.45) ** laws.conductivity_power
        ease *= (viscosity_pa_s(*parts, self.temp) / 3e-3) ** -laws.viscosity_power
        ease *= (0.08 + 0.92 * ramp) * charge.pace**motion.pace_power
        to_ice = motion.ice_w_per_m2_k * motion.wetted * ease * charge.strength
        link = to_ice * area * (2 * radius / 0.025) ** -laws.size_power
        pull = dt_s * link.sum(axis=0) / capacity
        link *= -np.expm1(-pull) / pull

        depression = freezing_point_c(*parts)
        surface = depression / (1 + laws.shield_per_k * np.maximum(self.temp - depression, 0.0))
        conducted = self.conduct(area, radius, surface, dt_s)
        given = link * (self.temp - surface) * dt_s
        melt_j_per_g = water_j_per_g(surface) - ice_j_per_g(surface)
        melt = (given - conducted) / melt_j_per_g
        melt = np.clip(melt, -MOST_GROWTH * self.ice, MOST_MELT * self.ice)
        self.recede(melt, surface)
        drawn = (conducted + melt * melt_j_per_g).sum(axis=0)

        wash = self.film * -np.expm1(-dt_s / laws.wash_s)
        self.film -= wash
        melted = melt.sum(axis=0)
        self.melting = melted / dt_s
        self.water = self.water + melted + wash
        work = motion.work_w * charge.pace**3 * ramp * dt_s
        self.came_in += work
        self.drink_j += melted * water_j_per_g(surface) - drawn + work
        self.drink_j -= self.warm_wall(capacity, ease, dt_s)
        self.temp = self.heat().temp_c(self.drink_j, self.temp)

    def conduct(self, area: Floats, radius: Floats, surface: Floats, dt_s: float) -> Floats:
        """Let heat run through the shells, the surface held; heat that entered each class [J]."""
        temp = _ice_temp_c(self.sensible)
        flow = ICE_W_PER_M_K * area / radius * dt_s
        slow = self.ice / flow
        stored = (SHARE[:, None, None] * slow) * (ICE_J_PER_G_K + ICE_J_PER_G_K2 * temp)
        forward, settled = np.empty_like(temp), np.empty_like(temp)
        for j in range(SHELLS):
            inner = LINK[j - 1] if j else 0.0
            diagonal = stored[j] + inner + LINK[j]
            right = stored[j] * temp[j]
            if j:
                diagonal -= inner * forward[j - 1]
                right += inner * settled[j - 1]
            if j == SHELLS - 1:
                right = right + LINK[j] * surface
            forward[j] = LINK[j] / diagonal
            settled[j] = right / diagonal
        for j in range(SHELLS - 2, -1, -1):
            settled[j] += forward[j] * settled[j + 1]
        inward = LINK[:, None, None] * np.diff(
            np.concatenate([settled, np.broadcast_to(surface, (1, *area.shape))]), axis=0
        )
        gained = inward.copy()
        gained[1:] -= inward[:-1]
        self.sensible += gained / (SHARE[:, None, None] * slow)
        return inward[-1] * flow

    def recede(self, melt: Floats, surface: Floats) -> None:
        """Move the surface by the mass that melted (negative: froze on); all shells move with it."""
        outside = np.broadcast_to(ice_j_per_g(surface) + LATENT_J_PER_G, (1, *melt.shape))
        crossing = np.concatenate([0.5 * (self.sensible[:-1] + self.sensible[1:]), outside])
        crossing *= WITHIN[:, None, None] * melt
        lost = crossing.copy()
        lost[1:] -= crossing[:-1]
        left = self.ice - melt
        self.sensible = (self.sensible * self.ice - lost / SHARE[:, None, None]) / left
        self.ice = left

    def break_up(self, share: Floats) -> None:
        """Knock a share of the large pieces off as fragments."""
        loose = share * self.ice[:-1]
        total = self.ice[-1] + loose.sum(axis=0)
        mixed = self.ice[-1] * self.sensible[:, -1] + (loose * self.sensible[:, :-1]).sum(axis=1)
        self.sensible[:, -1] = mixed / total
        self.pieces[-1] += loose.sum(axis=0) / (ICE_G_PER_M3 * (self.laws.fragment_mm * 1e-3) ** 3)
        self.ice[:-1] -= loose
        self.ice[-1] = total

    def warm_wall(self, capacity: Floats, ease: Floats, dt_s: float) -> Floats:
        """Heat that the drink gives to the wall [J]; hands and air warm the outermost part of it."""
        wall, charge = self.wall, self.charge
        link = self.motion.wall_w_per_m2_k * wall.wetted_m2 * ease
        rate = 1 / capacity + 1 / wall.inner_j_per_k
        given = (self.temp - self.inner_c) * -np.expm1(-dt_s * link * rate) / rate
        single = wall.outer_j_per_k == 0.0
        outermost = self.inner_c if single else self.outer_c
        outside = (
            dt_s
            * charge.hands
            * (
                self.motion.hand_w_per_k * (HAND_C - outermost)
                + self.motion.air_w_per_k * (charge.room_temp_c - outermost)
            )
        )
        self.came_in += outside
        if single:
            self.inner_c = self.inner_c + (given + outside) / wall.inner_j_per_k
        else:
            passed = wall.between_w_per_k * (self.inner_c - self.outer_c) * dt_s
            self.inner_c = self.inner_c + (given - passed) / wall.inner_j_per_k
            self.outer_c = self.outer_c + (passed + outside) / wall.outer_j_per_k
        return given
