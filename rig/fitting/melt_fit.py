"""Fit the melt model to all runs of a bench at once.

A hierarchical nonlinear regression. Each run's parameters are shared effects (see `random_effects`) plus the run's
own departures: the hand is never twice the same, and stated temperatures and weights are not exact. Around
the current estimate the model is linear, so the runs' departures are integrated out in closed form, the
shared effects are solved for with their priors, and the spreads of departures and noise are updated by
expectation–maximisation (Lindstrom & Bates, Biometrics 46 (1990) 673, is this scheme for mixed models;
Dempster, Laird & Rubin, J. R. Stat. Soc. B 39 (1977) 1). So is the spread of each kind of effect: how far ices,
vessels, set-ups, drinks and their smooth misfits lie apart is estimated from the bench under a stated
hyperprior (variance components; Searle, Casella & McCulloch, Variance Components, 1992, ch. 8). A weighing or
trace that no departure explains is
given less weight by a Student-t scale (Lange, Little & Taylor, J. Am. Stat. Assoc. 84 (1989) 881).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import FloatArray
from rig.fitting.leave_group_out import effect_scale
from rig.fitting.leave_one_out import LeaveOneOut, leave_one_out
from rig.fitting.linear_solve import (
    Solved,
    Spreads,
    State,
    at_state,
    cost,
    linear_residual,
    log_evidence,
    marginal,
    solve,
)
from rig.fitting.misfit import MODES, misfit_basis
from rig.fitting.observation_model import (
    STRAINED,
    Linearised,
    Problem,
    evaluate,
    linearise,
    misfit_slopes,
    moved_to,
)
from rig.fitting.observations import BINS
from rig.fitting.priors import LAG_MEDIAN_S, LOGARITHMIC, P
from rig.fitting.random_effects import RandomEffects
from rig.fitting.situation import held_back_g, late_water_g
from rig.fitting.spreads import learned, spread_change

_MOST_STEPS = 30
_SPREADS_AFTER = 3
"""Spreads are learned from this step on: before, the runs are too far from the curves to tell scatter from misfit."""
_SETTLED_NATS, _SETTLED_SPREAD, _RUNS_A_NAT = 1.0, 0.08, 100
_FIRST_DAMPING, _NEAR_DAMPING, _LITTLE_DAMPING, _LEAST_BRAKE = 1.0, 0.25, 1.0, 0.1
"""Far from the summit steps are damped from the first; where another fit has led near to it, hardly."""
_LOGARITHMS = np.array([*range(LOGARITHMIC), P.ICE_MASS, P.LAG])
_REACH = 0.8
"""Farthest step of the logarithm of a parameter."""
_FAIR_SHARE, _SAME_SLOPES = 0.1, 0.7
"""A step must gain the first share of what the linear model promised; above the second the slopes serve on."""


@dataclass(frozen=True)
class MeltPosterior:
    """The fitted effects, approximately Gaussian, and what each run departed by.

    `effects`, (effects,); `covariance` (effects, effects); `departures`, `departure_sd` (runs, parameters);
    `end_temp_c`, `end_added_g` (runs,): the run's own fitted state at its end; `strained_residual_g`,
    `strained_z` (runs,): measured less expected, before the run's own departures, plainly and in units of
    its predictive spread; `trace_z` (runs,): root mean square of the trace's standardised residuals;
    `weight` (runs, 2): robust weight of trace and strained mass; `leave_one_out`: each run against all others;
    `effect_scale`: what set-ups left out say of the effects' standard deviations, already in `covariance`.
    """

    random_effects: RandomEffects
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
    leave_one_out: LeaveOneOut
    effect_scale: float
    iterations: int
    converged: bool


Progress = Callable[[float], None]


def fit_melt(problem: Problem, progress: Progress | None = None, warm: State | None = None) -> MeltPosterior:
    """Fit by repeated linearisation, as described at the top.

    A slow probe and a slow shake look alike at first, so the posterior can have a false summit. Scouts with
    the lag held at several values climb on a part of the runs; the full fit starts where the best one stood, on
    a long bench by way of a larger part, or from `warm`, the state of a fit of nearly the same runs.
    """
    report = progress or (lambda share: None)
    if warm is not None:
        return _posterior(problem, *climb(problem, warm, _MOST_STEPS, 0, report, _NEAR_DAMPING))
    state = _scouted(problem, lambda share: report(0.3 * share))
    if len(problem) <= _SAMPLE_RUNS:
        return _posterior(
            problem, *climb(problem, state, _MOST_STEPS, 1, lambda share: report(0.3 + 0.7 * share))
        )
    sample = problem.subset(_spread_out(problem, _SAMPLE_RUNS))
    start = replace(State.start(sample), effects=state.effects, spreads=state.spreads)
    reached, *_ = climb(sample, start, _MOST_STEPS, 1, lambda share: report(0.3 + 0.3 * share))
    state = replace(state, effects=reached.effects, spreads=reached.spreads)
    return _posterior(
        problem,
        *climb(problem, state, _LAST_STEPS, 2, lambda share: report(0.6 + 0.4 * share), _NEAR_DAMPING),
    )


def _spread_out(problem: Problem, count: int) -> np.ndarray:
    """About so many runs, of every set-up and drink its share."""
    alike = np.lexsort(problem.design.effect_index.T)
    return np.sort(alike[np.unique(np.linspace(0, len(problem) - 1, count).astype(np.int64))])


def climb(
    problem: Problem,
    state: State,
    most: int,
    learn_after: int,
    report: Progress = lambda share: None,
    damping: float = _FIRST_DAMPING,
) -> tuple[State, Linearised, int, bool]:
    """Damped Gauss–Newton steps, the spreads learned within each; an uphill step is taken back and damped more.

    Damping is Levenberg's, in the metric of the priors (Levenberg, Q. Appl. Math. 2 (1944) 164), changed by how
    much of the promised gain came true (Nielsen, IMM-REP-1999-05, 1999, from memory). Slopes that served well
    serve on. Returns the last state, the model linearised there, the number of steps, and whether it has
    settled: a step that was hardly damped had less than `_SETTLED_NATS` of log posterior to gain, on a long bench so
    much for every `_RUNS_A_NAT` runs, and changed no spread by more than `_SETTLED_SPREAD`.
    """
    linear = linearise(problem, state.effects, state.departures)
    worse, step, fresh = 2.0, 0, True
    ratio, settled_nats = -1.0, _SETTLED_NATS * max(1.0, len(problem) / _RUNS_A_NAT)
    for step in range(1, most + 1):
        old = state
        if step > learn_after:
            state = learned(problem, linear, state)
        solved = solve(problem, linear, state, damping)
        proposal = _within_reach(problem, state, solved)
        before = cost(problem, state, linear.at.residual)
        promised = before - cost(problem, proposal, linear_residual(problem, linear, state, proposal))
        report(step / most)
        still = step > (learn_after + 2 if learn_after else 0) and spread_change(old, state) < _SETTLED_SPREAD
        still &= promised < settled_nats and damping < _LITTLE_DAMPING
        # the linear model foretold the last step well: it need not be asked again
        if still and ratio > _SAME_SLOPES:
            return state, linear, step, True
        there = evaluate(problem, proposal.effects, proposal.departures, linear.steps)
        gained = before - cost(problem, proposal, there.residual)
        if still and gained < settled_nats:
            return state, linear, step, True
        ratio = float(np.clip(gained / max(promised, 1e-9), -1.0, 1.0))
        if ratio > _FAIR_SHARE:
            state = proposal
            fresh = ratio < _SAME_SLOPES or promised < settled_nats
            linear = (
                linearise(problem, state.effects, state.departures)
                if fresh
                else moved_to(linear, problem, state.effects, state.departures, there)
            )
            damping, worse = damping * max(1.0 / 4.0, 1.0 - (2.0 * ratio - 1.0) ** 3), 2.0
        elif fresh:
            damping, worse = max(damping * worse, _LEAST_BRAKE), 2.0 * worse
        else:
            linear, fresh = linearise(problem, state.effects, state.departures), True
    return state, linear, step, False


def _within_reach(problem: Problem, state: State, solved: Solved) -> State:
    """The state a solve leads to, or one on the way: no rate, size or strength may change by more than `_REACH`.

    They enter as exponentials, which no linear model foresees further off. Each run's departures go as far as they
    can on their own, so that one odd run among many holds no other back.
    """
    effects, departures = solved.effects - state.effects, solved.departures - state.departures
    shared = problem.design.parameters(effects)
    share = min(1.0, _REACH / max(float(np.max(np.abs(shared[:, _LOGARITHMS]), initial=0.0)), 1e-9))
    whole = share * shared[:, _LOGARITHMS] + departures[:, _LOGARITHMS]
    own = np.minimum(1.0, _REACH / np.maximum(np.abs(whole).max(axis=1), 1e-9))
    return replace(
        state,
        effects=state.effects + share * effects,
        departures=state.departures + own[:, None] * departures,
    )


_SCOUT_LAGS_S = (0.25, 0.8, 1.6, 3.2, 6.5)
_SCOUT_RUNS = 28
_SAMPLE_RUNS, _LAST_STEPS = 200, 8
"""A longer bench is first fitted on so many of its runs, then goes so many steps on from there."""
_SCOUT_STEPS, _RELEASED, _RELEASED_STEPS = 6, 3, 8


def _scouted(problem: Problem, report: Progress) -> State:
    """Where the best of a few fits of a part of the runs stood: some with the probe's lag held, the best of them freed.

    A slow start of the motion and a slow probe trade places, so that summits lie apart along the lag.
    """
    start = State.start(problem)
    lag = [k for k, (parameter, *_) in enumerate(problem.random_effects.keys) if parameter is P.LAG]
    if not np.any(np.isfinite(problem.observations.bin_temp_c)):
        return start
    few = problem.subset(_spread_out(problem, _SCOUT_RUNS))
    tried = []
    for n, lag_s in enumerate(_SCOUT_LAGS_S):
        held = problem.random_effects.held({lag[0]: float(np.log(lag_s / LAG_MEDIAN_S))})
        scout = replace(few, random_effects=held)
        from_here = replace(State.start(few), effects=held.prior_mean.copy())
        state, linear, *_ = climb(scout, from_here, _SCOUT_STEPS, _SPREADS_AFTER)
        tried.append((log_evidence(scout, linear, state), state))
        report(0.6 * (n + 1) / len(_SCOUT_LAGS_S))
    freed = []
    for n, (_, state) in enumerate(sorted(tried, key=lambda t: -t[0])[:_RELEASED]):
        state, linear, *_ = climb(few, state, _RELEASED_STEPS, 0, damping=_NEAR_DAMPING)
        freed.append((log_evidence(few, linear, state), state))
        report(0.6 + 0.4 * (n + 1) / _RELEASED)
    best = max(freed, key=lambda t: t[0])[1]
    return replace(start, effects=best.effects, spreads=best.spreads)


def _posterior(
    problem: Problem, state: State, linear: Linearised, iterations: int, converged: bool
) -> MeltPosterior:
    solved = at_state(linear, state, solve(problem, linear, state))
    unweighted = marginal(problem, linear, state.believed())
    sd = np.sqrt(np.diagonal(unweighted, axis1=1, axis2=2))
    rest = np.where(linear.observed, solved.rest, np.nan)
    design = problem.design
    at, shared = linear.at, design.parameters(state.effects)
    misfit = design.misfits(state.effects)
    strained = at.usual[:, STRAINED] + np.einsum("rok,rk->ro", misfit_slopes(problem), misfit)[:, STRAINED]
    basis = misfit_basis(problem.observations.duration_s, problem.nominal.longest_s)
    added = np.sum(basis * misfit[:, :MODES], axis=1) * problem.nominal.drink_mass_g
    warmer = np.sum(basis * misfit[:, MODES:], axis=1)
    count = linear.observed[:, :BINS].sum(axis=1)
    square = (np.where(linear.observed, solved.rest / sd, 0.0)[:, :BINS] ** 2).sum(axis=1)
    scale = effect_scale(problem.random_effects, design, linear.by_effect, solved, linear.observed, STRAINED)
    without = leave_one_out(
        solved.shared,
        solved.marginal,
        unweighted,
        solved.rest,
        linear.observed,
        STRAINED,
        scale,
    )
    return MeltPosterior(
        random_effects=problem.random_effects,
        effects=state.effects,
        covariance=scale**2 * solved.covariance,
        spreads=state.spreads,
        departures=state.departures,
        departure_sd=np.sqrt(solved.departure_variance),
        end_temp_c=at.end_temp_c + warmer,
        end_added_g=at.end_added_g + added + late_water_g(shared + state.departures),
        expected_temp_c=at.usual_temp_c + warmer,
        expected_added_g=strained
        - problem.nominal.drink_mass_g
        + held_back_g(problem.nominal.held_back_g, shared),
        expected_strained_g=strained,
        strained_residual_g=rest[:, STRAINED],
        strained_sd_g=sd[:, STRAINED],
        strained_z=without.strained_residual_g / without.strained_sd_g,
        trace_z=np.where(count > 0, np.sqrt(square / np.maximum(count, 1)), np.nan),
        weight=state.weight,
        leave_one_out=without,
        effect_scale=scale,
        iterations=iterations,
        converged=converged,
    )
