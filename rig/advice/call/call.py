"""The call: how long to shake so that the drink lands in its target, with what odds, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.advice.call.calling import (
    DRAWS,
    USEFUL_ODDS,
    Call,
    DrinkPrediction,
    Landing,
    air_for,
    call_at,
    landing,
    predict_drink,
)
from rig.advice.call.cautions import cautions, contents
from rig.advice.call.ice_limits import IceLimits, ice_limits
from rig.advice.call.levers import Lever, levers
from rig.advice.call.search import Moment, Span, extrapolated, limited_by
from rig.advice.call.texture import Texture, tell
from rig.advice.call.words import headline, top_lever
from rig.arrays import BoolArray, FloatArray
from rig.bench import Target
from rig.fitting.result import Fit
from rig.fitting.situation import Situation

_MOST_SHOWN = 160


@dataclass(frozen=True)
class Band:
    """5th, 50th and 95th percentile of a quantity against duration, (times,) each."""

    p05: FloatArray
    p50: FloatArray
    p95: FloatArray

    def take(self, index: np.ndarray) -> Band:
        """The band at some of its durations."""
        return Band(self.p05[index], self.p50[index], self.p95[index])

    def to_dict(self, digits: int) -> dict[str, list[float]]:
        """The three percentiles as lists."""
        return {k: _rounded(getattr(self, k), digits) for k in ("p05", "p50", "p95")}


@dataclass(frozen=True)
class Advice(Call):
    """The call for one drink on one set-up, in full.

    `limited_by`: in plain words, what ends the window on each side. `run_span_s`: shortest and longest run of
    this drink on this set-up [s], None with no run; `extrapolated` (times,): which durations lie outside.
    `texture` is None where the target asks for no overrun; else its odds are in `odds` wherever enough runs have
    foam measured. `ice_limits`: what heat alone allows, None beyond the range of the properties. Levers and
    ice limits come with the call in full (`with_levers`), for no number waits for them.
    """

    limited_by: Mapping[str, str]
    run_span_s: Span | None
    time_s: FloatArray
    odds_at: FloatArray
    extrapolated: BoolArray
    temp_c: Band
    dilution_by_volume: Band
    abv_pct: Band
    volume_ml: Band
    at_call: Mapping[str, tuple[float, float, float]]
    cautions: tuple[str, ...]
    levers: tuple[Lever, ...] = ()
    texture: Texture | None = None
    ice_limits: IceLimits | None = None

    @property
    def slip_s(self) -> Span:
        """How many seconds early and late the window forgives."""
        return self.duration_s - self.window_s[0], self.window_s[1] - self.duration_s

    @property
    def summary(self) -> str:
        """The call in one line, and where it does not land often what would help most."""
        return headline(self) + "." + top_lever(self.feasible, self.levers)

    def to_dict(self) -> dict[str, Any]:
        """The call with stable keys, units in the names; what `advise --json` prints.

        `assumed`: start, ice temperature, ice mass, vessel and room that the call is for, each as
        `{"value", "std", "from"}`. `basis.duration_s`: the span of the runs of this drink here, null with none;
        `curve.extrapolated`: which durations lie outside it.
        """
        return {
            "summary": self.summary,
            "technique": self.situation.technique,
            "vessel": self.situation.vessel,
            "ice": self.situation.ice,
            "recipe": self.situation.recipe,
            "duration_s": round(self.duration_s, 2),
            "window_s": [round(x, 2) for x in self.window_s],
            "slip_s": [round(x, 2) for x in self.slip_s],
            "odds": round(self.odds, 4),
            "feasible": self.feasible,
            "assumed": self.filled.to_dict(),
            "limited_by": dict(self.limited_by),
            "basis": {
                "runs": self.basis.runs,
                "kind": self.basis.kind.value,
                "related_runs": self.basis.related_runs,
                "duration_s": None if self.run_span_s is None else [round(x, 2) for x in self.run_span_s],
                "extrapolated": list(self.basis.extrapolated),
                "others": self.basis.others or None,
            },
            "target": {
                "name": self.target.name,
                "serve_temp_c_max": self.target.serve_temp_c_max,
                "serve_temp_c_min": self.target.serve_temp_c_min,
                "dilution_by_volume": _listed(self.target.dilution_by_volume),
                "abv_pct": _listed(self.target.abv_pct),
                "volume_ml": _listed(self.target.volume_ml),
            },
            "at_call": {k: {"p05": v[0], "p50": v[1], "p95": v[2]} for k, v in self.at_call.items()},
            "curve": {
                "duration_s": _rounded(self.time_s, 3),
                "odds": _rounded(self.odds_at, 4),
                "extrapolated": [bool(x) for x in self.extrapolated],
                "temp_c": self.temp_c.to_dict(3),
                "dilution_by_volume": self.dilution_by_volume.to_dict(4),
                "abv_pct": self.abv_pct.to_dict(3),
                "volume_ml": self.volume_ml.to_dict(2),
            },
            "cautions": list(self.cautions),
            "levers": [lever.to_dict() for lever in self.levers],
            "texture": None if self.texture is None else self.texture.to_dict(),
            "ice_limits": None if self.ice_limits is None else self.ice_limits.to_dict(),
        }


def _rounded(values: FloatArray, digits: int) -> list[float]:
    return [float(x) for x in np.round(values, digits)]


def _listed(window: tuple[float, float] | None) -> list[float] | None:
    return None if window is None else list(window)


def advise(
    fit: Fit,
    *,
    technique: str,
    vessel: str,
    ice: str,
    recipe: str,
    target: Target,
    drink_temp_c: float | None = None,
    drink_mass_g: float | None = None,
    ice_mass_g: float | None = None,
    ice_temp_c: float | None = None,
    vessel_temp_c: float | None = None,
    room_temp_c: float | None = None,
    draws: int = DRAWS,
    with_levers: bool = True,
) -> Advice:
    """How long to move this drink on this ice so that it lands in the target.

    What is not given is taken as `assumed.filled` has it: as usual for the drink, set-up and bench, else as
    described, each with a wider spread than a measured value.

    Parameters
    ----------
    draws
        Other than usual for a rougher or finer answer, which then is not the one that screens show.

    Raises
    ------
    NotFound
        A vessel, ice or recipe that is not on the bench.
    ModelRangeError
        A value outside the model's range; the message says the range.
    NotEnoughData
        A target that asks for overrun alone, where too few runs have foam measured.
    """
    asked = Situation(
        technique,
        vessel,
        ice,
        recipe,
        drink_temp_c,
        drink_mass_g,
        ice_mass_g,
        ice_temp_c,
        vessel_temp_c,
        room_temp_c,
    )
    return advice_on(fit, asked, target, draws=draws, with_levers=with_levers)


def advice_on(
    fit: Fit, asked: Situation, target: Target, *, draws: int = DRAWS, with_levers: bool = True
) -> Advice:
    """As `advise`, for a situation."""
    drink = predict_drink(fit, asked, draws=draws)
    found = landing(drink.prediction, target, air_for(fit, asked, target))
    advice = _advice(fit, drink, found, call_at(drink, target, found.curve))
    return completed(fit, advice, draws=draws) if with_levers else advice


def completed(fit: Fit, advice: Advice, *, draws: int = DRAWS) -> Advice:
    """A call with what no number waits for: its levers, and what heat alone allows."""
    return replace(
        advice,
        levers=levers(fit, advice, draws=draws),
        ice_limits=ice_limits(fit, advice.situation, advice.target),
    )


def _advice(fit: Fit, drink: DrinkPrediction, found: Landing, call: Call) -> Advice:
    prediction, times = drink.prediction, drink.prediction.duration_s
    bands = {
        "temp_c": band(prediction.temp_c),
        "dilution_by_volume": band(prediction.dilution_by_volume),
        "abv_pct": band(prediction.abv_pct()),
        "volume_ml": band(prediction.volume_ml()),
    }
    at_call = {name: _at(times, b, call.duration_s) for name, b in bands.items()}
    low, middle, high = (round(d / (1 + d), 4) for d in at_call["dilution_by_volume"])
    at_call["dilution_of_finished_drink"] = low, middle, high
    shown = _thin(times)
    texture = None
    if found.air is not None:
        plain = call_at(drink, call.target, found.without)
        texture = tell(
            found.air,
            call.situation,
            call.target,
            times,
            found.without,
            call.duration_s,
            (plain.duration_s, plain.odds),
        )
    return Advice(
        **vars(call),
        limited_by=limited_by(times, found.curve, Moment(call.duration_s, call.window_s)),
        run_span_s=drink.run_span_s,
        time_s=times[shown],
        odds_at=found.curve.odds[shown],
        extrapolated=extrapolated(times[shown], drink.run_span_s),
        temp_c=bands["temp_c"].take(shown),
        dilution_by_volume=bands["dilution_by_volume"].take(shown),
        abv_pct=bands["abv_pct"].take(shown),
        volume_ml=bands["volume_ml"].take(shown),
        at_call=at_call,
        cautions=cautions(fit.bench, drink.filled, contents(fit.bench, drink.filled.situation, prediction)),
        texture=texture,
    )


def band(draws: FloatArray) -> Band:
    """Percentiles over draws of shape (draws, times)."""
    return Band(*np.percentile(draws, [5.0, 50.0, 95.0], axis=0))


def _at(times: FloatArray, b: Band, time_s: float) -> tuple[float, float, float]:
    low, middle, high = (round(float(np.interp(time_s, times, p)), 4) for p in (b.p05, b.p50, b.p95))
    return low, middle, high


def _thin(times: FloatArray) -> np.ndarray:
    if times.size <= _MOST_SHOWN:
        return np.arange(times.size)
    return np.unique(np.linspace(0, times.size - 1, _MOST_SHOWN).astype(int))


__all__ = ["USEFUL_ODDS", "Advice", "Band", "Call", "advice_on", "advise", "band"]
