"""Every fitted run as the other runs foretell it: leave-one-run-out predictions, as arrays over runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from rig.arrays import FloatArray
from rig.fitting.observations import strained_mass_g
from rig.fitting.result import Fit, Verdict
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.runs import PROBE_DOUBT, SetUp


@dataclass(frozen=True, eq=False)
class LeftOut:
    """What each run measured, and how far that lay from what the fit says without it; arrays (runs,).

    NaN where a run has no such observation. `targets`: the target that a run was noted to be made for.
    `strained_g`: weighed; `end_temp_c`: the drink at the end of motion as the run's own trace has it, the
    probe's lag undone. `strained_residual_g`, `temp_residual_k`: measured less predicted without the run;
    `strained_sd_g`, `temp_sd_k`: the predictions' standard deviations; `corr`: correlation of their errors.
    `held_back_g`: liquid left on ice and in the vessel, as the fit has it.
    """

    runs: tuple[str, ...]
    set_ups: tuple[SetUp, ...]
    recipes: tuple[str, ...]
    targets: tuple[str | None, ...]
    duration_s: FloatArray
    strained_g: FloatArray
    end_temp_c: FloatArray
    strained_residual_g: FloatArray
    strained_sd_g: FloatArray
    temp_residual_k: FloatArray
    temp_sd_k: FloatArray
    corr: FloatArray
    drink_mass_g: FloatArray
    held_back_g: FloatArray
    start_volume_ml: FloatArray

    def __len__(self) -> int:
        return len(self.runs)

    @property
    def added_g(self) -> FloatArray:
        """Water added (runs,) by weighing: strained and held back, less the drink before the ice."""
        return self.strained_g + self.held_back_g - self.drink_mass_g

    def take(self, rows: Sequence[int]) -> LeftOut:
        """Some of the runs."""
        at = np.asarray(rows, dtype=np.int64)
        parts: dict[str, Any] = {}
        for name in (f.name for f in fields(self)):
            values = getattr(self, name)
            parts[name] = values[at] if isinstance(values, np.ndarray) else tuple(values[k] for k in at)
        return LeftOut(**parts)


def left_out(fit: Fit) -> LeftOut:
    """The fitted runs of a fit, in its order, each as the others foretell it."""
    judged = [r for r in fit.runs if r.verdict in (Verdict.GOOD, Verdict.DOUBTFUL)]
    by_name = {r.run: r for r in fit.book.runs}
    runs = [by_name[r.run] for r in judged]
    post = fit.posterior
    strained = np.array([_number(strained_mass_g(r)) for r in runs])
    without = post.leave_one_out
    recipe_g = {
        name: float(np.sum(liquid_from_recipe(fit.bench.recipe(name)).liquid.mass_g))
        for name in {r.recipe for r in runs}
    }
    drink = np.array([recipe_g[r.recipe] if r.drink_mass_g is None else r.drink_mass_g for r in runs])
    return LeftOut(
        runs=tuple(r.run for r in judged),
        set_ups=tuple(r.set_up for r in judged),
        recipes=tuple(r.recipe for r in judged),
        targets=tuple(r.target for r in runs),
        duration_s=np.array([_number(r.duration_s) for r in judged]),
        strained_g=strained,
        end_temp_c=np.where(
            np.isfinite(without.temp_residual_k) & [PROBE_DOUBT not in r.extra for r in runs],
            post.end_temp_c,
            np.nan,
        ),
        strained_residual_g=without.strained_residual_g,
        strained_sd_g=without.strained_sd_g,
        temp_residual_k=without.temp_residual_k,
        temp_sd_k=without.temp_sd_k,
        corr=without.correlation,
        drink_mass_g=drink,
        held_back_g=post.expected_added_g - post.expected_strained_g + drink,
        start_volume_ml=np.array([_number(r.start_volume_ml) for r in judged]),
    )


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)
