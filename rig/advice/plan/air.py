"""What planned runs would tell of a drink's air, beside its temperature and water: one foam reading more a run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.advice.call.search import run_span_s
from rig.advice.call.texture import READING_SD_PCT, Air
from rig.advice.plan.candidates import Candidate, Experiments
from rig.arrays import FloatArray
from rig.fitting.result import Fit
from rig.fitting.situation import Situation

_PLATEAU_PCT, _PLATEAU_SD_PCT, _LOG_TIME_SD = 50.0, 40.0, 0.7
"""What is known of a drink's air where too few runs have it measured: a rise to some plateau, give or take (common
practice, no source), within about the time that the drink is moved for."""
_RUN_SHARE = 0.15
"""Scatter of such a drink's overrun from run to run, as a share of the plateau (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class AirKnown:
    """The overrun of a technique and recipe as plateau·(1 − e^(−t ÷ time constant)), and how well it is known.

    `covariance` (2, 2) of the plateau [%] and the logarithm of the time constant [s]; `run_sd_pct`: how far a run's
    overrun lies from the curve. `about_s`: the duration about which it is to be known better: the called one, and where
    a call cannot count the air yet, the usual one, for nobody knows where the air will move the call to.
    """

    technique: str
    recipe: str
    plateau_pct: float
    time_constant_s: float
    covariance: FloatArray
    run_sd_pct: float
    about_s: float

    def made_by(self, situation: Situation) -> bool:
        """Whether such a run tells of this air."""
        return (situation.technique, situation.recipe) == (self.technique, self.recipe)

    def slopes(self, duration_s: FloatArray) -> FloatArray:
        """What the two change of the overrun [%] at each duration, (times, 2)."""
        share = np.asarray(duration_s, dtype=float) / self.time_constant_s
        left = np.exp(-share)
        return np.column_stack([1.0 - left, -self.plateau_pct * share * left])


def air_known(fit: Fit, call: Candidate, air: Air) -> AirKnown:
    """What is known of the air of a called drink."""
    s = call.situation
    if air.fit is None:
        covariance = np.diag([_PLATEAU_SD_PCT**2, _LOG_TIME_SD**2])
        run_sd = float(np.hypot(_RUN_SHARE * _PLATEAU_PCT, READING_SD_PCT))
        span_s = run_span_s(fit, s)
        usual_s = call.duration_s if span_s is None else float(np.sqrt(span_s[0] * span_s[1]))
        return AirKnown(s.technique, s.recipe, _PLATEAU_PCT, usual_s, covariance, run_sd, usual_s)
    plateau, weight = air.fit.fit.spread_of(lambda size, _: size)
    log_time, _ = air.fit.fit.spread_of(lambda _, rate: -np.log(rate))
    both = np.stack([plateau, log_time])
    mean = (weight * both).sum(axis=1)
    away = both - mean[:, None]
    return AirKnown(
        s.technique,
        s.recipe,
        float(mean[0]),
        float(np.exp(mean[1])),
        (weight * away) @ away.T,
        float(air.fit.scatter_pct),
        call.duration_s,
    )


def with_foam(experiments: Experiments, known: Sequence[AirKnown]) -> Experiments:
    """The same runs, each with its foam read as well where that tells of an air that is asked about."""
    if not known:
        return experiments
    runs, observations, effects = experiments.slopes.shape
    slopes = np.zeros((runs, observations + 1, effects + 2 * len(known)))
    slopes[:, :observations, :effects] = experiments.slopes
    noise = np.zeros((runs, observations + 1, observations + 1))
    noise[:, :observations, :observations] = experiments.noise
    noise[:, -1, -1] = 1.0
    covariance = np.zeros((slopes.shape[2], slopes.shape[2]))
    covariance[:effects, :effects] = experiments.covariance
    for k, air in enumerate(known):
        mine = slice(effects + 2 * k, effects + 2 * k + 2)
        covariance[mine, mine] = air.covariance
        for n, candidate in enumerate(experiments.candidates):
            if air.made_by(candidate.situation):
                slopes[n, -1, mine] = air.slopes(np.array([candidate.duration_s]))[0]
                noise[n, -1, -1] = air.run_sd_pct**2
    return replace(experiments, slopes=slopes, noise=noise, covariance=covariance)


def wanted_of_air(air: AirKnown, place: int, of: int, times_s: FloatArray) -> FloatArray:
    """(times, 2 · of): the air to be narrowed at these durations, in units of its scatter from run to run.

    `place` is its turn among the `of` airs that are asked about.
    """
    out = np.zeros((times_s.size, 2 * of))
    out[:, 2 * place : 2 * place + 2] = air.slopes(times_s) / air.run_sd_pct
    return out
