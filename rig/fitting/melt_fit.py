"""Fit the melt model to all runs of a bench at once.

A hierarchical nonlinear regression. Each run's parameters are shared effects (see `latents`) plus the run's
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
from dataclasses import dataclass, fields, replace

import numpy as np

from rig.arrays import FloatArray, IntArray
from rig.fitting.evidence import BINS
from rig.fitting.latents import Latents
from rig.fitting.leave_one_out import LeaveOneOut, leave_one_out
from rig.fitting.misfit import MODES, misfit_basis
from rig.fitting.observing import (
    STRAINED,
    Linearised,
    Problem,
    chunks,
    expected,
    linearise,
    misfit_slopes,
    moved_to,
    residuals,
    scatter,
)
from rig.fitting.priors import LAG_MEDIAN_S, LATE_G, LOGARITHMIC, P

_STUDENT_DF = 4.0
BELIEVED = 0.3
"""A run whose robust weight falls below this does not count when spreads are learned."""
_MOST_STEPS = 30
_SPREADS_AFTER = 3
"""Spreads are learned from this step on: before, the runs are too far from the curves to tell scatter from misfit."""
_FIRST_NOISE = 5.0
"""The first steps take the observations for so much noisier: far from the curves the likelihood has false summits."""
_SETTLED_NATS, _SETTLED_SPREAD = 1.0, 0.08
_FIRST_DAMPING, _LITTLE_DAMPING, _LEAST_BRAKE = 1.0, 1.0, 0.1
_LOGARITHMS = np.array([*range(LOGARITHMIC), P.ICE_MASS, P.LAG])
_REACH = 0.8
"""Farthest step of the logarithm of a parameter."""
_FAIR_SHARE, _SAME_SLOPES = 0.1, 0.7
"""A step must gain the first share of what the linear model promised; above the second the slopes serve on."""

RUN_PARAMETERS = (P.RATE, P.WET, P.OFFSET)
"""What varies from run to run with a spread that is learned from the runs (inputs vary with known spread)."""
RUN_SD_PRIOR = {P.WET: 0.30, P.LAG: 0.06, P.OFFSET: 0.10}
"""The lag's is not learned: it is the same probe in every run, and a free lag would take the hand's part."""
_PRIOR_RUNS = 8.0
_PRIOR_MEMBERS, _PHYSICAL_MEMBERS = 6.0, 40.0
"""Scaled inverse chi-squared hyperpriors of variances are worth so many runs, or members of a component; those
of what physics bounds (heat capacities, conduction, powers, instruments) are worth more than a bench can say."""
_LEARNED = (None, P.RATE, P.BREAKAGE, P.FILM)
STRAINED_SD_PRIOR_G = 0.9
TRACE_SD_PRIOR_K = 0.20


@dataclass(frozen=True)
class Spreads:
    """Standard deviations that the runs teach.

    `run_sd` (groups, parameters): departures of a run from its set-up; a group is a technique.
    `strained_sd_g` (groups,), `trace_sd_k` (groups,): noise and misfit. `component_scale` (components,):
    standard deviation of each variance component over its prior median.
    """

    run_sd: FloatArray
    strained_sd_g: FloatArray
    trace_sd_k: FloatArray
    component_scale: FloatArray


@dataclass(frozen=True)
class MeltPosterior:
    """The fitted effects, approximately Gaussian, and what each run departed by.

    `effects`, (effects,); `covariance` (effects, effects); `departures`, `departure_sd` (runs, parameters);
    `end_temp_c`, `end_added_g` (runs,): the run's own fitted state at its end; `strained_residual_g`,
    `strained_z` (runs,): measured less expected, before the run's own departures, plainly and in units of
    its predictive spread; `trace_z` (runs,): root mean square of the trace's standardised residuals;
    `weight` (runs, 2): robust weight of trace and strained mass; `leave_one_out`: each run against all others.
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
    leave_one_out: LeaveOneOut
    iterations: int
    converged: bool


Progress = Callable[[float], None]


@dataclass(frozen=True)
class State:
    """Where a fit stands: effects (effects,), departures (runs, parameters), spreads, and weights (runs, 2)."""

    effects: FloatArray
    departures: FloatArray
    spreads: Spreads
    weight: FloatArray

    @staticmethod
    def start(problem: Problem) -> State:
        """Everything at its prior, the observations taken for noisier than they are."""
        groups = problem.run_rate_sd.size
        run_sd = np.zeros((groups, len(P)))
        run_sd[:, P.RATE] = problem.run_rate_sd
        for parameter, sd in RUN_SD_PRIOR.items():
            run_sd[:, parameter] = sd
        n = len(problem)
        return State(
            effects=np.zeros(len(problem.latents)),
            departures=np.zeros((n, len(P))),
            spreads=Spreads(
                run_sd,
                np.full(groups, _FIRST_NOISE * STRAINED_SD_PRIOR_G),
                np.full(groups, _FIRST_NOISE * TRACE_SD_PRIOR_K),
                np.ones(len(problem.latents.components)),
            ),
            weight=np.ones((n, 2)),
        )


def fit_melt(problem: Problem, progress: Progress | None = None, warm: State | None = None) -> MeltPosterior:
    """Fit by repeated linearisation, as described at the top.

    A slow probe and a slow shake look alike at first, so the posterior can have a false summit. Scouts with
    the lag held at several values climb on a part of the runs; the full fit starts where the best one stood, on
    a long bench by way of a larger part, or from `warm`, the state of a fit of nearly the same runs.
    """
    report = progress or (lambda share: None)
    if warm is not None:
        return _posterior(problem, *_climb(problem, warm, _MOST_STEPS, 0, report))
    state = _scouted(problem, lambda share: report(0.3 * share))
    if len(problem) <= _SAMPLE_RUNS:
        climbed = _climb(problem, state, _MOST_STEPS, _SPREADS_AFTER, lambda share: report(0.3 + 0.7 * share))
        return _posterior(problem, *climbed)
    sample = problem.subset(_spread_out(problem, _SAMPLE_RUNS))
    start = replace(State.start(sample), effects=state.effects)
    reached, *_ = _climb(sample, start, _MOST_STEPS, _SPREADS_AFTER, lambda share: report(0.3 + 0.3 * share))
    state = replace(state, effects=reached.effects, spreads=reached.spreads)
    return _posterior(
        problem, *_climb(problem, state, _LAST_STEPS, 1, lambda share: report(0.6 + 0.4 * share))
    )


def _spread_out(problem: Problem, count: int) -> np.ndarray:
    """About so many runs, of every set-up and drink its share."""
    alike = np.lexsort(problem.composition.members.T)
    return np.sort(alike[np.unique(np.linspace(0, len(problem) - 1, count).astype(np.int64))])


def _climb(
    problem: Problem, state: State, most: int, learn_after: int, report: Progress
) -> tuple[State, Linearised, int, bool]:
    """Damped Gauss–Newton steps, the spreads learned within each; an uphill step is taken back and damped more.

    Damping is Levenberg's, in the metric of the priors (Levenberg, Q. Appl. Math. 2 (1944) 164), changed by how
    much of the promised gain came true (Nielsen, IMM-REP-1999-05, 1999, from memory). Slopes that served well
    serve on. Returns the last state, the model linearised there, the number of steps, and whether it has
    settled: a step that was hardly damped had less than `_SETTLED_NATS` of log posterior to gain and changed no
    spread by more than `_SETTLED_SPREAD`.
    """
    linear = linearise(problem, state.effects, state.departures)
    damping, worse, step, fresh = _FIRST_DAMPING if learn_after else _LITTLE_DAMPING / 4.0, 2.0, 0, True
    for step in range(1, most + 1):
        old = state
        if step > learn_after:
            state = _learned(problem, linear, state)
        solved = _solve(problem, linear, state, damping)
        proposal = _within_reach(problem, state, solved)
        residual = np.nan_to_num(residuals(problem, proposal.effects, proposal.departures, linear.steps))
        before = _cost(problem, state, linear.residual)
        gained = before - _cost(problem, proposal, residual)
        promised = before - _cost(problem, proposal, _linear_residual(problem, linear, state, proposal))
        report(step / most)
        still = (
            step > (learn_after + 2 if learn_after else 0) and _spread_change(old, state) < _SETTLED_SPREAD
        )
        if still and max(promised, gained) < _SETTLED_NATS and damping < _LITTLE_DAMPING:
            return state, linear, step, True
        ratio = float(np.clip(gained / max(promised, 1e-9), -1.0, 1.0))
        if ratio > _FAIR_SHARE:
            state = proposal
            fresh = ratio < _SAME_SLOPES or promised < _SETTLED_NATS
            linear = (
                linearise(problem, state.effects, state.departures)
                if fresh
                else moved_to(linear, problem, state.effects, state.departures, residual)
            )
            damping, worse = damping * max(1.0 / 4.0, 1.0 - (2.0 * ratio - 1.0) ** 3), 2.0
        elif fresh:
            damping, worse = max(damping * worse, _LEAST_BRAKE), 2.0 * worse
        else:
            linear, fresh = linearise(problem, state.effects, state.departures), True
    return state, linear, step, False


def _within_reach(problem: Problem, state: State, solved: _Solved) -> State:
    """The state a solve leads to, or one on the way: no rate, size or strength may change by more than `_REACH`.

    They enter as exponentials, which no linear model foresees further off.
    """
    moved = (
        problem.composition.parameters(solved.effects - state.effects) + solved.departures - state.departures
    )
    share = min(1.0, _REACH / max(float(np.max(np.abs(moved[:, _LOGARITHMS]), initial=0.0)), 1e-9))
    return replace(
        state,
        effects=state.effects + share * (solved.effects - state.effects),
        departures=state.departures + share * (solved.departures - state.departures),
    )


_SCOUT_LAGS_S = (0.3, 1.2, 3.0, 6.5)
_SCOUT_RUNS = 28
_SAMPLE_RUNS, _LAST_STEPS = 200, 8
"""A longer bench is first fitted on so many of its runs, then goes so many steps on from there."""
_SCOUT_STEPS = 6


def _scouted(problem: Problem, report: Progress) -> State:
    """A start from the best of a few fits with the probe's lag held."""
    start = State.start(problem)
    lag = [k for k, (parameter, *_) in enumerate(problem.latents.keys) if parameter is P.LAG]
    if not np.any(np.isfinite(problem.evidence.bin_temp_c)):
        return start
    few = problem.subset(_spread_out(problem, _SCOUT_RUNS))
    best, best_score = start.effects, -np.inf
    for n, lag_s in enumerate(_SCOUT_LAGS_S):
        held = problem.latents.held({lag[0]: float(np.log(lag_s / LAG_MEDIAN_S))})
        scout = replace(few, latents=held)
        from_here = replace(State.start(few), effects=held.prior_mean.copy())
        state, linear, *_ = _climb(scout, from_here, _SCOUT_STEPS, _SPREADS_AFTER, lambda share: None)
        score = _solve(few, linear, state).log_evidence
        if score > best_score:
            best, best_score = state.effects, score
        report((n + 1) / len(_SCOUT_LAGS_S))
    return replace(start, effects=best)


def _noise(problem: Problem, state: State, seen: np.ndarray) -> FloatArray:
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


def _effect_sd(problem: Problem, state: State) -> FloatArray:
    """Standard deviation of each effect under the learned spreads, (effects,)."""
    latents = problem.latents
    return np.asarray(latents.prior_sd * state.spreads.component_scale[latents.component])


def _run_variance(problem: Problem, state: State) -> FloatArray:
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
    unweighted: FloatArray
    rest: FloatArray
    log_evidence: float


def _solve(problem: Problem, linear: Linearised, state: State, damping: float = 0.0) -> _Solved:
    """Posterior of the linearised model under the state's spreads and weights.

    `damping` holds effects and departures to where the state has them, with so many times their prior precision.
    """
    members = problem.composition.members
    variance = _run_variance(problem, state) / (1.0 + damping)
    held = state.departures * (damping / (1.0 + damping))
    noise = _noise(problem, state, linear.seen)
    j, g = linear.by_parameter, linear.by_effect
    marginal = noise + np.einsum("rop,rp,rqp->roq", j, variance, j, optimize=True)
    precision = np.linalg.inv(marginal)
    weighted = np.matmul(np.swapaxes(g, 1, 2), precision)
    undamped = 1.0 / _effect_sd(problem, state) ** 2
    prior = undamped + damping / problem.latents.prior_sd**2
    pseudo = linear.pseudo - np.einsum("rop,rp->ro", j, held)
    information = np.diag(prior)
    _add_blocks(information, members, np.matmul(weighted, g))
    score = undamped * problem.latents.prior_mean + damping / problem.latents.prior_sd**2 * state.effects
    np.add.at(score, members, np.einsum("reo,ro->re", weighted, pseudo))
    covariance = np.linalg.inv(information)
    effects = covariance @ score
    rest = pseudo - np.einsum("roe,re->ro", g, effects[members])
    gain = variance[:, :, None] * np.matmul(np.swapaxes(j, 1, 2), precision)
    departures = held + np.einsum("rpo,ro->rp", gain, rest)
    own = covariance[members[:, :, None], members[:, None, :]]
    spread = np.matmul(gain, g)
    departure_variance = variance - np.einsum("rpo,rop->rp", gain, j) * variance
    departure_variance += np.einsum("rpe,ref,rpf->rp", spread, own, spread, optimize=True)
    left = rest - np.einsum("rop,rp->ro", j, departures - held)
    away = effects - problem.latents.prior_mean
    log_evidence = -0.5 * float(
        np.einsum("ro,roq,rq->", rest, precision, rest, optimize=True)
        + np.linalg.slogdet(marginal)[1].sum()
        + np.sum(undamped * away**2)
        + np.linalg.slogdet(information)[1]
        - np.sum(np.log(undamped))
    )
    return _Solved(
        effects,
        np.asarray(covariance, dtype=float),
        departures,
        np.maximum(departure_variance, 1e-12),
        left,
        noise,
        marginal,
        marginal - noise + _noise(problem, replace(state, weight=np.ones_like(state.weight)), linear.seen),
        rest,
        log_evidence,
    )


def _at_state(linear: Linearised, state: State, solved: _Solved) -> _Solved:
    """The covariances of a solve, around the state itself instead of where the linear model would go."""
    return replace(
        solved,
        effects=state.effects,
        departures=state.departures,
        left=linear.residual,
        rest=linear.residual + np.einsum("rop,rp->ro", linear.by_parameter, state.departures),
    )


def _learned(problem: Problem, linear: Linearised, state: State) -> State:
    """One maximisation step of spreads and weights around the state."""
    here = _at_state(linear, state, _solve(problem, linear, state))
    return replace(state, spreads=_spreads(problem, linear, state, here), weight=_weights(linear, here))


def _add_blocks(information: FloatArray, members: IntArray, blocks: FloatArray) -> None:
    """Add each run's block (runs, e, e) where its effects stand; runs of the same effects are summed first."""
    kinds, which = np.unique(members, axis=0, return_inverse=True)
    summed = np.zeros((len(kinds), *blocks.shape[1:]))
    np.add.at(summed, which.reshape(-1), blocks)
    for at, block in zip(kinds, summed, strict=True):
        information[np.ix_(at, at)] += block


def _cost(problem: Problem, at: State, residual: FloatArray) -> float:
    """Minus the log posterior density of effects and departures, spreads and weights held."""
    noise = _noise(problem, at, residual != 0.0)
    variance = _run_variance(problem, at)
    away = (at.effects - problem.latents.prior_mean) / _effect_sd(problem, at)
    departed = np.divide(at.departures**2, variance, out=np.zeros_like(variance), where=variance > 0.0)
    misfit = np.einsum("ro,ro->", residual, np.linalg.solve(noise, residual[..., None])[..., 0])
    return 0.5 * float(misfit + np.sum(away**2) + np.sum(departed))


def _linear_residual(problem: Problem, linear: Linearised, old: State, new: State) -> FloatArray:
    """What the linearised model leaves at another state, (runs, obs)."""
    moved = (new.effects - old.effects)[problem.composition.members]
    by_effect = np.einsum("roe,re->ro", linear.by_effect, moved)
    return np.asarray(
        linear.residual
        - by_effect
        - np.einsum("rop,rp->ro", linear.by_parameter, new.departures - old.departures)
    )


def _spread_change(old: State, new: State) -> float:
    """The largest relative change of a learned spread."""
    before, after = old.spreads, new.spreads
    pairs = [(getattr(before, f.name), getattr(after, f.name)) for f in fields(Spreads)]
    return max(float(np.max(np.abs(b - a) / np.maximum(a, 1e-9), initial=0.0)) for a, b in pairs)


def _weights(linear: Linearised, solved: _Solved) -> FloatArray:
    """Student-t weights of each run's trace and strained mass from what its own spread leaves unexplained."""
    z2 = solved.rest**2 / np.diagonal(solved.unweighted, axis1=1, axis2=2)
    count = linear.seen[:, :BINS].sum(axis=1)
    trace = np.where(
        count > 0, (z2[:, :BINS] * linear.seen[:, :BINS]).sum(axis=1) / np.maximum(count, 1), 0.0
    )
    strained = np.where(linear.seen[:, STRAINED], z2[:, STRAINED], 0.0)
    scale = np.column_stack([trace, strained])
    return np.minimum((_STUDENT_DF + 1.0) / (_STUDENT_DF + scale), 1.0)


def _spreads(problem: Problem, linear: Linearised, state: State, solved: _Solved) -> Spreads:
    """Expectation–maximisation of the spreads, each held by a prior worth a few runs."""
    start = State.start(problem).spreads
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
    return Spreads(run_sd, strained, trace, _component_scale(problem, solved))


def _component_scale(problem: Problem, solved: _Solved) -> FloatArray:
    """Maximisation step of the variance components, each held by a prior worth `_PRIOR_MEMBERS` effects."""
    latents = problem.latents
    square = (solved.effects - latents.prior_mean) ** 2 + np.diagonal(solved.covariance)
    count = np.bincount(latents.component)
    total = np.bincount(latents.component, weights=square / latents.prior_sd**2)
    learned = [parameter in _LEARNED for parameter, _ in latents.components]
    prior = np.where(learned, _PRIOR_MEMBERS, _PHYSICAL_MEMBERS)
    return np.asarray(np.sqrt((prior + total) / (prior + count)))


def _posterior(
    problem: Problem, state: State, linear: Linearised, iterations: int, converged: bool
) -> MeltPosterior:
    solved = _at_state(linear, state, _solve(problem, linear, state))
    sd = np.sqrt(np.diagonal(solved.unweighted, axis1=1, axis2=2))
    rest = np.where(linear.seen, solved.rest, np.nan)
    made_of = problem.composition
    shared = made_of.parameters(state.effects)
    usual, usual_temp = np.empty_like(linear.residual), np.empty(len(problem))
    for rows, grid in chunks(linear.steps, 1):
        usual[rows], course = expected(problem, shared[rows], rows, grid)
        usual_temp[rows] = course.temp_c[-1]
    misfit = made_of.discrepancies(state.effects)
    strained = usual[:, STRAINED] + np.einsum("rok,rk->ro", misfit_slopes(problem), misfit)[:, STRAINED]
    basis = misfit_basis(problem.evidence.duration_s, problem.nominal.longest_s)
    added = np.sum(basis * misfit[:, :MODES], axis=1) * problem.nominal.drink_mass_g
    warmer = np.sum(basis * misfit[:, MODES:], axis=1)
    count = linear.seen[:, :BINS].sum(axis=1)
    square = (np.where(linear.seen, solved.rest / sd, 0.0)[:, :BINS] ** 2).sum(axis=1)
    members = made_of.members
    without = leave_one_out(
        linear.by_effect,
        solved.covariance[members[:, :, None], members[:, None, :]],
        solved.marginal,
        solved.unweighted,
        solved.rest,
        linear.seen,
        STRAINED,
    )
    return MeltPosterior(
        latents=problem.latents,
        effects=state.effects,
        covariance=solved.covariance,
        spreads=state.spreads,
        departures=state.departures,
        departure_sd=np.sqrt(solved.departure_variance),
        end_temp_c=linear.end_temp_c + warmer,
        end_added_g=linear.end_added_g + added + LATE_G + (shared + state.departures)[:, P.LATE],
        expected_temp_c=usual_temp + warmer,
        expected_added_g=strained
        - problem.nominal.drink_mass_g
        + problem.nominal.held_back_g
        + shared[:, P.HELD],
        expected_strained_g=strained,
        strained_residual_g=rest[:, STRAINED],
        strained_sd_g=sd[:, STRAINED],
        strained_z=without.strained_residual_g / without.strained_sd_g,
        trace_z=np.where(count > 0, np.sqrt(square / np.maximum(count, 1)), np.nan),
        weight=state.weight,
        leave_one_out=without,
        iterations=iterations,
        converged=converged,
    )
