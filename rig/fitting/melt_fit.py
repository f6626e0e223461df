"""Fit the melt model to all runs of a bench at once.

A hierarchical nonlinear regression. Each run's parameters are shared effects (see `latents`) plus the run's
own departures: the hand is never twice the same, and stated temperatures and weights are not exact. Around
the current estimate the model is linear, so the runs' departures are integrated out in closed form, the
shared effects are solved for with their priors, and the spreads of departures and noise are updated by
expectation–maximisation (Lindstrom & Bates, Biometrics 46 (1990) 673, is this scheme for mixed models;
Dempster, Laird & Rubin, J. R. Stat. Soc. B 39 (1977) 1). A weighing or trace that no departure explains is
given less weight by a Student-t scale (Lange, Little & Taylor, J. Am. Stat. Assoc. 84 (1989) 881).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import FloatArray
from rig.fitting.evidence import BINS
from rig.fitting.latents import Latents
from rig.fitting.observing import (
    STRAINED,
    Linearised,
    Problem,
    discrepancy_slopes,
    expected,
    linearise,
    scatter,
    smooth_basis,
)
from rig.fitting.priors import LAG_MEDIAN_S, LATE_G, P

_STUDENT_DF = 4.0
BELIEVED = 0.3
"""A run whose robust weight falls below this does not count when spreads are learned."""
_INNER = 4
_LONGEST_STEP = 1.5
_SMALL_STEP = 0.15

RUN_PARAMETERS = (P.RATE, P.WET, P.OFFSET)
"""What varies from run to run with a spread that is learned from the runs (inputs vary with known spread)."""
RUN_SD_PRIOR = {P.WET: 0.30, P.LAG: 0.06, P.OFFSET: 0.10}
"""The lag's is not learned: it is the same probe in every run, and a free lag would take the hand's part."""
_PRIOR_RUNS = 8.0
STRAINED_SD_PRIOR_G = 0.9
TRACE_SD_PRIOR_K = 0.20


@dataclass(frozen=True)
class Spreads:
    """Standard deviations that the runs teach.

    `run_sd` (groups, parameters): departures of a run from its set-up; a group is a technique.
    `strained_sd_g` (groups,), `trace_sd_k` (groups,): noise and misfit.
    """

    run_sd: FloatArray
    strained_sd_g: FloatArray
    trace_sd_k: FloatArray


@dataclass(frozen=True)
class MeltPosterior:
    """The fitted effects, approximately Gaussian, and what each run departed by.

    `effects`, (effects,); `covariance` (effects, effects); `departures`, `departure_sd` (runs, parameters);
    `end_temp_c`, `end_added_g` (runs,): the run's own fitted state at its end; `strained_residual_g`,
    `strained_z` (runs,): measured less expected, before the run's own departures, plainly and in units of
    its predictive spread; `trace_z` (runs,): root mean square of the trace's standardised residuals;
    `weight` (runs, 2): robust weight of trace and strained mass.
    """

    latents: Latents
    effects: FloatArray
    covariance: FloatArray
    spreads: Spreads
    departures: FloatArray
    departure_sd: FloatArray
    end_temp_c: FloatArray
    end_added_g: FloatArray
    expected_temp_c: FloatArray
    expected_added_g: FloatArray
    expected_strained_g: FloatArray
    strained_residual_g: FloatArray
    strained_sd_g: FloatArray
    strained_z: FloatArray
    trace_z: FloatArray
    weight: FloatArray
    iterations: int
    converged: bool


Progress = Callable[[float], None]


def fit_melt(problem: Problem, progress: Progress | None = None) -> MeltPosterior:
    """Fit by repeated linearisation, as described at the top.

    A slow probe and a slow shake look alike at first, so the posterior can have a false summit. Scouts with
    the lag held at several values climb on a part of the runs; the full fit starts where the best one stood.
    """
    report = progress or (lambda share: None)
    state = _scouted(problem, lambda share: report(0.4 * share))
    state, iterations, converged = _climb(problem, state, 16, lambda share: report(0.4 + 0.6 * share))
    return _posterior(
        problem, linearise(problem, state.effects, state.departures), state, iterations, converged
    )


def _climb(problem: Problem, state: _State, most: int, report: Progress) -> tuple[_State, int, bool]:
    """Linearise, solve and step until the steps are small; says after how many, and whether they were."""
    iteration, step, caution = 0, np.inf, 1.0
    for iteration in range(1, most + 1):
        linear = linearise(problem, state.effects, state.departures)
        proposal = state
        for _ in range(_INNER):
            proposal = _update(problem, linear, proposal, learn=iteration > 1)
        before, step = step, _move(problem, state, proposal)
        caution = max(0.6 * caution, 0.2) if step > 0.7 * before else min(1.0, 1.3 * caution)
        state = _towards(state, proposal, min(caution, _LONGEST_STEP / max(step, 1e-12)))
        report(iteration / most)
        if iteration > 3 and step < _SMALL_STEP:
            return state, iteration, True
    return state, iteration, False


_SCOUT_LAGS_S = (0.3, 1.2, 3.0, 6.5)
_SCOUT_RUNS = 28
_SCOUT_STEPS = 6


def _scouted(problem: Problem, report: Progress) -> _State:
    """A start from the best of a few fits with the probe's lag held."""
    start = _State.start(problem)
    lag = [k for k, (parameter, *_) in enumerate(problem.latents.keys) if parameter is P.LAG]
    if not np.any(np.isfinite(problem.evidence.bin_temp_c)):
        return start
    rows = np.unique(np.linspace(0, len(problem) - 1, _SCOUT_RUNS).astype(np.int64))
    few = problem.subset(rows)
    best, best_score = start.effects, -np.inf
    for n, lag_s in enumerate(_SCOUT_LAGS_S):
        held = problem.latents.held({lag[0]: float(np.log(lag_s / LAG_MEDIAN_S))})
        scout = replace(few, latents=held)
        from_here = replace(_State.start(few), effects=held.prior_mean.copy())
        state, *_ = _climb(scout, from_here, _SCOUT_STEPS, lambda share: None)
        score = _solve(few, linearise(few, state.effects, state.departures), state).log_evidence
        if score > best_score:
            best, best_score = state.effects, score
        report((n + 1) / len(_SCOUT_LAGS_S))
    return replace(start, effects=best)


@dataclass(frozen=True)
class _State:
    effects: FloatArray
    departures: FloatArray
    spreads: Spreads
    weight: FloatArray

    @staticmethod
    def start(problem: Problem) -> _State:
        groups = int(problem.group.max()) + 1
        run_sd = np.zeros((groups, len(P)))
        run_sd[:, P.RATE] = problem.run_rate_sd
        for parameter, sd in RUN_SD_PRIOR.items():
            run_sd[:, parameter] = sd
        n = len(problem)
        return _State(
            effects=np.zeros(len(problem.latents)),
            departures=np.zeros((n, len(P))),
            spreads=Spreads(run_sd, np.full(groups, STRAINED_SD_PRIOR_G), np.full(groups, TRACE_SD_PRIOR_K)),
            weight=np.ones((n, 2)),
        )


def _noise(problem: Problem, state: _State, seen: np.ndarray) -> FloatArray:
    """(runs, obs, obs) covariance of noise and misfit, wider for runs of little weight."""
    trace = state.spreads.trace_sd_k[problem.group] ** 2
    strained = state.spreads.strained_sd_g[problem.group] ** 2 + problem.nominal.drink_mass_sd_g**2
    return scatter(
        trace / state.weight[:, 0],
        strained / state.weight[:, 1],
        problem.evidence.bin_time_s,
        problem.nominal.longest_s,
        seen,
    )


def _run_variance(problem: Problem, state: _State) -> FloatArray:
    return np.asarray(state.spreads.run_sd[problem.group] ** 2 + problem.nominal.spread**2)


@dataclass(frozen=True)
class _Solved:
    effects: FloatArray
    covariance: FloatArray
    departures: FloatArray
    departure_variance: FloatArray
    left: FloatArray
    noise: FloatArray
    marginal: FloatArray
    predictive_z: FloatArray
    log_evidence: float


def _solve(problem: Problem, linear: Linearised, state: _State) -> _Solved:
    members = problem.composition.members
    variance = _run_variance(problem, state)
    noise = _noise(problem, state, linear.seen)
    j, g = linear.by_parameter, linear.by_effect
    marginal = noise + np.einsum("rop,rp,rqp->roq", j, variance, j, optimize=True)
    precision = np.linalg.inv(marginal)
    weighted = np.matmul(np.swapaxes(g, 1, 2), precision)
    prior = 1.0 / problem.latents.prior_sd**2
    information = np.diag(prior)
    np.add.at(information, (members[:, :, None], members[:, None, :]), np.matmul(weighted, g))
    score = prior * problem.latents.prior_mean
    np.add.at(score, members, np.einsum("reo,ro->re", weighted, linear.pseudo))
    covariance = np.linalg.inv(information)
    effects = covariance @ score
    rest = linear.pseudo - np.einsum("roe,re->ro", g, effects[members])
    gain = variance[:, :, None] * np.matmul(np.swapaxes(j, 1, 2), precision)
    departures = np.einsum("rpo,ro->rp", gain, rest)
    own = covariance[members[:, :, None], members[:, None, :]]
    spread = np.matmul(gain, g)
    departure_variance = variance - np.einsum("rpo,rop->rp", gain, j) * variance
    departure_variance += np.einsum("rpe,ref,rpf->rp", spread, own, spread, optimize=True)
    left = rest - np.einsum("rop,rp->ro", j, departures)
    away = effects - problem.latents.prior_mean
    log_evidence = -0.5 * float(
        np.einsum("ro,roq,rq->", rest, precision, rest, optimize=True)
        + np.linalg.slogdet(marginal)[1].sum()
        + np.sum(prior * away**2)
        + np.linalg.slogdet(information)[1]
        - np.sum(np.log(prior))
    )
    return _Solved(
        effects,
        np.asarray(covariance, dtype=float),
        departures,
        np.maximum(departure_variance, 1e-12),
        left,
        noise,
        marginal,
        rest,
        log_evidence,
    )


def _update(problem: Problem, linear: Linearised, state: _State, learn: bool) -> _State:
    """One solve of the linear problem, and one update of spreads and weights with it."""
    solved = _solve(problem, linear, state)
    return _State(
        effects=solved.effects,
        departures=solved.departures,
        spreads=_spreads(problem, linear, state, solved) if learn else state.spreads,
        weight=_weights(linear, solved) if learn else state.weight,
    )


def _move(problem: Problem, old: _State, new: _State) -> float:
    """The largest move of an effect, in its prior spreads."""
    return float(np.max(np.abs(new.effects - old.effects) / problem.latents.prior_sd, initial=0.0))


def _towards(old: _State, new: _State, share: float) -> _State:
    """Part of the way to the proposal: not so far that the linear model means nothing there."""
    share = min(1.0, share)
    effects = old.effects + share * (new.effects - old.effects)
    departures = old.departures + share * (new.departures - old.departures)
    return replace(new, effects=effects, departures=departures)


def _weights(linear: Linearised, solved: _Solved) -> FloatArray:
    """Student-t weights of each run's trace and strained mass from what its own spread leaves unexplained."""
    z2 = solved.predictive_z**2 / np.diagonal(solved.marginal, axis1=1, axis2=2)
    count = linear.seen[:, :BINS].sum(axis=1)
    trace = np.where(
        count > 0, (z2[:, :BINS] * linear.seen[:, :BINS]).sum(axis=1) / np.maximum(count, 1), 0.0
    )
    strained = np.where(linear.seen[:, STRAINED], z2[:, STRAINED], 0.0)
    scale = np.column_stack([trace, strained])
    return np.minimum((_STUDENT_DF + 1.0) / (_STUDENT_DF + scale), 1.0)


def _spreads(problem: Problem, linear: Linearised, state: _State, solved: _Solved) -> Spreads:
    """Expectation–maximisation of the spreads, each held by a prior worth a few runs."""
    start = _State.start(problem).spreads
    groups = len(start.strained_sd_g)
    run_sd = start.run_sd.copy()
    square = solved.departures**2 + solved.departure_variance
    has_trace = linear.seen[:, :BINS].any(axis=1)
    has_mass = linear.seen[:, STRAINED]
    sound = np.min(state.weight, axis=1) > BELIEVED
    known = problem.nominal.spread**2
    for g in range(groups):
        mine = (problem.group == g) & (has_trace | has_mass) & sound
        for parameter in RUN_PARAMETERS:
            value = square[mine, parameter] - known[mine, parameter]
            prior = start.run_sd[g, parameter] ** 2
            run_sd[g, parameter] = np.sqrt(
                (_PRIOR_RUNS * prior + np.sum(np.maximum(value, 0.0))) / (_PRIOR_RUNS + mine.sum())
            )
    strained, trace = start.strained_sd_g.copy(), start.trace_sd_k.copy()
    j = linear.by_parameter
    posterior = np.einsum("rop,rp,rop->ro", j, solved.departure_variance, j, optimize=True)
    believed = state.weight > BELIEVED
    for g in range(groups):
        rows = (problem.group == g) & has_mass & believed[:, 1]
        excess = state.weight[rows, 1] * solved.left[rows, STRAINED] ** 2
        excess += np.minimum(posterior[rows, STRAINED], state.spreads.strained_sd_g[g] ** 2)
        total = _PRIOR_RUNS * STRAINED_SD_PRIOR_G**2 + excess.sum()
        strained[g] = np.sqrt(total / (_PRIOR_RUNS + rows.sum()))
        rows = (problem.group == g) & has_trace & believed[:, 0]
        seen = linear.seen[rows, :BINS]
        excess = state.weight[rows, 0, None] * solved.left[rows, :BINS] ** 2
        excess += 0.3 * np.minimum(posterior[rows, :BINS], state.spreads.trace_sd_k[g] ** 2)
        total = 4.0 * BINS * TRACE_SD_PRIOR_K**2 + (excess * seen).sum()
        trace[g] = np.sqrt(total / (4.0 * BINS + seen.sum()))
    return Spreads(run_sd, strained, trace)


def _posterior(
    problem: Problem, linear: Linearised, state: _State, iterations: int, converged: bool
) -> MeltPosterior:
    solved = _solve(problem, linear, state)
    sd = np.sqrt(np.diagonal(solved.marginal, axis1=1, axis2=2))
    strained_z = np.where(
        linear.seen[:, STRAINED], solved.predictive_z[:, STRAINED] / sd[:, STRAINED], np.nan
    )
    count = linear.seen[:, :BINS].sum(axis=1)
    square = (np.where(linear.seen, solved.predictive_z / sd, 0.0)[:, :BINS] ** 2).sum(axis=1)
    rest = solved.predictive_z[:, STRAINED]
    added = _added_discrepancy(problem, solved.effects)
    at = problem.composition.parameters(solved.effects) + solved.departures
    shown, course = expected(problem, problem.composition.parameters(solved.effects), np.arange(len(problem)))
    shift = np.einsum(
        "rok,rk->ro", discrepancy_slopes(problem), problem.composition.discrepancies(solved.effects)
    )
    level, slope = smooth_basis(problem.evidence.duration_s, problem.nominal.longest_s)
    misfit = problem.composition.discrepancies(solved.effects)
    shift_at_end = level * misfit[:, 2] + slope * misfit[:, 3]
    expected_strained = shown[:, STRAINED] + shift[:, STRAINED]
    held = problem.nominal.held_back_g + problem.composition.parameters(solved.effects)[:, P.HELD]
    return MeltPosterior(
        latents=problem.latents,
        effects=solved.effects,
        covariance=solved.covariance,
        spreads=state.spreads,
        departures=solved.departures,
        departure_sd=np.sqrt(solved.departure_variance),
        end_temp_c=linear.end_temp_c + shift_at_end,
        end_added_g=linear.end_added_g + added + LATE_G + at[:, P.LATE],
        expected_temp_c=course.temp_c[-1] + shift_at_end,
        expected_added_g=expected_strained - problem.nominal.drink_mass_g + held,
        expected_strained_g=expected_strained,
        strained_residual_g=np.where(linear.seen[:, STRAINED], rest, np.nan),
        strained_sd_g=sd[:, STRAINED],
        strained_z=strained_z,
        trace_z=np.where(count > 0, np.sqrt(square / np.maximum(count, 1)), np.nan),
        weight=state.weight,
        iterations=iterations,
        converged=converged,
    )


def _added_discrepancy(problem: Problem, effects: FloatArray) -> FloatArray:
    d = problem.composition.discrepancies(effects)
    level, slope = smooth_basis(problem.evidence.duration_s, problem.nominal.longest_s)
    return (level * d[:, 0] + slope * d[:, 1]) * problem.nominal.drink_mass_g
