"""The calls worth printing for a bench: each measured drink, each target, the set-ups that serve it best."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.advice.call import USEFUL_ODDS, Advice, advise, best_duration
from rig.advice.odds import odds_curve
from rig.bench import Target
from rig.errors import ModelRangeError
from rig.fitting.prediction import Basis, Prediction
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.report.courses import EARLY_S, foreseen
from rig.runs import SetUp

Foreseen = Mapping[tuple[SetUp, str], Prediction]


@dataclass(frozen=True)
class Call:
    """A call in short; `Advice` is the same in full, and names these alike."""

    situation: Situation
    target: Target
    basis: Basis
    duration_s: float
    window_s: tuple[float, float]
    odds: float
    feasible: bool

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        return {
            "technique": self.situation.technique,
            "vessel": self.situation.vessel,
            "ice": self.situation.ice,
            "recipe": self.situation.recipe,
            "target": self.target.name,
            "duration_s": round(self.duration_s, 2),
            "window_s": [round(x, 2) for x in self.window_s],
            "odds": round(self.odds, 4),
            "feasible": self.feasible,
            "basis": {"runs": self.basis.runs, "kind": self.basis.kind.value},
        }


@dataclass(frozen=True)
class DrinkCalls:
    """One recipe into one target: every set-up it was measured on, best odds first."""

    recipe: str
    target: Target
    calls: tuple[Call, ...]

    @property
    def best(self) -> Call:
        """The set-up that serves it best."""
        return self.calls[0]


def all_foreseen(fit: Fit, progress: Callable[[float], None] = lambda share: None) -> Foreseen:
    """Single runs of every measured drink; one that lies outside the model's range is left out."""
    out = {}
    for done, (set_up, recipe) in enumerate(sorted(fit.measured), 1):
        try:
            out[set_up, recipe] = foreseen(fit, set_up, recipe)
        except ModelRangeError:
            continue
        progress(done / len(fit.measured))
    return out


def drink_calls(fit: Fit, predictions: Foreseen) -> tuple[DrinkCalls, ...]:
    """Calls for every measured recipe and target, surest first; none where the bench names no target.

    Where runs name the target they were made for, only those pairs of recipe and target are called.
    """
    groups = []
    for recipe, target in _pairs(fit):
        mine = [_call(p, fit.bench.target(target)) for (_, r), p in predictions.items() if r == recipe]
        if mine:
            ranked = tuple(sorted(mine, key=lambda c: -c.odds))
            groups.append(DrinkCalls(recipe, fit.bench.target(target), ranked))
    return tuple(sorted(groups, key=lambda g: -g.best.odds))


def _call(prediction: Prediction, target: Target) -> Call:
    times = prediction.duration_s[len(EARLY_S) :]
    odds_at = odds_curve(prediction, target).odds[len(EARLY_S) :]
    best, window = best_duration(times, odds_at)
    odds = float(np.interp(best, times, odds_at))
    return Call(prediction.situation, target, prediction.basis, best, window, odds, odds >= USEFUL_ODDS)


def in_full(fit: Fit, call: Call) -> Advice:
    """The same call with its curves, its cautions and what would help."""
    return advise(fit, target=call.target, **call.situation.asked)


def _pairs(fit: Fit) -> list[tuple[str, str]]:
    recipes = list(dict.fromkeys(recipe for _, recipe in fit.measured))
    told = dict.fromkeys(
        (r.recipe, r.target)
        for r in fit.book.used_runs()
        if r.target is not None and r.target in fit.bench.targets and r.recipe in recipes
    )
    return list(told) or [(recipe, target) for recipe in recipes for target in fit.bench.targets]
