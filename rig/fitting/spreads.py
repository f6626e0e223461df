"""What the runs teach of their own scatter: one maximisation step of spreads, variance components and weights."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from rig.arrays import FloatArray
from rig.fitting.linear_solve import (
    STRAINED_SD_PRIOR_G,
    TRACE_SD_PRIOR_K,
    Solved,
    Spreads,
    State,
    at_state,
    marginal,
    solve,
)
from rig.fitting.observation_model import STRAINED, Linearised, Problem
from rig.fitting.observations import BINS
from rig.fitting.priors import P
from rig.fitting.random_effects import RandomEffects

_STUDENT_DF = 4.0
BELIEVED = 0.3
"""A run whose robust weight falls below this does not count when spreads are learned."""
RUN_PARAMETERS = (P.RATE, P.WET, P.OFFSET)
"""What varies from run to run with a spread that is learned from the runs (inputs vary with known spread)."""
PRIOR_RUNS = 8.0
PRIOR_MEMBERS, _PHYSICAL_MEMBERS = 6.0, 40.0
"""Scaled inverse chi-squared hyperpriors of variances are worth so many runs, or members of a component; those
of what physics bounds (heat capacities, conduction, powers, instruments) are worth more than a bench can say."""
_LEARNED = (None, P.RATE, P.BREAKAGE, P.FILM)


def learned(problem: Problem, linear: Linearised, state: State) -> State:
    """One maximisation step of spreads and weights around the state."""
    here = at_state(linear, state, solve(problem, linear, state))
    return replace(
        state,
        spreads=_spreads(problem, linear, state, here),
        weight=_weights(linear, here, marginal(problem, linear, state.believed())),
        input_weight=_input_weights(problem, here),
    )


def _input_weights(problem: Problem, solved: Solved) -> FloatArray:
    """Student-t weights of what was noted before the start, from how far the run says it was off."""
    spread = problem.nominal.spread
    z2 = np.divide(solved.departures**2, spread**2, out=np.zeros_like(spread), where=spread > 0.0)
    return np.minimum((_STUDENT_DF + 1.0) / (_STUDENT_DF + z2), 1.0)


def _weights(linear: Linearised, solved: Solved, unweighted: FloatArray) -> FloatArray:
    """Student-t weights of each run's trace and strained mass from what its own spread leaves unexplained."""
    z2 = solved.rest**2 / np.diagonal(unweighted, axis1=1, axis2=2)
    count = linear.observed[:, :BINS].sum(axis=1)
    trace = np.where(
        count > 0, (z2[:, :BINS] * linear.observed[:, :BINS]).sum(axis=1) / np.maximum(count, 1), 0.0
    )
    strained = np.where(linear.observed[:, STRAINED], z2[:, STRAINED], 0.0)
    scale = np.column_stack([trace, strained])
    return np.minimum((_STUDENT_DF + 1.0) / (_STUDENT_DF + scale), 1.0)


def _spreads(problem: Problem, linear: Linearised, state: State, solved: Solved) -> Spreads:
    """Expectation–maximisation of the spreads, each held by a prior worth a few runs."""
    start = State.start(problem).spreads
    groups = len(start.strained_sd_g)
    run_sd = start.run_sd.copy()
    square = solved.departures**2 + solved.departure_variance
    has_trace = linear.observed[:, :BINS].any(axis=1)
    has_mass = linear.observed[:, STRAINED]
    sound = np.min(state.weight, axis=1) > BELIEVED
    known = problem.nominal.spread**2
    for g in range(groups):
        mine = (problem.group == g) & (has_trace | has_mass) & sound
        for parameter in RUN_PARAMETERS:
            value = square[mine, parameter] - known[mine, parameter]
            prior = start.run_sd[g, parameter] ** 2
            run_sd[g, parameter] = np.sqrt(
                (PRIOR_RUNS * prior + np.sum(np.maximum(value, 0.0))) / (PRIOR_RUNS + mine.sum())
            )
    strained, trace = start.strained_sd_g.copy(), start.trace_sd_k.copy()
    j = linear.by_parameter
    posterior = np.einsum("rop,rp,rop->ro", j, solved.departure_variance, j, optimize=True)
    believed = state.weight > BELIEVED
    for g in range(groups):
        rows = (problem.group == g) & has_mass & believed[:, 1]
        excess = state.weight[rows, 1] * solved.left[rows, STRAINED] ** 2
        excess += np.minimum(posterior[rows, STRAINED], state.spreads.strained_sd_g[g] ** 2)
        total = PRIOR_RUNS * STRAINED_SD_PRIOR_G**2 + excess.sum()
        strained[g] = np.sqrt(total / (PRIOR_RUNS + rows.sum()))
        rows = (problem.group == g) & has_trace & believed[:, 0]
        observed = linear.observed[rows, :BINS]
        excess = state.weight[rows, 0, None] * solved.left[rows, :BINS] ** 2
        excess += 0.3 * np.minimum(posterior[rows, :BINS], state.spreads.trace_sd_k[g] ** 2)
        total = 4.0 * BINS * TRACE_SD_PRIOR_K**2 + (excess * observed).sum()
        trace[g] = np.sqrt(total / (4.0 * BINS + observed.sum()))
    return Spreads(run_sd, strained, trace, _component_scale(problem, solved))


def _component_scale(problem: Problem, solved: Solved) -> FloatArray:
    """Maximisation step of the variance components, each held by a prior worth `PRIOR_MEMBERS` effects."""
    random_effects = problem.random_effects
    count = np.bincount(random_effects.component)
    total = _squares(random_effects, solved)
    learned = [parameter in _LEARNED for parameter, _ in random_effects.components]
    prior = np.where(learned, PRIOR_MEMBERS, _PHYSICAL_MEMBERS)
    return np.asarray(np.sqrt((prior + total) / (prior + count)))


def _squares(random_effects: RandomEffects, solved: Solved) -> FloatArray:
    """Expected sum of squares of each component's effects in prior standard deviations, (components,).

    Where effects are correlated, of as many independent ones; correlations between components are left out.
    """
    away, sd = solved.effects - random_effects.prior_mean, random_effects.prior_sd
    if random_effects.prior_correlation is None:
        square = away**2 + np.diagonal(solved.covariance)
        return np.asarray(np.bincount(random_effects.component, weights=square / sd**2), dtype=float)
    square = (np.outer(away, away) + solved.covariance) / np.outer(sd, sd)
    total = np.empty(len(random_effects.components))
    for c in range(total.size):
        mine = np.ix_(*[np.flatnonzero(random_effects.component == c)] * 2)
        total[c] = np.trace(np.linalg.solve(random_effects.prior_correlation[mine], square[mine]))
    return total


def spread_change(old: State, new: State) -> float:
    """The largest relative change of a learned spread."""
    before, after = old.spreads, new.spreads
    pairs = [(getattr(before, f.name), getattr(after, f.name)) for f in fields(Spreads)]
    return max(float(np.max(np.abs(b - a) / np.maximum(a, 1e-9), initial=0.0)) for a, b in pairs)
