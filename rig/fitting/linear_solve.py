"""The posterior of the linearised model under given spreads and weights, and what a state costs under the full one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import FloatArray
from rig.fitting.observation_model import Linearised, Problem, noise_covariance
from rig.fitting.priors import P

STRAINED_SD_PRIOR_G = 0.9
TRACE_SD_PRIOR_K = 0.20
_FIRST_NOISE = 5.0
"""The first steps take the observations for so much noisier: far from the curves the likelihood has false summits."""


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
class State:
    """Where a fit stands: effects (effects,), departures (runs, parameters), spreads, and robust weights.

    `weight` (runs, 2) of trace and strained mass, `input_weight` (runs, parameters) of what was noted before the start.
    """

    effects: FloatArray
    departures: FloatArray
    spreads: Spreads
    weight: FloatArray
    input_weight: FloatArray

    @staticmethod
    def start(problem: Problem) -> State:
        """Everything at its prior, the observations taken for noisier than they are."""
        groups, n = len(problem.run_sd), len(problem)
        return State(
            effects=problem.random_effects.prior_mean.copy(),
            departures=np.zeros((n, len(P))),
            spreads=Spreads(
                problem.run_sd.copy(),
                np.full(groups, _FIRST_NOISE * STRAINED_SD_PRIOR_G),
                np.full(groups, _FIRST_NOISE * TRACE_SD_PRIOR_K),
                np.ones(len(problem.random_effects.components)),
            ),
            weight=np.ones((n, 2)),
            input_weight=np.ones((n, len(P))),
        )

    def believed(self) -> State:
        """The same with every weight at one."""
        return replace(self, weight=np.ones_like(self.weight), input_weight=np.ones_like(self.input_weight))


def noise(problem: Problem, state: State, observed: np.ndarray) -> FloatArray:
    """(runs, obs, obs) covariance of noise and misfit, wider for runs of little weight."""
    trace = state.spreads.trace_sd_k[problem.group] ** 2
    strained = state.spreads.strained_sd_g[problem.group] ** 2 + problem.nominal.drink_mass_sd_g**2
    return noise_covariance(
        trace / state.weight[:, 0],
        strained / state.weight[:, 1],
        problem.observations.bin_time_s,
        problem.nominal.longest_s,
        observed,
    )


def effect_sd(problem: Problem, state: State) -> FloatArray:
    """Standard deviation of each effect under the learned spreads, (effects,)."""
    random_effects = problem.random_effects
    return np.asarray(random_effects.prior_sd * state.spreads.component_scale[random_effects.component])


def run_variance(problem: Problem, state: State) -> FloatArray:
    """Variance of each run's departures, (runs, parameters): learned ones, and what notes may be off."""
    noted = problem.nominal.spread**2 / state.input_weight
    return np.asarray(state.spreads.run_sd[problem.group] ** 2 + noted)


def marginal(problem: Problem, linear: Linearised, state: State) -> FloatArray:
    """Covariance (runs, obs, obs) of a run's observations about its shared curve, under the state's weights."""
    return _marginal(
        run_variance(problem, state), noise(problem, state, linear.observed), linear.by_parameter
    )


def _marginal(variance: FloatArray, noise: FloatArray, by_parameter: FloatArray) -> FloatArray:
    scaled = by_parameter * variance[:, None, :]
    return np.asarray(noise + np.matmul(scaled, np.swapaxes(by_parameter, 1, 2)))


@dataclass(frozen=True)
class Solved:
    """Posterior of effects (effects,) and departures (runs, parameters) with what a run's observations leave.

    `left` (runs, obs) is the residual beyond departures, `rest` that of a new run, `marginal` (runs, obs, obs)
    its covariance; `shared` (runs, obs, obs) that of the observations' means under the posterior of the effects.
    """

    effects: FloatArray
    covariance: FloatArray
    departures: FloatArray
    departure_variance: FloatArray
    left: FloatArray
    marginal: FloatArray
    shared: FloatArray
    rest: FloatArray


def solve(problem: Problem, linear: Linearised, state: State, damping: float = 0.0) -> Solved:
    """Posterior of the linearised model under the state's spreads and weights.

    `damping` holds effects and departures to where the state has them, with so many times their prior precision.
    """
    index = problem.design.effect_index
    variance = run_variance(problem, state) / (1.0 + damping)
    held = state.departures * (damping / (1.0 + damping))
    j, g = linear.by_parameter, linear.by_effect
    of_run = _marginal(variance, noise(problem, state, linear.observed), j)
    precision = np.linalg.inv(of_run)
    weighted = np.matmul(np.swapaxes(g, 1, 2), precision)
    prior = problem.random_effects.prior_precision(effect_sd(problem, state))
    damped = damping / problem.random_effects.prior_sd**2
    pseudo = linear.pseudo - np.einsum("rop,rp->ro", j, held)
    information = prior + np.diag(damped)
    score = prior @ problem.random_effects.prior_mean + damped * state.effects
    for rows, at in problem.design.alike:
        information[np.ix_(at, at)] += np.tensordot(weighted[rows], g[rows], axes=([0, 2], [0, 1]))
        score[at] += np.tensordot(weighted[rows], pseudo[rows], axes=([0, 2], [0, 1]))
    covariance = np.linalg.inv(information)
    effects = covariance @ score
    rest = pseudo - np.einsum("roe,re->ro", g, effects[index])
    gain = variance[:, :, None] * np.matmul(np.swapaxes(j, 1, 2), precision)
    departures = held + np.einsum("rpo,ro->rp", gain, rest)
    shared = np.empty_like(of_run)
    for rows, at in problem.design.alike:
        shared[rows] = np.matmul(np.matmul(g[rows], covariance[np.ix_(at, at)]), np.swapaxes(g[rows], 1, 2))
    departure_variance = variance - np.einsum("rpo,rop->rp", gain, j) * variance
    departure_variance += np.einsum("rpo,rpo->rp", np.matmul(gain, shared), gain)
    left = rest - np.einsum("rop,rp->ro", j, departures - held)
    return Solved(
        effects,
        np.asarray(covariance, dtype=float),
        departures,
        np.maximum(departure_variance, 1e-12),
        left,
        of_run,
        shared,
        rest,
    )


def log_evidence(problem: Problem, linear: Linearised, state: State) -> float:
    """Logarithm of the marginal likelihood of the linearised model, but for a constant."""
    solved = solve(problem, linear, state)
    sd = effect_sd(problem, state)
    away = problem.random_effects.whitened((solved.effects - problem.random_effects.prior_mean) / sd)
    square = np.einsum(
        "ro,ro->", solved.rest, np.linalg.solve(solved.marginal, solved.rest[..., None])[..., 0]
    )
    volume = np.linalg.slogdet(solved.marginal)[1].sum() - np.linalg.slogdet(solved.covariance)[1]
    prior_volume = problem.random_effects.log_determinant + 2.0 * np.sum(np.log(sd))
    return -0.5 * float(square + volume + np.sum(away**2) + prior_volume)


def at_state(linear: Linearised, state: State, solved: Solved) -> Solved:
    """The covariances of a solve, around the state itself instead of where the linear model would go."""
    return replace(
        solved,
        effects=state.effects,
        departures=state.departures,
        left=linear.at.residual,
        rest=linear.at.residual + np.einsum("rop,rp->ro", linear.by_parameter, state.departures),
    )


def cost(problem: Problem, at: State, residual: FloatArray) -> float:
    """Minus the log posterior density of effects and departures, spreads and weights held."""
    own_noise = noise(problem, at, residual != 0.0)
    variance = run_variance(problem, at)
    effects = problem.random_effects
    away = effects.whitened((at.effects - effects.prior_mean) / effect_sd(problem, at))
    departed = np.divide(at.departures**2, variance, out=np.zeros_like(variance), where=variance > 0.0)
    misfit = np.einsum("ro,ro->", residual, np.linalg.solve(own_noise, residual[..., None])[..., 0])
    return 0.5 * float(misfit + np.sum(away**2) + np.sum(departed))


def linear_residual(problem: Problem, linear: Linearised, old: State, new: State) -> FloatArray:
    """What the linearised model leaves at another state, (runs, obs)."""
    moved = (new.effects - old.effects)[problem.design.effect_index]
    by_effect = np.einsum("roe,re->ro", linear.by_effect, moved)
    return np.asarray(
        linear.at.residual
        - by_effect
        - np.einsum("rop,rp->ro", linear.by_parameter, new.departures - old.departures)
    )
