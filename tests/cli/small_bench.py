"""A small bench made by the melt model itself: quick to fit, with one run that is plainly wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rig.bench import parse_bench
from rig.fitting.priors import P
from rig.fitting.situation import Situation, inputs_for, nominals
from rig.importing.write_bench import write_bench
from rig.physics.melt import simulate, steps_for
from rig.runs import Run, RunBook, Trace

BENCH = """
title = "Corner bar"
[vessels."steel tin"]
material = "stainless steel"
mass_g = 300
[vessels."mixing glass"]
material = "glass"
mass_g = 700
[ice."freezer cube"]
shape = "cube"
edge_mm = 25
temp_c = -16
[ice."wet cube"]
shape = "cube"
edge_mm = 30
temp_c = 0
[recipes."night shift"]
ingredients = [
  { name = "coffee concentrate", volume_ml = 50, caffeine_mg = 70 },
  { name = "dark spirit", volume_ml = 35, abv_pct = 42 },
  { name = "cream liqueur", volume_ml = 15, abv_pct = 17, allergens = ["milk"] },
]
[targets.coupe]
serve_temp_c_max = -1.0
dilution_by_volume = [0.25, 0.45]
[targets.short]
serve_temp_c_max = 2.0
dilution_by_volume = [0.15, 0.30]
"""
WRONG_RUN = "b3"
SET_UPS = (
    ("shake", "steel tin", "freezer cube", 200.0),
    ("shake", "steel tin", "wet cube", 160.0),
    ("stir", "mixing glass", "wet cube", 180.0),
)


def small_book() -> RunBook:
    """Fifteen runs on three set-ups; run b3 weighs 30 g too much."""
    bench, _ = parse_bench(BENCH)
    rng = np.random.default_rng(4)
    runs = []
    for letter, (technique, vessel, ice, ice_mass_g) in zip("abc", SET_UPS, strict=True):
        spans = (6.0, 18.0) if technique == "shake" else (20.0, 60.0)
        for k, duration in enumerate(np.linspace(*spans, 5).round(1)):
            s = Situation(
                technique,
                vessel,
                ice,
                "night shift",
                drink_temp_c=round(float(rng.normal(22, 1)), 1),
                ice_mass_g=round(float(ice_mass_g + rng.normal(0, 4))),
                room_temp_c=21.0,
            )
            nominal = nominals(bench, [s])
            unknown = np.zeros((1, len(P)))
            unknown[0, P.RATE] = 0.15 + rng.normal(0, 0.06)
            inputs = inputs_for(nominal, unknown, np.array([0]))
            end = np.array([duration])
            course = simulate(nominal.curves, inputs, end, steps_for(inputs, nominal.curves, end))
            time = np.arange(0.0, duration, 0.5)
            probe = np.interp(time, course.time_s[:, 0], course.temp_c[:, 0]) + rng.normal(0, 0.1, time.size)
            weighed = nominal.drink_mass_g[0] + course.added_g[-1, 0] - 3.0 + rng.normal(0, 0.5)
            name = f"{letter}{k + 1}"
            runs.append(
                Run(
                    name,
                    technique,
                    vessel,
                    ice,
                    "night shift",
                    ice_mass_g=s.ice_mass_g,
                    drink_temp_c=s.drink_temp_c,
                    room_temp_c=21.0,
                    duration_s=float(duration),
                    strained_mass_g=round(float(weighed), 1) + (30.0 if name == WRONG_RUN else 0.0),
                    trace=Trace(time, {"": probe.round(2)}),
                )
            )
    return RunBook(bench, tuple(runs))


def small_bench(folder: Path) -> Path:
    """The same as a bench folder, with a column that nobody knows."""
    home = write_bench(small_book(), folder)
    sheet = home / "run_sheet.csv"
    head, *rest = sheet.read_text(encoding="utf-8").splitlines()
    lines = [f"{head},mood", *(f"{line},fine" for line in rest)]
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return home
