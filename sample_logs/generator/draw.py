"""Draw a world: every constant anew, from ranges wide enough that no two worlds are alike."""

from __future__ import annotations

import numpy as np

from sample_logs.generator.laws import (
    BreakLaw,
    Correlation,
    IceLaw,
    Instruments,
    MotionLaw,
    Spread,
    WallLaw,
    World,
)

STEEL_J_PER_G_K, GLASS_J_PER_G_K = 0.50, 0.84

CUBES = ((1.0, 0.75), (0.85, 0.20), (0.5, 0.05))
MIXED = ((1.25, 0.45), (0.85, 0.40), (0.45, 0.15))
EVEN = ((1.1, 0.6), (0.8, 0.4))


def draw_world(seed: int) -> World:
    """The world of this seed; the same seed gives the same world."""
    rng = np.random.default_rng([seed, 20_011])
    u = rng.uniform

    def about(middle: float, log_spread: float) -> float:
        return float(middle * np.exp(np.clip(rng.normal(0, log_spread), -2.2 * log_spread, 2.2 * log_spread)))

    return World(
        seed=seed,
        correlation=list(Correlation)[int(rng.integers(3))],
        ice_constant=about(1.15, 0.18),
        mass_transfer=float(rng.choice([0.0, u(0.5, 4.0)], p=[0.3, 0.7])),
        loading=float(u(0.0, 0.3)),
        break_law=list(BreakLaw)[int(rng.integers(3))],
        breaks_per_s=about(1.6, 0.5),
        fragment_g=about(0.35, 0.4),
        chip_pass=about(0.06, 0.6),
        film_wash_s=about(0.35, 0.5),
        film_on_ice_g_per_m2=float(u(8, 25)),
        spread=Spread(
            cadence=float(u(0.06, 0.10)),
            strength=float(u(0.02, 0.06)),
            pour=float(u(0.005, 0.015)),
            drink_temp_k=float(u(0.4, 1.2)),
            ice_mass=float(u(0.015, 0.04)),
            vessel_temp_k=float(u(0.3, 1.0)),
            room_temp_k=0.5,
        ),
        instruments=draw_instruments(rng),
        held_back_stated=bool(rng.random() < 0.75),
        wetness_stated=bool(rng.random() < 0.5),
        motions=draw_motions(rng),
        walls=draw_walls(rng),
        ices=draw_ices(rng),
    )


def draw_instruments(rng: np.random.Generator) -> Instruments:
    """A probe anywhere between a bare junction and a thick capsule; a kitchen scale or a better one."""
    lag = float(np.exp(rng.uniform(np.log(0.3), np.log(6.0))))
    return Instruments(
        probe_lag_s=lag,
        probe_offset_k=float(np.clip(rng.normal(0, 0.25), -0.5, 0.5)),
        probe_noise_k=float(rng.uniform(0.03, 0.2)),
        probe_rate_hz=float(rng.choice([2, 4, 5, 10])),
        probe_step_k=float(rng.choice([0.0625, 0.1, 0.25])),
        probe_in_drink=bool(rng.random() < 0.7),
        scale_step_g=float(rng.choice([0.1, 0.5, 1.0])),
        scale_noise_g=float(rng.uniform(0.05, 0.3)),
        reading_noise_k=float(rng.uniform(0.1, 0.4)),
    )


def draw_motions(rng: np.random.Generator) -> dict[str, MotionLaw]:
    """How people here shake, stir and blend."""
    u = rng.uniform
    return {
        "shake": MotionLaw(
            speed_m_per_s=float(u(0.45, 0.85)),
            cadence_hz=float(u(2.4, 4.0)),
            ramp_s=float(u(0.3, 0.7)),
            wetted=float(u(0.5, 0.8)),
            power_w=float(u(2, 7)),
            breaks=1.0,
            wall_w_per_k_m2=float(u(1200, 3000)),
            hand_w_per_k=float(u(0.3, 1.5)),
            pour_s=float(u(2, 5)),
        ),
        "stir": MotionLaw(
            speed_m_per_s=float(u(0.025, 0.06)),
            cadence_hz=float(u(1.4, 2.4)),
            ramp_s=float(u(0.3, 0.7)),
            wetted=float(u(0.32, 0.5)),
            power_w=float(u(0.1, 0.5)),
            breaks=0.04,
            wall_w_per_k_m2=float(u(300, 800)),
            hand_w_per_k=float(u(0.05, 0.3)),
            pour_s=float(u(4, 8)),
        ),
        "blend": MotionLaw(
            speed_m_per_s=float(u(1.5, 3.0)),
            cadence_hz=float(u(120, 250)),
            ramp_s=float(u(0.3, 0.7)),
            wetted=float(u(0.8, 1.0)),
            power_w=float(u(60, 200)),
            breaks=40.0,
            wall_w_per_k_m2=float(u(2000, 4000)),
            hand_w_per_k=0.0,
            pour_s=float(u(4, 8)),
        ),
    }


def draw_walls(rng: np.random.Generator) -> dict[str, WallLaw]:
    """Two shakers and a mixing glass."""
    u = rng.uniform

    def wall(material: str, mass_g: float, c: float, inner: float, area: float, between: float) -> WallLaw:
        whole = mass_g * c
        return WallLaw(
            material=material,
            mass_g=round(mass_g),
            inner_j_per_k=whole * inner,
            outer_j_per_k=whole * (1 - inner),
            wetted_m2=area,
            between_w_per_k=between,
            ambient_w_per_k=float(u(0.2, 0.6)),
            held_back_g=float(u(1.5, 4.0)),
            held_back_spread=float(u(0.15, 0.4)),
        )

    steel, glass = STEEL_J_PER_G_K, GLASS_J_PER_G_K
    return {
        "two-piece steel": wall(
            "stainless steel", u(210, 420), steel, u(0.5, 0.85), u(0.03, 0.045), u(3, 15)
        ),
        "three-piece steel": wall(
            "stainless steel", u(160, 280), steel, u(0.5, 0.8), u(0.022, 0.032), u(2, 10)
        ),
        "mixing glass": wall("glass", u(450, 800), glass, u(0.25, 0.5), u(0.018, 0.026), u(1.5, 6)),
    }


def draw_ices(rng: np.random.Generator) -> dict[str, IceLaw]:
    """Five ices: dry and cold, wet from the well, cracked, pebble and crushed."""
    u = rng.uniform
    edge = float(rng.integers(25, 33))

    def ice(
        shape: str, edge_mm: float, classes: tuple[tuple[float, float], ...], area: float, **rest: float
    ) -> IceLaw:
        return IceLaw(shape=shape, edge_mm=edge_mm, classes=classes, area_factor=area, **rest)

    return {
        "freezer cube": ice(
            "cube", edge, CUBES, float(u(1.05, 1.24)),
            temp_c=-float(rng.integers(14, 20)), temp_spread_k=float(u(0.4, 1.2)),
            film_pct=float(u(0.05, 0.5)), film_spread=0.4, brittleness=float(u(0.7, 1.6)),
        ),
        "bar cube": ice(
            "cube", float(rng.integers(24, 32)), CUBES, float(u(1.0, 1.2)),
            temp_c=-float(u(0.1, 1.0)), temp_spread_k=0.15,
            film_pct=float(u(1.5, 6.0)), film_spread=float(u(0.15, 0.35)), brittleness=float(u(0.4, 1.0)),
        ),
        "cracked": ice(
            "cracked", float(rng.integers(12, 18)), MIXED, float(u(1.15, 1.4)),
            temp_c=-float(u(0.5, 6.0)), temp_spread_k=0.4,
            film_pct=float(u(2.0, 7.0)), film_spread=float(u(0.15, 0.3)), brittleness=float(u(0.6, 1.2)),
        ),
        "pebble": ice(
            "pebble", float(rng.integers(8, 12)), EVEN, float(u(1.05, 1.3)),
            temp_c=-float(u(0.1, 1.0)), temp_spread_k=0.15,
            film_pct=float(u(5.0, 13.0)), film_spread=float(u(0.12, 0.25)), brittleness=0.3,
        ),
        "crushed": ice(
            "crushed", float(rng.integers(6, 10)), MIXED, float(u(1.2, 1.5)),
            temp_c=-float(u(0.1, 2.0)), temp_spread_k=0.2,
            film_pct=float(u(6.0, 16.0)), film_spread=float(u(0.12, 0.25)), brittleness=0.3,
        ),
    }  # fmt: skip
