"""From a question to its call, on one path for every screen: same values filled in, same draws, same grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.advice.call.assumed import Filled, filled
from rig.advice.call.odds import OddsCurve, odds_curve
from rig.advice.call.search import Span, basis_at, best_moment, durations, run_span_s, widened
from rig.advice.call.texture import Air, air_of, with_air
from rig.bench import Target
from rig.errors import ModelRangeError, NotEnoughData
from rig.fitting.prediction import Basis, Prediction, predict
from rig.fitting.result import Fit
from rig.fitting.situation import Situation

DRAWS, SEED = 1024, 20
"""The draws of every call; another number would be another answer."""
USEFUL_ODDS = 0.35
"""Below this the tool says that no duration serves, and what would."""


@dataclass(frozen=True, eq=False)
class DrinkPrediction:
    """Single runs of a drink as every answer to a question about it reads them.

    `run_span_s`: shortest and longest run of this drink on this set-up [s], None with no run. The first `early`
    durations are no durations of a call: they are there for a line that starts at the start.
    """

    filled: Filled
    prediction: Prediction
    run_span_s: Span | None

    early: int = 0

    def called(self) -> DrinkPrediction:
        """The same at the durations of a call alone."""
        p, later = self.prediction, slice(self.early, None)
        at_call = replace(
            p,
            duration_s=p.duration_s[later],
            temp_c=p.temp_c[:, later],
            added_g=p.added_g[:, later],
            dilution_by_volume=p.dilution_by_volume[:, later],
        )
        return replace(self, prediction=at_call, early=0)


@dataclass(frozen=True)
class Call:
    """A call in short.

    `asked` is the question as it came, `filled` what it was answered for. `window_s`: durations whose odds are at
    least nine tenths of the best. `feasible`: the best odds are useful.
    """

    filled: Filled
    target: Target
    basis: Basis
    duration_s: float
    window_s: Span
    odds: float
    feasible: bool

    @property
    def asked(self) -> Situation:
        """The question as it came."""
        return self.filled.asked

    @property
    def situation(self) -> Situation:
        """The drink that is called, with what stands in for all that was left open."""
        return self.filled.situation

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
            "assumed": self.filled.to_dict(),
            "basis": {
                "runs": self.basis.runs,
                "kind": self.basis.kind.value,
                "extrapolated": list(self.basis.extrapolated),
            },
        }


@dataclass(frozen=True, eq=False)
class Landing:
    """Odds against duration, (times,), with the air that is asked for and `without` it, and that air; None for none."""

    curve: OddsCurve
    without: OddsCurve
    air: Air | None


def predict_drink(
    fit: Fit, asked: Situation, *, early_s: tuple[float, ...] = (), draws: int = DRAWS
) -> DrinkPrediction:
    """Single runs of what is asked, at every duration that a call is looked for at.

    Parameters
    ----------
    early_s
        Durations before those, for a line that starts at the start.

    Raises
    ------
    NotFound, ModelRangeError
        A name that is not on the bench; a value that no model here was made for.
    """
    question = answerable(fit, asked)
    times = np.concatenate([early_s, durations(fit, asked.technique)])
    span_s = run_span_s(fit, asked)
    found = predict(fit, question.situation, times, draws=draws, seed=SEED)
    return DrinkPrediction(question, widened(found, span_s), span_s, len(early_s))


def answerable(fit: Fit, asked: Situation) -> Filled:
    """The question with nothing left open.

    Raises
    ------
    NotFound, ModelRangeError
        A name that is not on the bench; a value that no model here was made for.
    """
    require_sensible(asked)
    return filled(fit, asked)


def air_for(fit: Fit, asked: Situation, target: Target) -> Air | None:
    """What is known of a drink's air, where the target asks for any."""
    return None if target.overrun_window is None else air_of(fit, asked.technique, asked.recipe)


def landing(prediction: Prediction, target: Target, air: Air | None) -> Landing:
    """The odds of landing in a target, at each duration of a prediction.

    Raises
    ------
    NotEnoughData
        A target that asks for overrun alone, where too few runs have foam measured.
    """
    without = odds_curve(prediction, target)
    if air is None:
        return Landing(without, without, None)
    if air.fit is None and not without.misses:
        raise NotEnoughData(f"the target asks for overrun alone. {air.why}")
    return Landing(with_air(without, air, target, prediction.duration_s), without, air)


def call_at(drink: DrinkPrediction, target: Target, curve: OddsCurve) -> Call:
    """The moment to call on a curve of odds."""
    times = drink.prediction.duration_s
    moment = best_moment(times, curve, drink.run_span_s)
    odds = float(np.interp(moment.duration_s, times, curve.odds))
    return Call(
        filled=drink.filled,
        target=target,
        basis=basis_at(
            drink.prediction.basis, drink.filled.asked.technique, moment.duration_s, drink.run_span_s
        ),
        duration_s=moment.duration_s,
        window_s=moment.window_s,
        odds=odds,
        feasible=odds >= USEFUL_ODDS,
    )


def call_for(fit: Fit, asked: Situation, target: Target, air: Air | None, draws: int = DRAWS) -> Call:
    """The call in short: what `advise` says, without its curves and levers.

    Parameters
    ----------
    air
        As `air_for` has it.

    Raises
    ------
    NotFound, ModelRangeError, NotEnoughData
        As `predict_drink` and `landing`.
    """
    drink = predict_drink(fit, asked, draws=draws)
    return call_at(drink, target, landing(drink.prediction, target, air).curve)


_SENSIBLE: Mapping[str, tuple[float, float, str]] = {
    "drink_temp_c": (-5.0, 95.0, "°C"),
    "drink_mass_g": (10.0, 3000.0, "g"),
    "ice_mass_g": (10.0, 5000.0, "g"),
    "ice_temp_c": (-40.0, 0.5, "°C"),
    "vessel_temp_c": (-30.0, 95.0, "°C"),
    "room_temp_c": (-10.0, 50.0, "°C"),
}


def require_sensible(situation: Situation) -> None:
    """Refuse a stated value that no model here was made for."""
    for name, (low, high, unit) in _SENSIBLE.items():
        value = getattr(situation, name)
        if value is not None and not low <= value <= high:
            raise ModelRangeError(
                f"{name} {value:g} {unit} is outside the model's range, {low:g} to {high:g} {unit}"
            )
