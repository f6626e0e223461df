"""Foam of a bench's runs: against duration, and how long it lasts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray
from rig.errors import NotEnoughData
from rig.physics.foam import LEAST_RUNS, fit_overrun, half_life_over_runs
from rig.runs import Run

_POINTS = 60


@dataclass(frozen=True, eq=False)
class Foamed:
    """Foam of runs: duration [s] and foam ÷ drink [%], (runs,); the mean and its 90 % range, (times,)."""

    runs: tuple[str, ...]
    duration_s: FloatArray
    foam_pct: FloatArray
    time_s: FloatArray
    mean_pct: FloatArray
    sd_pct: FloatArray


def foamed(runs: Sequence[Run], recipe: str) -> Foamed:
    """Foam ÷ drink against duration of a recipe's runs, with the saturating rise where runs allow one.

    Foam holds liquid too, so that overrun is at most this; a gram of drink counts as a millilitre.

    Raises
    ------
    NotEnoughData
        Fewer than four runs had their foam measured.
    """
    rows = [
        (r.run, r.duration_s, 100.0 * r.foam_ml / r.strained_mass_g)
        for r in runs
        if r.recipe == recipe and r.foam_ml is not None and r.duration_s and r.strained_mass_g
    ]
    if len(rows) < LEAST_RUNS:
        raise NotEnoughData(
            f"Foam was measured in {len(rows)} runs of {recipe}; {LEAST_RUNS} over three durations tell how it "
            "grows. Write foam_ml into the run sheet"
        )
    names, time, foam = (tuple(c) for c in zip(*rows, strict=True))
    duration_s, foam_pct = np.array(time, float), np.array(foam, float)
    at, mean, sd = np.zeros(0), np.zeros(0), np.zeros(0)
    try:
        found = fit_overrun(duration_s, foam_pct)
        at = np.linspace(0.3 * duration_s.min(), 1.2 * duration_s.max(), _POINTS)
        mean, sd = found.predict(at)
    except NotEnoughData:
        pass  # too few different durations for a curve: the runs are shown without one
    return Foamed(names, duration_s, foam_pct, at, mean, sd)


def half_life(runs: Sequence[Run], recipe: str) -> tuple[float, float, float] | None:
    """Low, usual and high half-life [s] of the foam over the runs that timed it; None below two."""
    timed = [r.foam_half_life_s for r in runs if r.recipe == recipe and r.foam_half_life_s is not None]
    if len(timed) < 2:
        return None
    found = half_life_over_runs(np.array(timed))
    return float(found.low_s), float(found.typical_s), float(found.high_s)
