"""How many runs it takes to see a difference between two set-ups."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from rig.advice.call.odds import RESULTS, Result
from rig.advice.call.slopes import slopes
from rig.advice.evidence.statistics import power, runs_needed
from rig.advice.plan.candidates import stated
from rig.errors import ModelRangeError
from rig.fitting.prediction import run_spread
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, nominals


@dataclass(frozen=True)
class ComparisonSize:
    """How many runs of each of two set-ups it takes to see a difference.

    `sd` is a single run's spread around its set-up's average, `result` names its unit; `runs_each` with its
    range for the uncertainty of `sd`, which rests on `freedom` runs (None: on priors only).
    """

    result: Result
    difference: float
    sd: float
    wanted_power: float
    alpha: float
    runs_each: int
    runs_each_range: tuple[int, int] | None
    power: float
    freedom: int | None

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; `difference` and `sd` in the unit of `result`."""
        return {
            "result": self.result.value,
            "difference": self.difference,
            "run_to_run_sd": round(self.sd, 5),
            "wanted_power": self.wanted_power,
            "alpha": self.alpha,
            "runs_each": self.runs_each,
            "runs_each_range": None if self.runs_each_range is None else list(self.runs_each_range),
            "power": round(self.power, 4),
            "runs_behind_sd": self.freedom,
        }


def runs_to_see(
    fit: Fit,
    situation: Situation,
    duration_s: float,
    *,
    temp_k: float | None = 1.0,
    dilution: float | None = None,
    wanted_power: float = 0.8,
    alpha: float = 0.05,
) -> ComparisonSize:
    """How many runs each of two set-ups like this one need to show a difference, by a two-sided t test.

    The spread of single runs is the fit's: hand, ice and weighing through the model at this duration.

    Parameters
    ----------
    temp_k, dilution
        The difference to see, one of the two: [K], or water added ÷ starting volume.

    Raises
    ------
    ModelRangeError
        A difference of nothing.
    NotEnoughData
        Where no number of runs that anyone would make is enough.
    """
    result, difference = (Result.TEMP_C, temp_k) if dilution is None else (Result.DILUTION, dilution)
    if difference is None or not difference > 0:
        raise ModelRangeError("say which difference to see: above zero, in K or as dilution")
    situation = stated(fit, situation)
    made = slopes(fit, situation, np.array([0.9, 1.0, 1.1]) * duration_s)
    spread = run_spread(fit, situation, nominals(fit.bench, [situation]))
    water_scale, temp_scale = fit.posterior.leave_one_out.spread_scale
    scale = temp_scale if result is Result.TEMP_C else water_scale
    sd = scale * float(np.sqrt(np.sum((made.by_parameter[RESULTS.index(result), 1] * spread) ** 2)))
    freedom = sum(m.runs for (s, _), m in fit.measured.items() if s.technique == situation.technique) or None
    ends = None
    if freedom is not None and freedom > 1:
        low, high = (sd * np.sqrt(freedom / stats.chi2.ppf(q, freedom)) for q in (0.95, 0.05))
        ends = tuple(runs_needed(difference, float(s), wanted_power, alpha) for s in (low, high))
    each = runs_needed(difference, sd, wanted_power, alpha)
    return ComparisonSize(
        result=result,
        difference=difference,
        sd=sd,
        wanted_power=wanted_power,
        alpha=alpha,
        runs_each=each,
        runs_each_range=ends,  # type: ignore[arg-type]
        power=power(difference, sd, each, each, alpha),
        freedom=freedom,
    )
