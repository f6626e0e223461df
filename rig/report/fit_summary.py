"""A fit in the numbers a bar asks for, one line a set-up."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.advice.call.assumed import filled
from rig.advice.live.hand import cadence_power
from rig.arrays import FloatArray
from rig.fitting.prediction import parameter_draws, predict
from rig.fitting.priors import LAG_MEDIAN_S, P
from rig.fitting.result import Fit, RunFit, Verdict
from rig.fitting.situation import Situation, inputs_for
from rig.runs import SetUp
from rig.signals.moments import Z90

CHILLED = 0.9
"""Share of the chill that counts as chilled."""
DRAWS = 256
_POINTS = 80


@dataclass(frozen=True)
class Percentiles:
    """5th, 50th and 95th percentile of what is known of one number."""

    p05: float
    p50: float
    p95: float

    @classmethod
    def of(cls, draws: FloatArray) -> Percentiles:
        """Of draws, (draws,)."""
        return cls(*(float(x) for x in np.percentile(draws, [5.0, 50.0, 95.0])))

    def to_dict(self, digits: int = 3) -> dict[str, float]:
        """Stable keys."""
        return {k: round(v, digits) for k, v in vars(self).items()}


@dataclass(frozen=True)
class SetUpFit:
    """How a set-up behaves, for its usual drink at its usual conditions.

    `runs` counts the sound ones. `chill_time_s`: to nine tenths of the chill that its longest run reaches.
    `ice_w_per_k`: conductance from drink to ice at the start. `surface_water_pct`: of the ice's mass.
    `spread_dilution`, `spread_temp_k`: standard deviation from run to run after `spread_at_s`, the middle of
    its durations, as dilution by volume and in kelvin. `probe_lag_s`: None where no run has a trace.
    """

    set_up: SetUp
    recipe: str
    runs: int
    doubtful: tuple[RunFit, ...]
    duration_s: tuple[float, float]
    chill_time_s: Percentiles
    ice_w_per_k: Percentiles
    surface_water_pct: Percentiles
    held_back_g: Percentiles
    probe_lag_s: Percentiles | None
    spread_at_s: float
    spread_dilution: float
    spread_temp_k: float

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names; an entry of `fit --json`."""
        return {
            "technique": self.set_up.technique,
            "vessel": self.set_up.vessel,
            "ice": self.set_up.ice,
            "recipe": self.recipe,
            "runs": self.runs,
            "duration_s": [round(x, 2) for x in self.duration_s],
            "chill_time_s": self.chill_time_s.to_dict(),
            "ice_w_per_k": self.ice_w_per_k.to_dict(),
            "surface_water_pct": self.surface_water_pct.to_dict(),
            "held_back_g": self.held_back_g.to_dict(),
            "probe_lag_s": None if self.probe_lag_s is None else self.probe_lag_s.to_dict(),
            "run_to_run": {
                "at_s": round(self.spread_at_s, 2),
                "dilution_by_volume_sd": round(self.spread_dilution, 4),
                "temp_sd_k": round(self.spread_temp_k, 3),
            },
            "doubtful": [{"run": r.run, "reasons": list(r.reasons)} for r in self.doubtful],
        }


@dataclass(frozen=True)
class HandFit:
    """What the cadence of the hand does under one technique.

    `runs`: how many had their strokes counted; `usual_hz` strokes a second; `faster_pct`: by how much more heat
    passes [%] with a cadence 10 % above the usual one.
    """

    technique: str
    runs: int
    usual_hz: float
    faster_pct: Percentiles

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "technique": self.technique,
            "runs": self.runs,
            "usual_cadence_hz": round(self.usual_hz, 2),
            "faster_pct": self.faster_pct.to_dict(1),
        }

    def sentence(self) -> str:
        """What a quicker hand does, in words, without a full stop."""
        p, runs = self.faster_pct, "1 run" if self.runs == 1 else f"{self.runs} runs"
        counted = f"strokes counted in {runs}, usually {self.usual_hz:.1f} a second"
        within = f"90 % range {p.p05:z.0f} to {p.p95:z.0f} %"
        if p.p05 > 0.0:
            return f"{counted}; a hand one tenth quicker chills {p.p50:z.0f} % faster ({within})"
        if p.p95 < 0.0:
            return f"{counted}; a hand one tenth quicker chills {-p.p50:z.0f} % slower ({within} faster)"
        return f"{counted}; whether a quicker hand chills faster these runs cannot tell yet ({within})"


_QUICKER = 1.1


def hand_fits(fit: Fit) -> tuple[HandFit, ...]:
    """Every technique of a fit whose strokes were counted in some of its runs."""
    out = []
    for technique, usual in fit.cadences.items():
        found = cadence_power(fit, technique)
        power = found.mean + Z90 * found.std * np.array([-1.0, 0.0, 1.0])
        low, middle, high = (float(x) for x in 100.0 * np.expm1(power * np.log(_QUICKER)))
        out.append(HandFit(technique, usual.runs, usual.median_hz, Percentiles(low, middle, high)))
    return tuple(out)


def set_up_fits(fit: Fit, draws: int = DRAWS) -> tuple[SetUpFit, ...]:
    """Every set-up of a fit, in its order."""
    traced = {r.run for r in fit.book.runs if r.trace is not None and r.trace.probe_c is not None}
    return tuple(_set_up_fit(fit, s, traced, draws) for s in fit.set_ups)


def _set_up_fit(fit: Fit, set_up: SetUp, traced: set[str], draws: int) -> SetUpFit:
    runs = fit.runs_of(set_up)
    recipe = Counter(r.recipe for r in runs).most_common(1)[0][0]
    situation = filled(fit, Situation(set_up.technique, set_up.vessel, set_up.ice, recipe)).situation
    spans = [m.duration_s for (s, _), m in fit.measured.items() if s == set_up]
    low, high = min(s[0] for s in spans), max(s[1] for s in spans)
    times = high * np.linspace(0.0, 1.0, _POINTS) ** 1.5
    times[0] = times[1] / 20.0
    average = predict(fit, situation, times, draws=draws, new_run=False)
    middle = float(np.median([r.duration_s for r in runs if r.duration_s is not None]))
    single = predict(fit, situation, np.array([middle]), draws=draws)
    usual = [_at(middle, times, values) for values in (average.dilution_by_volume, average.temp_c)]
    known = parameter_draws(fit, situation, draws, seed=20, new_run=False)
    inputs = inputs_for(known.nominal, known.parameters, known.rows)
    lag = LAG_MEDIAN_S * np.exp(np.clip(known.parameters[:, P.LAG], -3.0, 3.0))
    return SetUpFit(
        set_up=set_up,
        recipe=recipe,
        runs=sum(r.verdict is Verdict.GOOD for r in runs),
        doubtful=tuple(r for r in runs if r.verdict is Verdict.DOUBTFUL),
        duration_s=(low, high),
        chill_time_s=Percentiles.of(_chill_time_s(times, average.temp_c)),
        ice_w_per_k=Percentiles.of(inputs.ice_w_per_k),
        surface_water_pct=Percentiles.of(100.0 * inputs.surface_water_g / inputs.ice_mass_g),
        held_back_g=Percentiles.of(average.held_back_g),
        probe_lag_s=Percentiles.of(lag) if any(r.run in traced for r in runs) else None,
        spread_at_s=middle,
        spread_dilution=_own_sd(single.dilution_by_volume[:, 0], usual[0]),
        spread_temp_k=_own_sd(single.temp_c[:, 0], usual[1]),
    )


def _chill_time_s(times: FloatArray, temp_c: FloatArray) -> FloatArray:
    """When each course, (draws, times), has made nine tenths of its chill."""
    start, coldest = temp_c[:, :1], temp_c.min(axis=1, keepdims=True)
    there = temp_c <= start - CHILLED * (start - coldest)
    right = np.maximum(there.argmax(axis=1), 1)
    row = np.arange(len(temp_c))
    goal = (start - CHILLED * (start - coldest))[:, 0]
    before, after = temp_c[row, right - 1], temp_c[row, right]
    share = np.where(before > after, (before - goal) / np.where(before > after, before - after, 1.0), 1.0)
    found: FloatArray = times[right - 1] + share * (times[right] - times[right - 1])
    return found


def _at(time_s: float, times: FloatArray, values: FloatArray) -> FloatArray:
    """Values of courses, (draws, times), at one time, (draws,)."""
    right = int(np.clip(np.searchsorted(times, time_s), 1, len(times) - 1))
    w = (time_s - times[right - 1]) / (times[right] - times[right - 1])
    found: FloatArray = (1 - w) * values[:, right - 1] + w * values[:, right]
    return found


def _own_sd(single: FloatArray, average: FloatArray) -> float:
    """What single runs scatter beyond how well their average is known."""
    return math.sqrt(max(float(np.var(single)) - float(np.var(average)), 0.0))
