"""Draws of several drinks at once, from one draw of all fitted effects, so that what they share cancels.

`predict` answers for one drink at a time. Where drinks are set against each other, draw k must be the same bench in
each; and to say how well the odds themselves are known, single runs are drawn within each draw of the bench.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray, take_rows
from rig.fitting.known_effects import known_of
from rig.fitting.prediction import (
    ParameterDraws,
    Prediction,
    at_times,
    prediction_from,
    rising,
    run_course,
    run_spread,
    stretched,
)
from rig.fitting.priors import P
from rig.fitting.random_effects import Key, add_misfits, add_up, effects_of, multipliers_of
from rig.fitting.result import Fit
from rig.fitting.sampling import square_root, standard_normal
from rig.fitting.situation import Situation, nominals

SEED = 20
_LANES = 8192
"""Courses followed in one integration."""


@dataclass(frozen=True, eq=False)
class JointDraws:
    """Predictions of several drinks, whose draws are benches × runs in each, in that order: the same in all."""

    predictions: tuple[Prediction, ...]
    benches: int
    runs: int

    def by_bench(self, values: FloatArray) -> FloatArray:
        """Draws (draws, …) as (benches, runs, …)."""
        return values.reshape(self.benches, self.runs, *values.shape[1:])


def joint_draws(
    fit: Fit, situations: Sequence[Situation], times_s: Sequence[FloatArray], benches: int, runs: int
) -> JointDraws:
    """Draw the bench `benches` times and, in each, `runs` runs of every drink; one run: the average drink's course.

    Parameters
    ----------
    situations
        With nothing left open (`rig.advice.call.assumed`).
    times_s
        (times,) of each situation, rising.
    benches, runs
        Powers of two spread best.

    Raises
    ------
    NotFound, ModelRangeError
        A name not on the bench; a drink outside the range of the liquid properties.
    """
    nominal = nominals(fit.bench, list(situations))
    listed = [effects_of(fit.bench, s) for s in situations]
    published: dict[Key, float] = {}
    for effects in listed:
        for key, sd in effects:
            published.setdefault(key, sd)
    drawn = _effects(fit, published, benches)
    place = {key: k for k, key in enumerate(published)}
    keys = [key for key, _ in listed[0]]
    columns = np.array([-1 if key[0] is None else int(key[0]) for key in keys])
    multiplier = multipliers_of(situations, nominal, keys)
    departures = standard_normal(runs, len(P), SEED + 1) if runs > 1 else np.zeros((1, len(P)))
    made = []
    for k, (situation, effects) in enumerate(zip(situations, listed, strict=True)):
        own = drawn[:, [place[key] for key, _ in effects]]
        here = take_rows(nominal, np.array([k]))
        shared = add_up(own * multiplier[k], columns)
        away = departures * run_spread(fit, situation, here)
        parameters = (shared[:, None] + away[None]).reshape(benches * runs, len(P))
        misfit = np.repeat(add_misfits(own[:, columns < 0]), runs, axis=0)
        made.append(ParameterDraws(here, parameters, misfit, np.zeros(benches * runs, dtype=np.int64)))
    found: list[Prediction] = []
    at_once = max(1, _LANES // (benches * runs))
    for first in range(0, len(made), at_once):
        part = slice(first, first + at_once)
        times = [rising(t) for t in times_s[part]]
        course = run_course(made[part], max(float(t[-1]) for t in times))
        for k, (f, t) in enumerate(zip(made[part], times, strict=True)):
            lanes = slice(k * benches * runs, (k + 1) * benches * runs)
            temp, added = (at_times(course, v, t)[lanes] for v in (course.temp_c, course.added_g))
            found.append(prediction_from(fit, situations[first + k], f, t, temp, added))
    told = tuple(stretched(fit, p) for p in found) if runs > 1 else tuple(found)
    return JointDraws(told, benches, runs)


def _effects(fit: Fit, published: dict[Key, float], draws: int) -> FloatArray:
    """(draws, effects): those fitted from their posterior together, the others as they follow from these."""
    index = fit.random_effects.index()
    points = standard_normal(draws, len(published), SEED)
    joint = known_of(fit, list(published.items()))
    known = [k for k, key in enumerate(published) if key in index]
    new = [k for k, key in enumerate(published) if key not in index]
    out = np.zeros((draws, len(published)))
    within = joint.covariance[np.ix_(known, known)]
    away = points[:, : len(known)] @ square_root(within).T
    follows = np.linalg.solve(within, joint.covariance[np.ix_(known, new)]).T
    left = joint.covariance[np.ix_(new, new)] - follows @ joint.covariance[np.ix_(known, new)]
    out[:, known] = joint.mean[known] + away
    out[:, new] = joint.mean[new] + away @ follows.T + points[:, len(known) :] @ np.linalg.cholesky(left).T
    return out
