"""Family "lumped": one drink, one ice with a core, one wall or two; nothing that a plain melt model lacks.

The state is heat and mass only (heat of drink, ice and walls, mass of ice, heat that came in), integrated by
Heun's method, which keeps sums that the rates keep; so heat closes to rounding. Ice melts off at the core's
enthalpy: what it was colder than the surface is paid by its melting.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

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

STEPS_S = {"shake": (0.05, 6.0, 0.125), "stir": (0.125, 10.0, 0.25)}
HANDS_C = 33.0
EDGES = {"cube": 1.0, "cracked": 1.1, "pebble": 0.9}
"""Surface over that of cubes of the stated edge."""


@dataclass(frozen=True)
class Technique:
    """How people here move a drink."""

    ramp_s: float
    pace_power: float
    work_w: float
    broken: float
    """Area that breakage adds in the long run, over the whole area."""
    broken_within_s: float
    drink_to_wall_w_per_k: float
    outside_w_per_k: float
    hands_share: float
    late_g: float
    late_spread: float


@dataclass(frozen=True)
class Container:
    """A vessel: heat capacity of what the drink touches and of what lies behind it (none: 0)."""

    near_j_per_k: float
    far_j_per_k: float
    through_w_per_k: float
    left_g: float
    left_spread: float


@dataclass(frozen=True)
class Laws:
    """The hidden constants of one world."""

    techniques: dict[str, Technique]
    containers: dict[str, Container]
    transfer_w_per_m2_k: dict[tuple[str, str], float]
    """By technique and ice, at 3 mPa·s and 0.45 W/(m·K)."""
    core_depth: dict[str, float]
    """Distance from surface to core over the edge."""
    conductivity_power: float
    viscosity_power: float
    mixing: float
    broken_spread: float

    def make(self, plan: Plan, charge: Charge, longest_s: float, rng: np.random.Generator) -> Course:
        return _Lot(self, plan, charge, rng).course(longest_s)


def draw(seed: int) -> World:
    """The world of this seed."""
    return draw_world("lumped", seed, draw_laws)


def draw_laws(rng: np.random.Generator, vessels: dict[str, Vessel], ices: dict[str, Ice]) -> Laws:
    """Every constant anew."""
    u, normal = rng.uniform, rng.normal
    techniques = {
        "shake": Technique(
            u(0.3, 0.7), u(0.5, 0.8), u(2, 7), u(0.05, 0.5), u(4, 20), u(35, 110), u(1, 3), u(0.5, 0.9),
            u(0.3, 2.0), u(0.1, 0.3),
        ),
        "stir": Technique(
            u(0.3, 0.7), u(0.5, 0.8), u(0.1, 0.5), u(0.0, 0.04), u(20, 60), u(6, 18), u(0.3, 1.2), u(0.2, 0.6),
            u(0.1, 0.8), u(0.1, 0.3),
        ),
    }  # fmt: skip
    containers = {}
    for name, vessel in vessels.items():
        engaged = vessel.mass_g * vessel.j_per_g_k * u(0.7, 1.0)
        two = vessel.material == "glass" or rng.random() < 0.5
        near = u(0.3, 0.8) if two else 1.0
        containers[name] = Container(
            engaged * near, engaged * (1 - near), u(2, 12), u(1.0, 4.0), u(0.1, 0.35)
        )
    shaken, stirred = 2300 * np.exp(0.2 * normal()), 270 * np.exp(0.25 * normal())
    transfer = {
        (technique, ice): float(middle * np.exp(0.15 * normal()))
        for technique, middle in (("shake", shaken), ("stir", stirred))
        for ice in ices
    }
    return Laws(
        techniques=techniques,
        containers=containers,
        transfer_w_per_m2_k=transfer,
        core_depth={name: u(0.09, 0.2) for name in ices},
        conductivity_power=u(1 / 3, 2 / 3),
        viscosity_power=u(1 / 6, 1 / 3),
        mixing=u(0.92, 1.08),
        broken_spread=u(0.2, 0.6),
    )


class _Lot:
    """A lot of runs of one plan."""

    DRINK, ICE, NEAR, FAR, CAME, MELTED = range(6)
    """Rows of the state: heat [J] of drink, ice, near and far wall, what came in; mass melted [g]."""

    def __init__(self, laws: Laws, plan: Plan, charge: Charge, rng: np.random.Generator) -> None:
        self.laws, self.charge = laws, charge
        self.way, self.box = laws.techniques[plan.technique], laws.containers[plan.vessel]
        self.transfer = laws.transfer_w_per_m2_k[plan.technique, plan.ice] * charge.strength
        self.times = STEPS_S[plan.technique]
        runs = len(charge)
        ice = plan.world.ices[plan.ice]
        self.edge_m = 1e-3 * ice.edge_mm
        self.ice_g = charge.ice_g - charge.film_g
        self.area_m2 = EDGES[ice.shape] * 6 * self.ice_g / (ICE_G_PER_M3 * self.edge_m)
        self.into_core = ICE_W_PER_M_K / (laws.core_depth[plan.ice] * self.edge_m)
        self.broken = self.way.broken * ice.brittleness * np.exp(laws.broken_spread * rng.normal(0, 1, runs))
        self.left_g = self.box.left_g * np.exp(rng.normal(0, self.box.left_spread, runs))
        self.late_g = self.way.late_g * np.exp(rng.normal(0, self.way.late_spread, runs))
        self.water_g = charge.water_g + charge.film_g
        self.temp_c = charge.drink_temp_c.copy()

    def heat(self, melted_g: Floats) -> Heat:
        return Heat.of(self.charge.ethanol_g, self.charge.sugar_g, self.water_g + melted_g, self.laws.mixing)

    def start(self) -> Floats:
        """The state at the start: surface water, at 0 °C, has joined at once."""
        charge = self.charge
        drink = Heat.of(charge.ethanol_g, charge.sugar_g, charge.water_g, self.laws.mixing)
        none = np.zeros(len(charge))
        return np.array(
            [
                drink.enthalpy_j(charge.drink_temp_c),
                self.ice_g * ice_j_per_g(charge.ice_temp_c),
                self.box.near_j_per_k * charge.vessel_temp_c,
                self.box.far_j_per_k * charge.vessel_temp_c,
                none,
                none,
            ]
        )

    def rates(self, now_s: float, state: Floats) -> Floats:
        """Rates of the state's rows."""
        charge, way, box = self.charge, self.way, self.box
        melted = state[self.MELTED]
        heat = self.heat(melted)
        temp = self.temp_c = heat.temp_c(state[self.DRINK], self.temp_c)
        parts = charge.ethanol_g, charge.sugar_g, self.water_g + melted
        ramp = -np.expm1(-(now_s + 0.02) / way.ramp_s)
        ease = ramp * charge.pace**way.pace_power
        ease = ease * (conductivity_w_per_m_k(*parts, temp) / 0.45) ** self.laws.conductivity_power
        ease = ease * (viscosity_pa_s(*parts, temp) / 3e-3) ** -self.laws.viscosity_power

        ice_g = np.maximum(self.ice_g - melted, 0.01)
        more = 1 + self.broken * charge.pace**2 * -np.expm1(-now_s / way.broken_within_s)
        area = self.area_m2 * more * (ice_g / self.ice_g) ** (2 / 3)
        surface = freezing_point_c(*parts)
        core_j_per_g = state[self.ICE] / ice_g
        sensible = core_j_per_g + LATENT_J_PER_G
        core = 2 * sensible / (ICE_J_PER_G_K + np.sqrt(ICE_J_PER_G_K**2 + 2 * ICE_J_PER_G_K2 * sensible))
        given = self.transfer * ease * area * (temp - surface)
        warming = self.into_core * area * (surface - core)
        water = water_j_per_g(surface)
        melting = (given - warming) / (water - core_j_per_g)

        near = state[self.NEAR] / box.near_j_per_k
        single = box.far_j_per_k == 0.0
        outermost = near if single else state[self.FAR] / box.far_j_per_k
        to_wall = way.drink_to_wall_w_per_k * ease * (temp - near)
        around = way.hands_share * HANDS_C + (1 - way.hands_share) * charge.room_temp_c
        outside = way.outside_w_per_k * charge.hands * (around - outermost)
        passed = outside * 0.0 if single else box.through_w_per_k * (near - outermost)
        work = way.work_w * charge.pace**3 * ramp
        return np.array(
            [
                work - given - to_wall + melting * water,
                warming - melting * core_j_per_g,
                to_wall - passed + (outside if single else 0.0),
                passed + (0.0 if single else outside),
                work + outside,
                melting,
            ]
        )

    def course(self, longest_s: float) -> Course:
        time_s = step_times(longest_s, *self.times)
        state = self.start()
        start_j = state[: self.CAME].sum(axis=0)
        temps, added = [self.charge.drink_temp_c], [self.charge.film_g]
        for now_s, next_s in pairwise(time_s):
            dt_s = next_s - now_s
            first = self.rates(now_s, state)
            second = self.rates(next_s, state + dt_s * first)
            state = state + 0.5 * dt_s * (first + second)
            temps.append(self.heat(state[self.MELTED]).temp_c(state[self.DRINK], self.temp_c))
            added.append(self.charge.film_g + state[self.MELTED])
        temp = np.array(temps)
        residual_j = state[: self.CAME].sum(axis=0) - start_j - state[self.CAME]
        no_gram = np.zeros(len(self.charge))  # one row of the state is both the ice lost and the water gained
        left, late = (np.broadcast_to(v, temp.shape) for v in (self.left_g, self.late_g))
        return Course(time_s, temp, np.array(added), late, left, temp, residual_j, no_gram)
