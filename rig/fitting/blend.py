"""Where a drink has runs of its own on a set-up: how far its own empirical curve corrects the melt model.

For each drink on each set-up with enough runs, a curve is fitted to the runs' water and end temperature
(see `curves`), both brought to the runs' mean conditions by the melt model. Model and curve are then weighed
by how well each foretells a run it was not shown (pseudo-Bayesian model averaging by leave-one-out
densities; Yao, Vehtari, Simpson & Gelman, Bayesian Analysis 13 (2018) 917). The melt model's courses move
towards the curve by the curve's weight. Never for a drink the set-up has not seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm, t

from rig.arrays import FloatArray
from rig.fitting.curves import RunValues, fit_curves, shortfall
from rig.runs import SetUp

_STEPS = 24
_MOST_WEIGHT = 0.35
"""The curve knows nothing of heat; it never has the greater say."""


@dataclass(frozen=True)
class Blend:
    """What the curve says against the melt model, for one drink on one set-up.

    `time_s` (times,) spans the runs' durations; `added_g`, `temp_k` (times,): curve less model, times its
    weight; `added_weight`, `temp_weight`: that weight, 0…1; `runs`: how many it rests on.
    """

    time_s: FloatArray
    added_g: FloatArray
    temp_k: FloatArray
    added_weight: float
    temp_weight: float
    runs: int

    def at(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Shifts of added water [g] and temperature [K] at any durations; fading away from the runs."""
        first, last = self.time_s[0], self.time_s[-1]
        beyond = np.maximum(first / np.maximum(time_s, 1e-6), np.maximum(time_s / last, 1.0))
        fade = np.exp(-2.0 * np.log(beyond) ** 2 / np.log(2.0) ** 2)
        return (
            np.interp(time_s, self.time_s, self.added_g) * fade,
            np.interp(time_s, self.time_s, self.temp_k) * fade,
        )


@dataclass(frozen=True)
class Shown:
    """The runs of one drink on one set-up, (runs,) each, and the melt model's course at their mean conditions.

    `*_residual`: shown less what the model expected of that run without its own departures; `*_sd`: the
    model's predictive spread for it. `course_s`, `course_added_g`, `course_temp_c` (nodes,): the course.
    """

    duration_s: FloatArray
    added_residual_g: FloatArray
    temp_residual_k: FloatArray
    added_sd_g: FloatArray
    temp_sd_k: FloatArray
    course_s: FloatArray
    course_added_g: FloatArray
    course_temp_c: FloatArray


def blends(shown: Mapping[tuple[SetUp, str], Shown]) -> dict[tuple[SetUp, str], Blend]:
    """A blend for every drink on a set-up that has enough runs; the others are left to the melt model."""
    out = {}
    for key, runs in shown.items():
        label = f"{key[0]}, {key[1]}"
        first, last = float(runs.duration_s.min()), float(runs.duration_s.max())
        times = np.geomspace(first, max(last, first * 1.01), _STEPS)
        water = _towards(label, runs, runs.course_added_g, runs.added_residual_g, runs.added_sd_g, times)
        heat = _towards(label, runs, runs.course_temp_c, runs.temp_residual_k, runs.temp_sd_k, times)
        if water is not None and heat is not None:
            out[key] = Blend(times, water[0], heat[0], water[1], heat[1], int(runs.duration_s.size))
    return out


def _towards(
    label: str, runs: Shown, course: FloatArray, residual: FloatArray, sd: FloatArray, times: FloatArray
) -> tuple[FloatArray, float] | None:
    """Curve less model at `times`, times the curve's weight; and that weight. None where runs are too few."""
    good = np.isfinite(residual)
    made = runs.duration_s[good]
    values = RunValues(label, made, np.interp(made, runs.course_s, course) + residual[good])
    if shortfall(values) is not None:
        return None
    model = float(np.sum(norm.logpdf(residual[good], 0.0, sd[good])))
    curve = float(np.sum(_left_out(values)))
    weight = float(_MOST_WEIGHT / (1.0 + np.exp(np.clip(model - curve, -50.0, 50.0))))
    (whole,) = fit_curves([values])
    return weight * (whole.predict(times).mean - np.interp(times, runs.course_s, course)), weight


def _left_out(runs: RunValues) -> Sequence[float]:
    """Log density of each run under the curve fitted to the others."""
    count = runs.duration_s.size
    parts = []
    for k in range(count):
        rest = np.delete(np.arange(count), k)
        parts.append(RunValues(runs.label, runs.duration_s[rest], runs.value[rest]))
    if any(shortfall(part) is not None for part in parts):
        return [-np.inf]
    out = []
    for k, fitted in enumerate(fit_curves(parts)):
        told = fitted.predict(runs.duration_s[k : k + 1])
        spread = float(told.new_run_sd[0])
        out.append(float(t.logpdf(runs.value[k], told.degrees_of_freedom, told.mean[0], spread)))
    return out
