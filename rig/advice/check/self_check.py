"""The tool held against its own runs: whether band, residuals and odds hold.

Everything rests on leave-one-run-out predictions (`left_out`): each run as the fit foretells it from the others.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from rig.advice.check.call_log import NO_CALLS, ScoredCalls, scored_calls
from rig.advice.check.landed import RunOdds, run_odds
from rig.advice.check.left_out import LeftOut, left_out
from rig.advice.check.reliability import DOUBT_P, Reliability, score
from rig.advice.check.residual_bias import Leaning, MeanResidual, Observation, leanings, mean_residuals
from rig.advice.evidence.hit_rate import hit_rate
from rig.arrays import BoolArray, FloatArray
from rig.bench import Bench
from rig.fitting.result import Fit
from rig.logbook.store import Logbook
from rig.runs import SetUp

BAND = 0.90
_MOST_CORR = 0.999


@dataclass(frozen=True)
class Coverage:
    """How many of `runs` runs lie inside the 90 % band; `low`, `high`: Wilson's 95 % interval of their share.

    `holds`: the count is one that a band of 90 % gives (exact binomial test, at 5 %).
    """

    inside: int
    runs: int
    low: float
    high: float
    holds: bool

    @classmethod
    def of(cls, inside: BoolArray) -> Coverage | None:
        """Of runs (runs,) that do or do not lie inside; None of no run."""
        if not inside.size:
            return None
        rate = hit_rate(int(inside.sum()), int(inside.size))
        holds = stats.binomtest(rate.hits, rate.runs, BAND).pvalue > DOUBT_P
        return cls(rate.hits, rate.runs, rate.low, rate.high, bool(holds))

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "inside": self.inside,
            "runs": self.runs,
            "low": round(self.low, 4),
            "high": round(self.high, 4),
            "holds": self.holds,
        }


@dataclass(frozen=True, eq=False)
class SelfCheck:
    """What a bench's own runs say of the fit.

    `together` counts each run once, in the joint band of what was measured of it (an ellipse for both
    quantities); `weighing` and `temperature` count each by itself; None where none was measured. `run_odds`:
    odds and outcome of each run; `odds` their score, None where no run has both. `calls`: those kept in the
    logbook, and the runs that followed them.
    """

    left: LeftOut
    together: Coverage | None
    weighing: Coverage | None
    temperature: Coverage | None
    means: tuple[MeanResidual, ...]
    leanings: tuple[Leaning, ...]
    run_odds: RunOdds
    odds: Reliability | None
    calls: ScoredCalls

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names; `check` of `fit --check --json`."""
        rows = dict.fromkeys((m.set_up, m.recipe) for m in self.means)
        return {
            "runs": len(self.left),
            "band": BAND,
            "coverage": {
                name: None if found is None else found.to_dict()
                for name, found in (
                    ("together", self.together),
                    ("weighing", self.weighing),
                    ("temperature", self.temperature),
                )
            },
            "set_ups": [
                {
                    "technique": None if set_up is None else set_up.technique,
                    "vessel": None if set_up is None else set_up.vessel,
                    "ice": None if set_up is None else set_up.ice,
                    "recipe": recipe,
                    **{o.value: self._mean(set_up, recipe, o) for o in Observation},
                }
                for set_up, recipe in rows
            ],
            "leanings": [x.to_dict() for x in self.leanings],
            "odds": None if self.odds is None else self.odds.to_dict(),
            "calls": self.calls.to_dict(),
        }

    def _mean(self, set_up: object, recipe: str | None, observation: Observation) -> dict[str, Any] | None:
        mine = (set_up, recipe, observation)
        return next(
            (m.to_dict() for m in self.means if (m.set_up, m.recipe, m.observation) == mine),
            None,
        )


def check_own_runs(
    fit: Fit, logbook: Logbook | None = None, bench_name: str = "", set_ups: Collection[SetUp] | None = None
) -> SelfCheck:
    """Hold a fit against its own runs, and the calls kept on its bench in the logbook against those that came.

    `set_ups`: only the runs of these.
    """
    left = left_out(fit)
    if set_ups is not None:
        left = left.take([k for k, s in enumerate(left.set_ups) if s in set_ups])
    calls = NO_CALLS if logbook is None else scored_calls(logbook, bench_name, left, fit.book)
    return self_check(left, fit.bench, calls)


def self_check(left: LeftOut, bench: Bench, calls: ScoredCalls = NO_CALLS) -> SelfCheck:
    """Hold what was said of runs left out, and of calls that were followed, against what was measured."""
    z = np.stack([left.strained_residual_g / left.strained_sd_g, left.temp_residual_k / left.temp_sd_k])
    there = np.isfinite(z)
    half = stats.norm.ppf(0.5 + BAND / 2)
    means = mean_residuals(left)
    odds = run_odds(left, bench)
    return SelfCheck(
        left=left,
        together=Coverage.of(_inside_together(z, left.corr)),
        weighing=Coverage.of(np.abs(z[0, there[0]]) <= half),
        temperature=Coverage.of(np.abs(z[1, there[1]]) <= half),
        means=means,
        leanings=leanings(means),
        run_odds=odds,
        odds=score(odds.said, odds.landed),
        calls=calls,
    )


def _inside_together(z: FloatArray, corr: FloatArray) -> BoolArray:
    """Whether runs with any of both z (2, runs) lie inside the band of all that was measured of them."""
    there = np.isfinite(z)
    both = there.all(axis=0)
    rho = np.where(both, np.clip(corr, -_MOST_CORR, _MOST_CORR), 0.0)
    a, b = np.where(there, z, 0.0)
    distance = (a**2 - 2.0 * rho * a * b + b**2) / (1.0 - rho**2)
    count = there.sum(axis=0)
    some = count > 0
    return np.asarray(distance[some] <= stats.chi2.ppf(BAND, count[some]))


__all__ = ["Coverage", "Observation", "SelfCheck", "check_own_runs", "mean_residuals", "self_check"]
