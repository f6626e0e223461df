"""A logbook of as many runs as a busy bar makes in years, made up from a seed; its drinks are plausible, no more."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from rig.bench import parse_bench
from rig.logbook.store import open_logbook
from rig.runs import Run, RunBook, Trace

BENCH = """
title = "Long bar"
[vessels."two-piece steel"]
mass_g = 235
[vessels."three-piece steel"]
mass_g = 280
[ice."freezer cube"]
shape = "cube"
edge_mm = 25
temp_c = -16
[ice."bar cube"]
shape = "cube"
edge_mm = 25
temp_c = -1
[ice.cracked]
shape = "cracked"
edge_mm = 12
temp_c = -1
[recipes."night shift"]
ingredients = [
  { name = "coffee concentrate", volume_ml = 50 },
  { name = "dark spirit", volume_ml = 35, abv_pct = 42 },
]
[recipes."day shift"]
ingredients = [
  { name = "coffee concentrate", volume_ml = 60 },
  { name = "nut syrup", volume_ml = 20, sugar_g_per_100ml = 70 },
]
[targets.coupe]
serve_temp_c_max = -1.0
dilution_by_volume = [0.25, 0.45]
"""
_END_C = {"freezer cube": (-4.5, 0.33, 6.0), "bar cube": (-3.0, 0.58, 5.0), "cracked": (-3.5, 0.68, 2.0)}
"""Where a long shake ends: temperature, dilution by mass, and how fast [s]."""


def long_book(runs: int = 10_000, seed: int = 20, samples_hz: float = 5.0) -> RunBook:
    """A book of that many runs with traces, over six set-ups and two drinks."""
    bench, _ = parse_bench(BENCH)
    rng = np.random.default_rng(seed)
    vessels, ices, recipes = list(bench.vessels), list(bench.ice), list(bench.recipes)
    first = datetime(2024, 1, 5, 17, 0, tzinfo=UTC)
    made = [
        _run(rng, k, _of(rng, vessels), _of(rng, ices), _of(rng, recipes), first, samples_hz)
        for k in range(runs)
    ]
    return RunBook(bench, tuple(made))


def _of(rng: np.random.Generator, names: Sequence[str]) -> str:
    return names[int(rng.integers(len(names)))]


def _run(
    rng: np.random.Generator, k: int, vessel: str, ice: str, recipe: str, first: datetime, hz: float
) -> Run:
    end_c, water, tau_s = _END_C[ice]
    duration, start, drink_g = float(rng.uniform(5, 20)), float(rng.normal(22, 1.5)), float(rng.normal(88, 2))
    gone = 1 - np.exp(-duration / tau_s)
    time_s = np.arange(-1.0, duration, 1 / hz)
    course = end_c + (start - end_c) * np.exp(-np.maximum(time_s - 0.5, 0) / tau_s)
    return Run(
        f"r{k + 1:05d}",
        "shake",
        vessel,
        ice,
        recipe,
        started_at=first + timedelta(minutes=7 * k),
        operator=("ada", "bo", "cy")[k % 3],
        session=f"evening {k // 40 + 1}",
        ice_mass_g=round(float(rng.normal(205, 6))),
        drink_mass_g=round(drink_g, 1),
        drink_temp_c=round(start, 1),
        room_temp_c=21.0,
        duration_s=round(duration, 1),
        strained_mass_g=round(float(drink_g * (1 + water * gone) - 3 + rng.normal(0, 1)), 1),
        trace=Trace(time_s, {"": (course + rng.normal(0, 0.1, time_s.size)).round(2)}),
        notes="lid slipped" if k % 97 == 0 else None,
    )


def long_logbook(file: Path, runs: int = 10_000) -> Path:
    """The same in a logbook file, made where there is none."""
    if not file.exists():
        with open_logbook(file) as logbook:
            logbook.add(long_book(runs), "long", "made up")
    return file
