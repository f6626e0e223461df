"""What runs would tell before they are made: Gaussian updates of what is known, and what that does for a call.

Around the fit the model is linear, so the covariance after a run does not depend on what it will show (Chaloner &
Verdinelli, Statistical Science 10 (1995) 273, review of Bayesian design). Only where the call would then be
made is still open: it is drawn, and the call made anew for each draw (preposterior analysis; Raiffa & Schlaifer,
Applied Statistical Decision Theory, 1961).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.advice.call.odds import RESULTS, lands
from rig.advice.call.slopes import Slopes
from rig.advice.plan.candidates import Experiments
from rig.arrays import FloatArray
from rig.bench import Target
from rig.fitting.sampling import square_root, standard_normal

_OUTER, _INNER, _DIRECTIONS = 256, 512, 8


def after(covariance: FloatArray, slopes: FloatArray, noise: FloatArray) -> FloatArray:
    """Covariance (effects, effects) of the effects once a run with these slopes and noise is in."""
    cross = slopes @ covariance
    out = covariance - cross.T @ np.linalg.solve(cross @ slopes.T + noise, cross)
    return np.asarray(0.5 * (out + out.T))


def reductions(covariance: FloatArray, experiments: Experiments, wanted: FloatArray) -> FloatArray:
    """(candidates,): how far each run would lower the summed variance of `wanted` (quantities, effects)."""
    cross = experiments.slopes @ covariance
    marginal = cross @ np.swapaxes(experiments.slopes, 1, 2) + experiments.noise
    across = cross @ wanted.T
    return np.asarray(np.einsum("coq,coq->c", across, np.linalg.solve(marginal, across)))


def choose(
    experiments: Experiments, wanted: FloatArray, count: int, most_alike: int
) -> tuple[list[int], list[float]]:
    """Indices of runs chosen one after the other, each the most telling given those before it, and the gain of each.

    `wanted` (quantities, effects + misfits).
    """
    picked: list[int] = []
    gains: list[float] = []
    covariance = experiments.covariance
    for _ in range(count):
        gain = reductions(covariance, experiments, wanted)
        worn = [k for k in set(picked) if picked.count(k) >= most_alike]
        gain[worn] = -np.inf
        best = int(np.argmax(gain))
        if not np.isfinite(gain[best]):
            break
        picked.append(best)
        gains.append(float(gain[best]))
        covariance = after(covariance, experiments.slopes[best], experiments.noise[best])
    return picked, gains


def with_runs(experiments: Experiments, picked: Sequence[int]) -> FloatArray:
    """Covariance of effects and misfits once all these runs are in."""
    covariance = experiments.covariance
    for k in picked:
        covariance = after(covariance, experiments.slopes[k], experiments.noise[k])
    return covariance


@dataclass(frozen=True, eq=False)
class Question:
    """A call seen linearly: the average drink's results, what effects do to them, and what runs add.

    `value` (times, results); `by_effect` (times, results, effects); `run_root` (times, results, any): a root of
    run-to-run covariance, the same departures at all times; `call` the index of the called duration.
    """

    slopes: Slopes
    target: Target
    value: FloatArray
    by_effect: FloatArray
    run_root: FloatArray
    call: int

    @property
    def run_sd(self) -> FloatArray:
        """Run-to-run standard deviation (results,) at the call."""
        return np.asarray(np.sqrt((self.run_root[self.call] ** 2).sum(axis=1)))


def question(slopes: Slopes, target: Target, duration_s: float, spread: FloatArray, effects: int) -> Question:
    """Set up a call; `spread` (parameters,) is a new run's standard deviation of each parameter."""
    return Question(
        slopes=slopes,
        target=target,
        value=np.ascontiguousarray(slopes.value.T),
        by_effect=np.ascontiguousarray(np.swapaxes(slopes.by_effect(effects), 0, 1)),
        run_root=np.swapaxes(slopes.by_parameter, 0, 1) * spread,
        call=int(np.argmin(np.abs(slopes.duration_s - duration_s))),
    )


@dataclass(frozen=True)
class Worth:
    """What knowing more is worth to a call.

    `odds`: expected odds with the call made best by what will be known; `odds_as_called`: with the call as it
    is; `duration_sd_s`: how far the best duration is expected to move.
    """

    odds: float
    odds_as_called: float
    duration_sd_s: float


def worth(q: Question, now: FloatArray, then: FloatArray, seed: int = 3) -> Worth:
    """Expected odds once the covariance of the effects has gone from `now` to `then`.

    The call of each draw is chosen on one half of the inner draws and judged on the other, so that chance does
    not pass for gain.
    """
    times = len(q.value)
    h = q.by_effect.reshape(times * len(RESULTS), -1)
    moved = _normal(h @ (now - then) @ h.T, _OUTER, seed).reshape(_OUTER, times, -1)
    own = _normal(h @ then @ h.T, _INNER, seed + 1).reshape(_INNER, times, -1)
    rng = np.random.default_rng(seed + 2)
    own += np.einsum("trp,ip->itr", q.run_root, rng.normal(size=(_INNER, q.run_root.shape[2])))
    halves = np.empty((2, _OUTER, times))
    for k, half in enumerate((own[::2], own[1::2])):
        for n, shift in enumerate(moved):
            halves[k, n] = lands(q.value + shift + half, q.target).mean(axis=0)
    smooth = _smoothed(halves)
    choice = smooth.argmax(axis=2)
    rows = np.arange(_OUTER)
    odds = 0.5 * (halves[1, rows, choice[0]] + halves[0, rows, choice[1]])
    best_s = q.slopes.duration_s[smooth.mean(axis=0).argmax(axis=1)]
    plain = halves.mean(axis=(0, 1))
    as_called = float(plain[_smoothed(plain).argmax()])
    return Worth(max(float(odds.mean()), as_called), as_called, float(best_s.std()))


def _smoothed(odds: FloatArray) -> FloatArray:
    """Averaged over neighbouring times, so that the best is a place and not a spike of chance."""
    padded = np.concatenate([odds[..., :1], odds, odds[..., -1:]], axis=-1)
    return np.asarray((padded[..., :-2] + padded[..., 1:-1] + padded[..., 2:]) / 3.0)


def _normal(covariance: FloatArray, draws: int, seed: int) -> FloatArray:
    """Evenly spread normal draws (draws, size): the widest few directions by a Sobol' sequence, the rest none."""
    root = square_root(covariance)[:, :_DIRECTIONS]
    return standard_normal(draws, root.shape[1], seed) @ root.T
