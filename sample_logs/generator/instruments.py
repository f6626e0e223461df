"""What a person at the bench would have read off: a lagging probe, a coarse scale, a strainer between.

The truth stays in `Course`; only `Record` is written to files.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sample_logs.generator.laws import Plan
from sample_logs.generator.liquid import Floats
from sample_logs.generator.simulate import Charge, Course, charge_runs, simulate

BEFORE_S = 2.0
"""A trace starts this long before the motion."""
STILL_MELT = 0.12
"""Melting while the drink is poured off, over melting in motion."""
MOST_CHIPS_G = 3.0


@dataclass(frozen=True)
class Record:
    """One run as written down; masses in g, temperatures in °C. None: not measured."""

    duration_s: float
    drink_mass_g: float | None
    drink_temp_c: float | None
    ice_mass_g: float | None
    ice_temp_c: float | None
    vessel_temp_c: float | None
    room_temp_c: float | None
    strained_mass_g: float | None
    trace_time_s: Floats | None
    trace_probe_c: Floats | None
    trace_cadence_hz: Floats | None = None


def strained_g(
    plan: Plan, charge: Charge, course: Course, duration_s: Floats, rng: np.random.Generator
) -> Floats:
    """Mass in the glass [g]: drink and water, less what stays behind, and the chips that slip through."""
    world, wall, motion = plan.setting.world, plan.setting.wall, plan.setting.motion
    runs = len(duration_s)
    added = course.at("added_g", duration_s)
    pace = (added - course.at("added_g", np.maximum(duration_s - 0.5, 0.0))) / 0.5
    kept = wall.held_back_g * np.exp(rng.normal(0, wall.held_back_spread, runs))
    kept += (
        world.film_on_ice_g_per_m2 * course.at("ice_area_m2", duration_s) * np.exp(rng.normal(0, 0.15, runs))
    )
    chips = world.chip_pass * course.at("fragments_g", duration_s) * np.exp(rng.normal(0, 0.4, runs))
    pouring = STILL_MELT * motion.pour_s * pace
    return charge.drink_g + added + pouring - kept + np.minimum(chips, MOST_CHIPS_G)


def probe_readings(
    plan: Plan, charge: Charge, course: Course, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """What the probe shows: time [s], shape (samples,), and temperature [°C], shape (samples, runs)."""
    probe = plan.setting.world.instruments
    fine_s = float(course.time_s[1]) / 2
    steps = round((float(course.time_s[-1]) + BEFORE_S) / fine_s) + 1
    time_s: Floats = fine_s * np.arange(float(steps)) - BEFORE_S
    place = np.clip(time_s / course.time_s[1], 0, len(course.time_s) - 1)
    low = np.minimum(place.astype(int), len(course.time_s) - 2)
    true_c = course.temp_c[low] + (place - low)[:, None] * (course.temp_c[low + 1] - course.temp_c[low])
    if not probe.probe_in_drink:
        true_c[time_s < 0] = charge.vessel_temp_c
    shown = np.empty_like(true_c)
    shown[0] = true_c[0]
    catch_up = -np.expm1(-fine_s / probe.probe_lag_s)
    for n in range(1, len(time_s)):
        shown[n] = shown[n - 1] + catch_up * (true_c[n] - shown[n - 1])
    every_s = 1 / probe.probe_rate_hz
    samples = int((course.time_s[-1] + BEFORE_S) / every_s) + 1
    sample_s: Floats = every_s * np.arange(float(samples)) - BEFORE_S
    near = np.clip(np.rint((sample_s + BEFORE_S) / fine_s).astype(int), 0, len(time_s) - 1)
    read = (
        shown[near] + probe.probe_offset_k + rng.normal(0, probe.probe_noise_k, (len(near), shown.shape[1]))
    )
    return sample_s, np.round(read / probe.probe_step_k) * probe.probe_step_k


def make_records(
    plan: Plan,
    duration_s: Floats,
    rng: np.random.Generator,
    *,
    pace: float | Floats = 1.0,
    cadence: bool = False,
) -> list[Record]:
    """Make a drink for each duration, as the plan says, and write down what was read.

    `pace` is the speed of these hands over the usual ones, a number or one a run; `cadence` adds what a
    motion sensor on the shaker would read.
    """
    world = plan.setting.world
    read = world.instruments
    runs = len(duration_s)
    charge = charge_runs(plan, runs, rng)
    charge = replace(charge, cadence=charge.cadence * pace)
    course = simulate(plan.setting, charge, float(duration_s.max()) + 0.2, rng)
    glass_g = strained_g(plan, charge, course, duration_s, rng)
    time_s, probe_c = probe_readings(plan, charge, course, rng)

    def weighed(mass_g: Floats) -> Floats:
        noisy = mass_g + rng.normal(0, read.scale_noise_g, runs)
        return np.round(noisy / read.scale_step_g) * read.scale_step_g

    def taken(temp_c: Floats, noise_k: float = read.reading_noise_k) -> Floats:
        return np.round(temp_c + rng.normal(0, noise_k, runs), 1)

    drink_g, ice_g, glass_g = weighed(charge.drink_g), weighed(charge.ice_mass_g), weighed(glass_g)
    drink_c, vessel_c = taken(charge.drink_temp_c), taken(charge.vessel_temp_c)
    room_c = taken(charge.room_temp_c, 0.3)
    ice_c = np.minimum(np.round(charge.ice_temp_c + rng.normal(0, 0.5, runs)), 0.0)
    hz = plan.setting.motion.cadence_hz * charge.cadence
    records = []
    for n in range(runs):
        kept = time_s <= duration_s[n] + 1e-9
        moving = time_s[kept] >= 0
        wobble = np.round(hz[n] * np.exp(rng.normal(0, 0.04, kept.sum())), 1)
        records.append(
            Record(
                duration_s=float(duration_s[n]),
                drink_mass_g=float(drink_g[n]),
                drink_temp_c=float(drink_c[n]),
                ice_mass_g=float(ice_g[n]),
                ice_temp_c=float(ice_c[n]),
                vessel_temp_c=float(vessel_c[n]),
                room_temp_c=float(room_c[n]),
                strained_mass_g=float(glass_g[n]),
                trace_time_s=time_s[kept],
                trace_probe_c=probe_c[kept, n],
                trace_cadence_hz=np.where(moving, wobble, 0.0) if cadence else None,
            )
        )
    return records
