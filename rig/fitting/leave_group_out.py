"""How far off transfers are: all runs of a set-up left out in turn, and predicted from the others.

That is the question a transfer asks. How far set-ups differ beyond what their technique, vessel and ice say hardly
shows in their own runs; how far each lies from what the others foretell tells whether the posterior of the effects
is as wide as it claims. Its covariance is scaled by one number, the mode of its posterior given the left-out residuals
(cross-validated scale of a Gaussian process: Rasmussen & Williams, Gaussian Processes for Machine Learning, MIT
Press 2006, § 5.4.2) under a scaled inverse chi-squared prior about one. As in `leave_one_out`, a group is taken out by
a downdate and nothing is refitted.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.optimize import minimize_scalar

from rig.arrays import BoolArray, FloatArray, IntArray
from rig.fitting.linear_solve import Solved
from rig.fitting.observations import BINS
from rig.fitting.random_effects import Design, Owner, RandomEffects

PRIOR_OUTCOMES = 12.0
"""The prior about one is worth so many outcomes of set-ups left out; each has two, its water and its temperature.

Those of one bench are foretold from the same effects, so that they are fewer than their count.
"""
_LEAST, _MOST = 0.3, 2.0
_MOST_Z = 3.0
"""A set-up that lies further out than this holds a blunder, and counts as if it lay there."""
_TAUGHT = (Owner.ICE, Owner.HANDLING)
"""What others must have taught of a set-up left out: a new ice, or a new vessel, is another question."""


def effect_scale(
    random_effects: RandomEffects,
    design: Design,
    by_effect: FloatArray,
    solved: Solved,
    observed: BoolArray,
    strained: int,
) -> float:
    """What the standard deviations of the effects should be multiplied by, so that transfers are as far off as said.

    Parameters
    ----------
    by_effect
        (runs, observations, effects a run): slopes of the observations.
    solved
        The posterior of the linearised model, its `rest` at the fitted effects.
    observed
        (runs, observations).
    strained
        Column of the strained mass; the trace's readings are the first `BINS`.
    """
    left_out = [
        outcome
        for rows in _transferred(random_effects, design)
        for outcome in _outcomes(design.effect_index[rows], by_effect[rows], solved, rows, observed, strained)
    ]
    if not left_out:
        return 1.0

    def minus_twice_log_density(log_scale2: float) -> float:
        scale2 = np.exp(log_scale2)
        total = PRIOR_OUTCOMES * (log_scale2 + 1.0 / scale2)
        for residual, of_effects, of_runs in left_out:
            variance = scale2 * of_effects + of_runs
            total += np.log(variance) + residual**2 / variance
        return float(total)

    bounds = (2.0 * np.log(_LEAST), 2.0 * np.log(_MOST))
    return float(np.exp(0.5 * minimize_scalar(minus_twice_log_density, bounds=bounds, method="bounded").x))


def _transferred(random_effects: RandomEffects, design: Design) -> Iterator[IntArray]:
    """The runs of each set-up whose ice, and whose vessel under its technique, other set-ups have too."""
    owners = [random_effects.keys[at][1] for at in design.effect_index[0]]
    taught = design.effect_index[:, [owner in _TAUGHT for owner in owners]]
    set_up = design.effect_index[:, owners.index(Owner.SET_UP)]
    for each in np.unique(set_up):
        mine = set_up == each
        if np.isin(taught[mine], taught[~mine]).all():
            yield np.flatnonzero(mine)


def _outcomes(
    index: IntArray,
    by_effect: FloatArray,
    solved: Solved,
    rows: IntArray,
    observed: BoolArray,
    strained: int,
) -> Iterator[tuple[float, float, float]]:
    """Mean residual of runs left out together, its variance by the effects, and by the runs' own scatter.

    For the strained mass and for the last reading of the trace, where observed.
    """
    at, place = np.unique(index, return_inverse=True)
    slopes = np.zeros((rows.size, by_effect.shape[1], at.size))
    for k, to in enumerate(place.reshape(index.shape).T):
        slopes[np.arange(rows.size), :, to] += by_effect[:, :, k]
    weighted = np.matmul(np.swapaxes(slopes, 1, 2), np.linalg.inv(solved.marginal[rows]))
    information = np.tensordot(weighted, slopes, axes=([0, 2], [0, 1]))
    covariance = solved.covariance[np.ix_(at, at)]
    without = covariance @ np.linalg.inv(np.eye(at.size) - information @ covariance)
    back = without @ np.tensordot(weighted, solved.rest[rows], axes=([0, 2], [0, 1]))
    trace = observed[rows, :BINS]
    last = BINS - 1 - np.argmax(trace[:, ::-1], axis=1)
    for column, seen in (
        (np.full(rows.size, strained), observed[rows, strained]),
        (last, trace.any(axis=1)),
    ):
        n, here = np.flatnonzero(seen), column[seen]
        if n.size:
            slope = slopes[n, here].mean(axis=0)
            of_effects = float(slope @ without @ slope)
            of_runs = float(solved.marginal[rows[n], here, here].mean() / n.size)
            most = _MOST_Z * np.sqrt(of_effects + of_runs)
            residual = solved.rest[rows[n], here].mean() + slope @ back
            yield float(np.clip(residual, -most, most)), of_effects, of_runs
