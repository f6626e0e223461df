"""Runs one could make next, and what each would show: slopes and scatter of its observations, all in one batch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np

from rig.advice.call.assumed import CONDITIONS, filled
from rig.advice.call.slopes import Known
from rig.advice.evidence.noise import observation_noise
from rig.arrays import FloatArray
from rig.fitting.effect_priors import run_sd_prior
from rig.fitting.misfit import MISFITS, MODES
from rig.fitting.observation_model import OBSERVATIONS, Problem, linearise
from rig.fitting.observations import BINS, Observations, strained_mass_g
from rig.fitting.prediction import run_spread
from rig.fitting.priors import MOTIONS, P
from rig.fitting.random_effects import MISFIT_SD, Owner, design_of
from rig.fitting.result import Fit
from rig.fitting.situation import SPREADS, Situation, nominals
from rig.physics.melt import node_fractions
from rig.runs import SetUp

_DURATION_FACTORS = (0.5, 0.7, 1.0, 1.4, 1.9)
_START_STEP_K = 10.0
_COLDEST_START_C, _HOTTEST_START_C = 4.0, 80.0
_SHORTEST_S = 3.0


@dataclass(frozen=True)
class Candidate:
    """A run that could be made: the drink before the ice, and how long to move it.

    `off_start_k`: how far its start lies from that of the call it is to tell of.
    """

    situation: Situation
    duration_s: float
    off_start_k: float = 0.0


@dataclass(frozen=True, eq=False)
class Experiments:
    """Runs that could be made, their observations linear in the effects.

    `slopes` (candidates, obs, effects + misfits); `noise` (candidates, obs, obs): run-to-run variation and
    noise; `covariance` of effects and misfits as known now. Misfits: what the model may miss at another
    start than the call's, as it may on another set-up; without them a drink that starts elsewhere would
    seem to tell as much as the drink itself.
    """

    candidates: tuple[Candidate, ...]
    slopes: FloatArray
    noise: FloatArray
    covariance: FloatArray


def candidates(
    fit: Fit,
    asked: Sequence[Candidate],
    set_ups: Sequence[SetUp] | None = None,
    start_temps_c: Sequence[float] | None = None,
) -> tuple[Candidate, ...]:
    """Runs worth considering for these calls: their drinks, shorter and longer, colder and warmer, here and near.

    Parameters
    ----------
    asked
        The calls to narrow: a situation with its called duration.
    set_ups
        Those that can be used; unless given, that of each call and the measured ones that share its technique
        and vessel, or its ice.
    start_temps_c
        Starts that can be made; unless given, the call's own, 10 K colder and 10 K warmer.
    """
    out: dict[Candidate, None] = {}
    for c in asked:
        s = c.situation
        usable = [s.set_up, *(x for x in fit.set_ups if _near(x, s.set_up))] if set_ups is None else set_ups
        starts = _starts(s, start_temps_c)
        for set_up, start, factor in product(dict.fromkeys(usable), starts, _DURATION_FACTORS):
            here = replace(s, technique=set_up.technique, vessel=set_up.vessel, ice=set_up.ice)
            if set_up.ice != s.ice:
                here = replace(here, ice_temp_c=None, ice_mass_g=None)
            if set_up.vessel != s.vessel:
                here = replace(here, vessel_temp_c=None)
            usual = c.duration_s * _pace(fit, s.technique) / _pace(fit, set_up.technique)
            longest = MOTIONS[fit.bench.motion(set_up.technique)].longest_s
            duration = float(np.clip(round(factor * usual), _SHORTEST_S, longest))
            off = start - (s.drink_temp_c or 0.0)
            out[Candidate(stated(fit, replace(here, drink_temp_c=start)), duration, off)] = None
    return tuple(out)


def stated(fit: Fit, s: Situation) -> Situation:
    """A planned run is weighed in and measured: it is made as usual, but nothing of it is unsure."""
    sure: dict[str, Any] = dict.fromkeys(SPREADS)
    known = replace(s, **sure)
    usual = filled(fit, known).situation
    values = {n: round(getattr(usual, n), 1) for n in CONDITIONS if getattr(s, n) is None}
    if s.drink_mass_g is None:
        values["drink_mass_g"] = round(float(nominals(fit.bench, [usual]).drink_mass_g[0]), 1)
    changes: dict[str, Any] = values
    return replace(known, **changes)


def _near(a: SetUp, b: SetUp) -> bool:
    return a.ice == b.ice or (a.technique, a.vessel) == (b.technique, b.vessel)


def _pace(fit: Fit, technique: str) -> float:
    return MOTIONS[fit.bench.motion(technique)].film_w_per_m2k


def _starts(s: Situation, told: Sequence[float] | None) -> list[float]:
    if told is not None:
        return list(dict.fromkeys(float(t) for t in told))
    assert s.drink_temp_c is not None
    steps = [
        float(np.clip(s.drink_temp_c + k, _COLDEST_START_C, _HOTTEST_START_C))
        for k in (-_START_STEP_K, 0.0, _START_STEP_K)
    ]
    return list(dict.fromkeys(round(t) if t != s.drink_temp_c else t for t in steps))


def problem_of(
    fit: Fit, runs: Sequence[Candidate], known: Known, observed: Observations | None = None
) -> Problem:
    """The candidates as the fit would take them in, observed as told, else as this bench usually observes."""
    situations = [c.situation for c in runs]
    nominal = nominals(fit.bench, situations)
    techniques = list(dict.fromkeys(s.technique for s in situations))
    duration = np.array([c.duration_s for c in runs])
    return Problem(
        nominal=nominal,
        observations=observed or _pretended(fit, nominal.inputs.drink_temp_c, duration),
        design=design_of(fit.bench, situations, nominal, known.random_effects),
        random_effects=known.random_effects,
        group=np.array([techniques.index(s.technique) for s in situations]),
        run_sd=np.array([run_sd_prior(fit.bench, t, fit.book.population) for t in techniques]),
    )


def linear_experiments(
    fit: Fit, runs: Sequence[Candidate], known: Known, observed: Observations | None = None
) -> Experiments:
    """What each candidate would show, linearised, observed as told, else as this bench usually observes."""
    situations = [c.situation for c in runs]
    techniques = [s.technique for s in situations]
    problem = problem_of(fit, runs, known, observed)
    nominal = problem.nominal
    linear = linearise(problem, known.mean, np.zeros((len(runs), len(P))))
    spread = np.stack(
        [run_spread(fit, s, problem.subset(np.array([k])).nominal) for k, s in enumerate(situations)]
    )
    j = linear.by_parameter
    noise = observation_noise(fit, techniques, nominal, problem.observations.bin_time_s, linear.observed)
    noise += np.einsum("cop,cp,cqp->coq", j, spread**2, j, optimize=True)
    misfits = list(dict.fromkeys(_elsewhere(c) for c in runs if c.off_start_k))
    effects = len(known.mean)
    slopes = np.zeros((len(runs), OBSERVATIONS, effects + MISFITS * len(misfits)))
    for k, index in enumerate(problem.design.effect_index):
        slopes[k][:, index] = linear.by_effect[k]
        if runs[k].off_start_k:
            first = effects + MISFITS * misfits.index(_elsewhere(runs[k]))
            slopes[k, :, first : first + MISFITS] = linear.by_effect[k][:, -MISFITS:]
    covariance = np.zeros((slopes.shape[2], slopes.shape[2]))
    covariance[:effects, :effects] = known.covariance
    of_drink = np.repeat([MISFIT_SD[Owner.WATER_DRINK], MISFIT_SD[Owner.TEMP_DRINK]], MODES)
    sd = np.array([of_drink * abs(off) / _START_STEP_K for *_, off in misfits]).ravel()
    covariance[range(effects, len(covariance)), range(effects, len(covariance))] = sd**2
    return Experiments(tuple(runs), slopes, noise, covariance)


def _elsewhere(c: Candidate) -> tuple[SetUp, str, float]:
    return c.situation.set_up, c.situation.recipe, c.off_start_k


def _pretended(fit: Fit, start_c: FloatArray, duration_s: FloatArray) -> Observations:
    runs = fit.book.used_runs()
    traced = not runs or any(r.trace is not None and r.trace.probe_c is not None for r in runs)
    weighed = not runs or any(strained_mass_g(r) is not None for r in runs) or not traced
    return pretended(start_c, duration_s, traced, weighed)


def pretended(start_c: FloatArray, duration_s: FloatArray, traced: bool, weighed: bool) -> Observations:
    """Readings at the usual times, of any value: slopes and noise do not depend on it."""
    count = duration_s.size
    edges = node_fractions(BINS)
    middle = duration_s[:, None] * 0.5 * (edges[1:] + edges[:-1])
    return Observations(
        duration_s=duration_s,
        strained_g=np.full(count, 1.0 if weighed else np.nan),
        probe_start_c=start_c if traced else np.full(count, np.nan),
        before_c=np.full(count, np.nan),
        bin_time_s=middle if traced else np.full(middle.shape, np.nan),
        bin_temp_c=np.zeros(middle.shape) if traced else np.full(middle.shape, np.nan),
    )
