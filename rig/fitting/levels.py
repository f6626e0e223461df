"""A linear model of three levels, and how far apart things lie on each.

An effect is its kind's mean, what the venue adds to that, and what the item itself adds. What is observed of a bench's
effects is Gaussian in natural parameters, and may tell sums of them alone. Means and all effects are integrated out in
closed form; the logarithm of the evidence and its slopes by the logarithms of the variances (Fisher's identity: what a
step of expectation–maximisation would ask for) serve SciPy's L-BFGS-B (Byrd, Lu, Nocedal & Zhu, SIAM J. Sci. Comput. 16
(1995) 1190). Since means are integrated out, variances are those of restricted maximum likelihood (Searle, Casella &
McCulloch, Variance Components, 1992, ch. 6), held by a prior.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, cholesky
from scipy.optimize import minimize

from rig.arrays import FloatArray, IntArray
from rig.fitting.spreads import PRIOR_MEMBERS

_STEPS = 100
_PRIOR_LEVEL = 1.0
_NARROWEST, _WIDEST = -6.0, 3.0
"""Bounds of the logarithm of each factor of a variance."""


@dataclass(frozen=True)
class Told:
    """What a bench's runs say of its effects: `information` (effects, effects), `score` (effects,).

    `at` (effects,): where the kind of each stands among all kinds.
    """

    information: FloatArray
    score: FloatArray
    at: IntArray


@dataclass(frozen=True)
class Variances:
    """Of items about their venue's mean, of venues about the mean of all, of that mean before any run; (kinds,)."""

    item: FloatArray
    venue: FloatArray
    mean: FloatArray


@dataclass(frozen=True)
class Message:
    """What is said of means: information (kinds, kinds), score (kinds,).

    `log_evidence`: the logarithm of what was integrated out, but for a constant.
    """

    information: FloatArray
    score: FloatArray
    log_evidence: float

    def __add__(self, other: Message) -> Message:
        return Message(
            self.information + other.information,
            self.score + other.score,
            self.log_evidence + other.log_evidence,
        )

    def __sub__(self, other: Message) -> Message:
        return Message(
            self.information - other.information,
            self.score - other.score,
            self.log_evidence - other.log_evidence,
        )


@dataclass(frozen=True)
class Posterior:
    """Of some values under independent priors: mean, covariance."""

    mean: FloatArray
    covariance: FloatArray


def nothing(kinds: int) -> Message:
    """The message of nobody."""
    return Message(np.zeros((kinds, kinds)), np.zeros(kinds), 0.0)


def passed_on(said: Message, variance: FloatArray) -> tuple[Message, FloatArray]:
    """What remains of a message where the values it is about scatter by so much about those above them.

    And the covariance of these values, given the message and values above them that are known.
    """
    sd = np.sqrt(variance)
    scaled = np.eye(sd.size) + sd[:, None] * said.information * sd
    root = cholesky(scaled, lower=True, check_finite=False)
    within = sd[:, None] * cho_solve((root, True), np.eye(sd.size), check_finite=False) * sd
    loose = 1.0 / variance
    told = within @ said.score
    log_evidence = said.log_evidence + 0.5 * float(said.score @ told) - float(np.log(np.diagonal(root)).sum())
    above = Message(np.diag(loose) - loose[:, None] * within * loose, loose * told, log_evidence)
    return above, np.asarray(within)


def message_of(told: Told, item_var: FloatArray) -> tuple[Message, FloatArray]:
    """What a bench says of its venue's means, and the covariance of its effects where these are known."""
    above, within = passed_on(Message(told.information, told.score, 0.0), item_var[told.at])
    whole = nothing(item_var.size)
    np.add.at(whole.information, (told.at[:, None], told.at), above.information)
    np.add.at(whole.score, told.at, above.score)
    return Message(whole.information, whole.score, above.log_evidence), within


def mean_of_all(said: Message, variance: FloatArray) -> tuple[Posterior, float]:
    """The means of all venues from what these say, and the logarithm of the evidence."""
    above, within = passed_on(said, variance)
    return Posterior(within @ said.score, within), above.log_evidence


def mean_of_venue(said: Message, within: FloatArray, venue_var: FloatArray, of_all: Posterior) -> Posterior:
    """A venue's means from what its benches say and from the means of all, which know what it says already.

    `within`: covariance of the venue's means where those of all are known.
    """
    carried = within / venue_var
    return Posterior(
        within @ (said.score + of_all.mean / venue_var), within + carried @ of_all.covariance @ carried.T
    )


def log_evidence(
    told: Sequence[Told], venues: Mapping[str, Sequence[int]], v: Variances
) -> tuple[float, FloatArray, FloatArray]:
    """Logarithm of the evidence, but for a constant, and its slopes by the logarithms of `v.item` and `v.venue`."""
    size = v.item.size
    benches = [message_of(t, v.item) for t in told]
    total, here = nothing(size), {}
    for venue, members in venues.items():
        said = sum((benches[n][0] for n in members), nothing(size))
        above, within = passed_on(said, v.venue)
        here[venue] = said, within
        total = total + above
    of_all, value = mean_of_all(total, v.mean)
    by_item, by_venue = np.zeros(size), np.zeros(size)
    for venue, members in venues.items():
        said, within = here[venue]
        mine = mean_of_venue(said, within, v.venue, of_all)
        met = np.zeros(size, dtype=bool)
        met[np.concatenate([told[n].at for n in members])] = True
        together = np.einsum("ij,ji->i", within / v.venue, of_all.covariance)
        square = (mine.mean - of_all.mean) ** 2
        square += np.diagonal(mine.covariance) + np.diagonal(of_all.covariance) - 2.0 * together
        by_venue += np.where(met, square / v.venue - 1.0, 0.0)
        for n in members:
            square = _item_squares(told[n], benches[n][1], v.item, mine)
            by_item += np.bincount(told[n].at, square / v.item[told[n].at] - 1.0, minlength=size)
    return value, 0.5 * by_item, 0.5 * by_venue


def _item_squares(told: Told, within: FloatArray, item_var: FloatArray, venue: Posterior) -> FloatArray:
    """Expected square (effects,) of what each item adds to its venue's mean."""
    at, loose = told.at, 1.0 / item_var[told.at]
    follows = within * loose - np.eye(at.size)
    away = within @ (told.score + loose * venue.mean[at]) - venue.mean[at]
    spread = np.einsum("ij,ij->i", follows @ venue.covariance[np.ix_(at, at)], follows)
    return np.asarray(away**2 + np.diagonal(within) + spread)


def learned_variances(
    told: Sequence[Told], venues: Mapping[str, Sequence[int]], before: Variances, component: IntArray
) -> Variances:
    """Variances of items and of venues by which what benches say is most likely, under a prior.

    Bars may be much more alike than published spreads say, and that shows in all kinds together long before it shows in
    each: a variance is its value before, times a factor of its level, one of its level and component (`component`,
    (kinds,)) and one of its own. Each factor's prior is scaled inverse chi-squared about one, worth `PRIOR_MEMBERS`;
    that of a whole level `_PRIOR_LEVEL`: how alike bars are nobody has published.
    """
    size, components = component.size, int(component.max()) + 1
    worth = np.tile([_PRIOR_LEVEL, *[PRIOR_MEMBERS] * (components + size)], 2)
    each = 1 + components + size

    def variances(x: FloatArray) -> Variances:
        factor = [
            np.exp(y[0] + y[1 : 1 + components][component] + y[1 + components :]) for y in x.reshape(2, -1)
        ]
        return Variances(before.item * factor[0], before.venue * factor[1], before.mean)

    def cost(x: FloatArray) -> tuple[float, FloatArray]:
        value, *slopes = log_evidence(told, venues, variances(x))
        by_factor = [np.concatenate([[s.sum()], np.bincount(component, s, components), s]) for s in slopes]
        held = 0.5 * float(np.sum(worth * (x + np.exp(-x))))
        return held - value, 0.5 * worth * (1.0 - np.exp(-x)) - np.concatenate(by_factor)

    bounds = [(_NARROWEST, _WIDEST)] * (2 * each)
    options = {"maxiter": _STEPS, "ftol": 1e-8}
    found = minimize(cost, np.zeros(2 * each), jac=True, method="L-BFGS-B", bounds=bounds, options=options)
    return variances(found.x)
