"""The observation model: what a run's probe and scale read, and its Jacobian in each parameter.

The melt model's course, observed through the probe's lag and offset and the strained mass, for all runs of a bench
at once. All slopes of all runs come from lanes of one integration; work is done in chunks, so memory stays flat.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import BoolArray, FloatArray, IntArray, take_rows
from rig.fitting.misfit import MISFITS, MODES, RISE_SHARE, misfit_basis
from rig.fitting.observations import BINS, Observations
from rig.fitting.priors import LAG_MEDIAN_S, PHYSICAL, P
from rig.fitting.random_effects import Design, RandomEffects
from rig.fitting.situation import SOFT_G, Nominals, held_back_g, inputs_for, late_water_g
from rig.physics.melt import Course, lagged, simulate, steps_needed

STRAINED = BINS
"""Column of the strained mass among a run's observations; the trace's readings come before it."""
BEFORE = BINS + 1
"""Column of the probe's reading in the drink before the start: what it shows of its offset."""
OBSERVATIONS = BINS + 2
BEFORE_SD_K = 0.2
TRACE_SHARED = 0.4
"""Share of a trace's noise variance that neighbouring readings have in common."""
_UNOBSERVED = 1e6
CHUNK_LANES, _FEW_RUNS = 6000, 100
_GRID_GROWTH = 1.5
"""Runs are integrated in so many steps that each such grid serves those that need up to that much more."""
_STEP = np.array([0.003] * (P.THICKNESS + 1) + [0.03, 0.05, 0.002, 0.05])


@dataclass(frozen=True)
class Problem:
    """Everything a fit needs, as arrays over runs; `group` (runs,) points to the technique.

    `run_sd` (groups, parameters): how far a run departs, before any is known.
    """

    nominal: Nominals
    observations: Observations
    design: Design
    random_effects: RandomEffects
    group: np.ndarray
    run_sd: FloatArray

    def __len__(self) -> int:
        return int(self.group.size)

    def subset(self, rows: np.ndarray) -> Problem:
        """The problem of some runs only, with the same effects."""
        c = self.design
        return replace(
            self,
            nominal=take_rows(self.nominal, rows),
            observations=take_rows(self.observations, rows),
            design=replace(c, effect_index=c.effect_index[rows], multiplier=c.multiplier[rows]),
            group=self.group[rows],
        )


@dataclass(frozen=True)
class Evaluated:
    """The model at one estimate.

    `residual` (runs, obs) is observed less expected, zero where nothing was observed; `end_temp_c`, `end_added_g`
    (runs,) are each run's own end. `usual` (runs, obs) and `usual_temp_c` (runs,) are what its shared effects alone
    give, without its own departures. The smooth misfits are in the residual only.
    """

    residual: FloatArray
    end_temp_c: FloatArray
    end_added_g: FloatArray
    usual: FloatArray
    usual_temp_c: FloatArray


@dataclass(frozen=True)
class Linearised:
    """The model around one estimate `at`: observations as if it were linear, and slopes.

    `pseudo` (runs, obs) is what would be observed of a linear model through zero; `by_parameter` (runs, obs,
    parameters) and `by_effect` (runs, obs, effects a run) are its slopes. `steps` (runs,) are the grids all this
    holds on.
    """

    at: Evaluated
    pseudo: FloatArray
    by_parameter: FloatArray
    by_effect: FloatArray
    observed: BoolArray
    steps: IntArray


def expected(
    problem: Problem, parameters: FloatArray, rows: np.ndarray, steps: int
) -> tuple[FloatArray, Course]:
    """Expected observations (lanes, obs) of lanes with these parameters; `rows` is each lane's run."""
    nominal, observed = problem.nominal, problem.observations
    inputs = inputs_for(nominal, parameters, rows)
    curves = nominal.curves.take(rows)
    duration = observed.duration_s[rows]
    course = simulate(curves, inputs, duration, steps)
    out = np.empty((rows.size, OBSERVATIONS))
    out[:, BEFORE] = inputs.drink_temp_c + parameters[:, P.OFFSET]
    held = held_back_g(nominal.held_back_g[rows], parameters)
    out[:, STRAINED] = nominal.drink_mass_g[rows] + course.added_g[-1] + late_water_g(parameters) - held
    lag = _lag_s(problem, parameters[:, P.LAG], rows)
    start = observed.probe_start_c[rows]
    start = np.where(np.isfinite(start), start - parameters[:, P.OFFSET], course.temp_c[0])
    reading = lagged(course.time_s, course.temp_c, lag, start)
    out[:, :BINS] = (
        interpolated(course.time_s, reading, observed.bin_time_s[rows]) + parameters[:, P.OFFSET, None]
    )
    return out, course


_NO_LAG_S = 1e-3


def _lag_s(problem: Problem, log_lag: FloatArray, rows: np.ndarray) -> FloatArray:
    """Time constant [s] of what reads each lane, (lanes,); none where a thermometer was read at rest."""
    lag = LAG_MEDIAN_S * np.exp(np.clip(log_lag, -3.0, 3.0))
    return np.where(problem.observations.at_rest[rows], 0.0, lag)


def interpolated(nodes: FloatArray, values: FloatArray, times: FloatArray) -> FloatArray:
    """Straight interpolation per lane; nodes, values (nodes, lanes); times (lanes, k); NaN times give 0."""
    fraction = nodes[:, 0] / nodes[-1, 0]
    share = np.nan_to_num(times / nodes[-1][:, None])
    right = np.clip(np.searchsorted(fraction, share), 1, len(fraction) - 1)
    left_s, right_s = fraction[right - 1], fraction[right]
    w = np.clip((share - left_s) / (right_s - left_s), 0.0, 1.0)
    lane = np.arange(values.shape[1])[:, None]
    return np.asarray((1 - w) * values[right - 1, lane] + w * values[right, lane])


def linearise(problem: Problem, effects: FloatArray, departures: FloatArray) -> Linearised:
    """The model around effects (effects,) and departures (runs, parameters)."""
    steps = grids(problem, effects, departures)
    slopes = np.zeros((len(problem), OBSERVATIONS, len(P)))
    at = _evaluated(problem, effects, departures, steps, slopes)
    observed = _is_observed(problem)
    slopes *= observed[:, :, None]
    shift = misfit_slopes(problem) * observed[:, :, None]
    by_effect = problem.design.by_effect(slopes, shift)
    return moved_to(
        Linearised(at, at.residual, slopes, by_effect, observed, steps), problem, effects, departures, at
    )


def moved_to(
    linear: Linearised, problem: Problem, effects: FloatArray, departures: FloatArray, at: Evaluated
) -> Linearised:
    """The same slopes around another estimate, at which the model was evaluated."""
    pseudo = at.residual + np.einsum("rop,rp->ro", linear.by_parameter, departures)
    pseudo += np.einsum("roe,re->ro", linear.by_effect, effects[problem.design.effect_index])
    return replace(linear, at=at, pseudo=pseudo)


def evaluate(problem: Problem, effects: FloatArray, departures: FloatArray, steps: IntArray) -> Evaluated:
    """The model at effects (effects,) and departures (runs, parameters); `steps` (runs,) from `grids`.

    Costs can be compared on one grid only: the nodes of another bring differences of some 0.01 K.
    """
    return _evaluated(problem, effects, departures, steps, None)


def _evaluated(
    problem: Problem,
    effects: FloatArray,
    departures: FloatArray,
    steps: IntArray,
    slopes: FloatArray | None,
) -> Evaluated:
    """The model at an estimate, and its slopes into `slopes` (runs, obs, parameters) where they are asked for.

    All lanes of a chunk go in one integration: each run with its own departures, without them, and a little off in
    each parameter.
    """
    n = len(problem)
    shared = problem.design.parameters(effects)
    own = shared + departures
    around = () if slopes is None else PHYSICAL
    residual, usual = np.empty((n, OBSERVATIONS)), np.empty((n, OBSERVATIONS))
    end_temp, end_added, usual_temp = np.empty(n), np.empty(n), np.empty(n)
    for rows, grid in chunks(steps, 2 + len(around)):
        lanes = np.stack([own[rows], shared[rows], *[own[rows]] * len(around)])
        for k, parameter in enumerate(around):
            lanes[k + 2, :, parameter] += _STEP[k]
        flat, course = expected(problem, lanes.reshape(-1, len(P)), np.tile(rows, len(lanes)), grid)
        reading = flat.reshape(len(lanes), rows.size, OBSERVATIONS)
        own_lanes = slice(0, rows.size)
        residual[rows], usual[rows] = _observed(problem, rows) - reading[0], reading[1]
        end_temp[rows], usual_temp[rows] = course.temp_c[-1, : 2 * rows.size].reshape(2, -1)
        end_added[rows] = course.added_g[-1, own_lanes]
        if slopes is not None:
            base = course.time_s[:, own_lanes], course.temp_c[:, own_lanes], reading[0, :, :BINS]
            slopes[rows] = _instrument_slopes(problem, own[rows], rows, *base)
            for k, parameter in enumerate(around):
                slopes[rows, :, parameter] = (reading[k + 2] - reading[0]) / _STEP[k]
    residual -= np.einsum("rok,rk->ro", misfit_slopes(problem), problem.design.misfits(effects))
    return Evaluated(np.where(_is_observed(problem), residual, 0.0), end_temp, end_added, usual, usual_temp)


def grids(problem: Problem, effects: FloatArray, departures: FloatArray | float = 0.0) -> IntArray:
    """Steps in which each run is integrated, (runs,), enough around this estimate.

    Runs that need about as many share a grid; few runs share the finest, for a step costs as much as some thousand
    lanes before its first lane.
    """
    at = problem.design.parameters(effects) + departures
    inputs = inputs_for(problem.nominal, at, np.arange(len(problem)))
    needed = steps_needed(inputs, problem.nominal.curves, problem.observations.duration_s)
    finer = np.ceil(np.log(needed / needed.min()) / np.log(_GRID_GROWTH) - 1e-9)
    if len(problem) <= _FEW_RUNS:
        finer[:] = finer.max()
    return np.asarray(np.ceil(needed.min() * _GRID_GROWTH**finer), dtype=np.int64)


def chunks(steps: IntArray, lanes_a_run: int) -> Iterator[tuple[np.ndarray, int]]:
    """Runs of the same grid in chunks that fit memory, with their number of steps."""
    most = max(1, CHUNK_LANES // lanes_a_run)
    for grid in np.unique(steps):
        rows = np.flatnonzero(steps == grid)
        for first in range(0, rows.size, most):
            yield rows[first : first + most], int(grid)


def _observed(problem: Problem, rows: np.ndarray) -> FloatArray:
    e = problem.observations
    return np.column_stack([e.bin_temp_c[rows], e.strained_g[rows], e.before_c[rows]])


def _is_observed(problem: Problem) -> BoolArray:
    return np.isfinite(_observed(problem, np.arange(len(problem))))


def _instrument_slopes(
    problem: Problem,
    at: FloatArray,
    rows: np.ndarray,
    time_s: FloatArray,
    temp_c: FloatArray,
    base: FloatArray,
) -> FloatArray:
    """Slopes (runs, obs, parameters) in what needs no course of its own: the probe's, and the weighing's losses."""
    slopes = np.zeros((rows.size, OBSERVATIONS, len(P)))
    slopes[:, :BINS, P.LAG] = _lag_slope(problem, at, rows, time_s, temp_c, base)
    started = np.isfinite(problem.observations.probe_start_c[rows])
    lag = np.maximum(_lag_s(problem, at[:, P.LAG], rows), _NO_LAG_S)
    fade = np.exp(-np.nan_to_num(problem.observations.bin_time_s[rows]) / lag[:, None])
    slopes[:, :BINS, P.OFFSET] = np.where(started[:, None], 1.0 - fade, 1.0)
    slopes[:, BEFORE, P.OFFSET] = 1.0
    slopes[:, STRAINED, P.HELD] = np.expm1(-held_back_g(problem.nominal.held_back_g[rows], at) / SOFT_G)
    slopes[:, STRAINED, P.LATE] = -np.expm1(-late_water_g(at) / SOFT_G)
    return slopes


def _lag_slope(
    problem: Problem,
    at: FloatArray,
    rows: np.ndarray,
    time_s: FloatArray,
    temp_c: FloatArray,
    base: FloatArray,
) -> FloatArray:
    step = 0.05
    lag = _lag_s(problem, at[:, P.LAG] + step, rows)
    start = problem.observations.probe_start_c[rows]
    start = np.where(np.isfinite(start), start - at[:, P.OFFSET], temp_c[0])
    reading = interpolated(time_s, lagged(time_s, temp_c, lag, start), problem.observations.bin_time_s[rows])
    return (reading + at[:, P.OFFSET, None] - base) / step


def misfit_slopes(problem: Problem) -> FloatArray:
    """(runs, obs, MISFITS): how each coefficient of the smooth misfits enters each observation."""
    e, n = problem.observations, problem.nominal
    out = np.zeros((len(problem), OBSERVATIONS, MISFITS))
    out[:, STRAINED, :MODES] = misfit_basis(e.duration_s, n.longest_s) * n.drink_mass_g[:, None]
    out[:, :BINS, MODES:] = misfit_basis(np.nan_to_num(e.bin_time_s), n.longest_s[:, None])
    return out


def trace_shape(time_s: FloatArray, longest_s: FloatArray) -> FloatArray:
    """Covariance of a trace's readings over their variance, (…, k, k), at times (…, k); `longest_s` is (…)."""
    apart = np.abs(time_s[..., :, None] - time_s[..., None, :])
    near = np.exp(-apart / (RISE_SHARE * longest_s[..., None, None]))
    return np.asarray(TRACE_SHARED * near + (1 - TRACE_SHARED) * np.eye(time_s.shape[-1]))


def noise_covariance(
    trace_var: FloatArray,
    strained_var: FloatArray,
    time_s: FloatArray,
    longest_s: FloatArray,
    observed: np.ndarray,
) -> FloatArray:
    """Covariance (runs, obs, obs) of noise and misfit; what is not observed gets a variance that mutes it.

    Parameters
    ----------
    trace_var, strained_var, longest_s
        (runs,): variances of a trace's reading [K²] and of the strained mass [g²]; longest usual duration [s].
    time_s
        (runs, BINS) times of the trace's readings.
    observed
        (runs, obs).
    """
    diagonal = np.arange(OBSERVATIONS)
    out = np.zeros((trace_var.size, OBSERVATIONS, OBSERVATIONS))
    shape = trace_shape(np.nan_to_num(time_s), longest_s)
    out[:, :BINS, :BINS] = trace_var[:, None, None] * shape
    out[:, STRAINED, STRAINED] = strained_var
    out[:, BEFORE, BEFORE] = BEFORE_SD_K**2
    out = np.where(observed[:, :, None] & observed[:, None, :], out, 0.0)
    out[:, diagonal, diagonal] += np.where(observed, 0.0, _UNOBSERVED)
    return out
