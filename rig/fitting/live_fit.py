"""What this very run will do, given what its trace has shown so far.

Before the start, draws of the run are made from the fit, each with a hand, an ice and a probe of its own. While
the trace comes in, the draws are brought to it in two steps: first those that predicted it badly are dropped
(importance weights, tempered so that enough draws stay), then what is left is moved to the readings as if
draws and readings were jointly Gaussian (an ensemble update; Evensen, Ocean Dynamics 53 (2003) 343). The two
steps share the likelihood, so together they use the readings once. The first needs no linearity, the
second does not run out of draws.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import FloatArray, IntArray
from rig.fitting.linear_solve import TRACE_SD_PRIOR_K
from rig.fitting.misfit import MODES, misfit_basis
from rig.fitting.observation_model import BEFORE_SD_K, interpolated, trace_shape
from rig.fitting.observations import readings_until
from rig.fitting.prediction import (
    Prediction,
    at_times,
    parameter_draws,
    prediction_from,
    rising,
    run_course,
    stretched,
)
from rig.fitting.priors import LAG_MEDIAN_S, P
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.physics.melt import lagged
from rig.runs import Trace

_LEAST_EFFECTIVE_SHARE = 0.15
"""Effective share of the draws that the first step must leave."""
_ODD = 2.5
"""A trace further from its set-up than so many predictive spreads (root mean square) is called odd."""


@dataclass(frozen=True)
class Rehearsal:
    """Draws of a run that is about to be made.

    `prediction` holds what they come to before any reading, `drawn` the same as the model drew it, without the
    stretch that runs left out ask for; `node_s` (nodes,) and `temp_c`
    (nodes, draws) the liquid's course without misfit; `lag_s`, `offset_k`, `start_c` (draws,) the probe's time
    constant, its offset and the drink's temperature before the ice; `misfit_k` (draws, MODES) coefficients of
    the smooth misfit in temperature; `trace_sd_k` the noise; `longest_s` the technique's longest
    usual duration.
    """

    prediction: Prediction
    drawn: Prediction
    node_s: FloatArray
    temp_c: FloatArray
    lag_s: FloatArray
    offset_k: FloatArray
    start_c: FloatArray
    misfit_k: FloatArray
    trace_sd_k: float
    longest_s: float


@dataclass(frozen=True)
class Conditioned:
    """The draws after a trace: `trace_z` is how far it lay from what was predicted, in predictive spreads.

    `odd` says it lay so far that the run does not look like its set-up; the readings then count for less.
    `readings` is how many independent readings were used; none before the start.
    """

    prediction: Prediction
    trace_z: float
    readings: int

    @property
    def odd(self) -> bool:
        """Whether the run does not look like its set-up."""
        return self.trace_z > _ODD


def rehearse_run(
    fit: Fit, situation: Situation, duration_s: FloatArray, *, draws: int = 1024, seed: int = 21
) -> Rehearsal:
    """Draw the run before it is made; `duration_s` (times,) rising, [s].

    Raises
    ------
    NotFound, ModelRangeError
        A name not on the bench; a drink outside the range of the liquid properties.
    """
    times = rising(duration_s)
    f = parameter_draws(fit, situation, draws, seed)
    course = run_course([f], float(times[-1]))
    temp, added = (at_times(course, v, times) for v in (course.temp_c, course.added_g))
    spreads, longest = fit.posterior.spreads, float(f.nominal.longest_s[0])
    known = situation.technique in fit.techniques
    drawn = prediction_from(fit, situation, f, times, temp, added)
    return Rehearsal(
        prediction=stretched(fit, drawn),
        drawn=drawn,
        node_s=course.time_s[:, 0],
        temp_c=course.temp_c,
        lag_s=LAG_MEDIAN_S * np.exp(np.clip(f.parameters[:, P.LAG], -3.0, 3.0)),
        offset_k=f.parameters[:, P.OFFSET],
        start_c=f.nominal.inputs.drink_temp_c[0] + f.parameters[:, P.DRINK_TEMP],
        misfit_k=f.misfit[:, MODES:],
        trace_sd_k=float(spreads.trace_sd_k[fit.techniques.index(situation.technique)])
        if known
        else TRACE_SD_PRIOR_K,
        longest_s=longest,
    )


def given_trace(rehearsal: Rehearsal, trace: Trace, now_s: float, seed: int = 22) -> Conditioned:
    """The draws of the run, given its trace until `now_s` [s] from the start of motion.

    Returns
    -------
    As many equally likely draws as before, on the same durations.
    """
    readings = _readings(rehearsal, trace, now_s)
    if readings is None:
        return Conditioned(rehearsal.prediction, np.nan, 0)
    observed, predicted, noise = readings
    z = _predictive_z(observed, predicted, noise)
    if z > _ODD:
        noise = noise * (z / _ODD) ** 2
    rng = np.random.default_rng(seed)
    power, resampled = _importance_resample(observed, predicted, noise, rng)
    p = rehearsal.drawn
    state = np.concatenate([p.temp_c, p.added_g], axis=1)[resampled]
    if power < 1.0:
        state = _ensemble_update(state, observed, predicted[resampled], noise / (1.0 - power), rng)
    temp, added = np.split(state, 2, axis=1)
    added = np.maximum(added, 0.0)
    after = replace(
        p,
        temp_c=temp,
        added_g=added,
        dilution_by_volume=added / p.start_volume_ml,
        held_back_g=p.held_back_g[resampled],
    )
    return Conditioned(after, z, observed.size)


def _readings(r: Rehearsal, trace: Trace, now_s: float) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Readings (obs,), what each draw predicted (draws, obs), and their noise (obs, obs); None before any."""
    if trace.probe_c is None or now_s <= 0.0:
        return None
    so_far = readings_until(trace, now_s)
    start = r.temp_c[0] if not np.isfinite(so_far.start_c) else so_far.start_c - r.offset_k
    nodes = np.broadcast_to(r.node_s[:, None], r.temp_c.shape)
    probe = lagged(nodes, r.temp_c, r.lag_s, start)
    good = np.isfinite(so_far.bin_temp_c)
    times, observed = so_far.bin_time_s[good], so_far.bin_temp_c[good]
    predicted = interpolated(nodes, probe, np.broadcast_to(times, (r.lag_s.size, times.size)))
    predicted = predicted + r.offset_k[:, None] + r.misfit_k @ misfit_basis(times, np.asarray(r.longest_s)).T
    noise = r.trace_sd_k**2 * trace_shape(times, np.asarray(r.longest_s))
    before = so_far.before_c
    if np.isfinite(before) and abs(before - float(np.mean(r.start_c))) < 2.0:
        observed, predicted = (
            np.append(observed, before),
            np.column_stack([predicted, r.start_c + r.offset_k]),
        )
        noise = np.pad(noise, (0, 1))
        noise[-1, -1] = BEFORE_SD_K**2
    return (observed, predicted, noise) if observed.size else None


def _predictive_z(observed: FloatArray, predicted: FloatArray, noise: FloatArray) -> float:
    away = observed - predicted.mean(axis=0)
    spread = np.atleast_2d(np.cov(predicted.T)) + noise
    return float(np.sqrt(away @ np.linalg.solve(spread, away) / away.size))


def _importance_resample(
    observed: FloatArray, predicted: FloatArray, noise: FloatArray, rng: np.random.Generator
) -> tuple[float, IntArray]:
    """How much of the likelihood the weights may use, and the indices of the draws resampled by them."""
    away = observed - predicted
    cost = 0.5 * np.einsum("jo,oq,jq->j", away, np.linalg.inv(noise), away, optimize=True)
    cost -= cost.min()

    def share(power: float) -> float:
        w = np.exp(-power * cost)
        return float(w.sum() ** 2 / np.sum(w**2) / w.size)

    low, high = 0.0, 1.0
    if share(1.0) >= _LEAST_EFFECTIVE_SHARE:
        low = 1.0
    else:
        for _ in range(20):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if share(middle) >= _LEAST_EFFECTIVE_SHARE else (low, middle)
    weight = np.cumsum(np.exp(-low * cost))
    steps = (np.arange(cost.size) + rng.uniform()) / cost.size
    return low, np.searchsorted(weight / weight[-1], steps).astype(np.int64)


def _ensemble_update(
    state: FloatArray,
    observed: FloatArray,
    predicted: FloatArray,
    noise: FloatArray,
    rng: np.random.Generator,
) -> FloatArray:
    """Draws moved by the gain that their own covariance with the readings gives."""
    apart, shift = predicted - predicted.mean(axis=0), state - state.mean(axis=0)
    count = state.shape[0] - 1
    spread = apart.T @ apart / count + noise
    error = rng.multivariate_normal(np.zeros(observed.size), noise, size=state.shape[0], method="cholesky")
    gain = np.linalg.solve(spread, apart.T @ shift / count)
    moved: FloatArray = state + (observed + error - predicted) @ gain
    return moved
