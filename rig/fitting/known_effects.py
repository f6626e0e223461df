"""What a fit knows of effects: those that its runs met, and those that they did not, which follow from the prior.

Where other benches taught the prior, effects are correlated, and a drink never made here follows what the runs say of
the level of this bench: a conditional normal distribution (Rao, Linear Statistical Inference, 2nd ed. 1973, § 8a.2,
from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray
from rig.fitting.effect_priors import effect_priors, levels_between, places_of
from rig.fitting.random_effects import Key
from rig.fitting.result import Fit


@dataclass(frozen=True)
class KnownEffects:
    """Gaussian: `mean` (effects,), `covariance` (effects, effects)."""

    mean: FloatArray
    covariance: FloatArray


def effects_before(fit: Fit, listed: Sequence[tuple[Key, float]]) -> tuple[FloatArray, FloatArray]:
    """Means and standard deviations, (effects,) each, before any run of their own; spreads as the fit learned them."""
    mean, sd, _ = effect_priors(fit.bench, listed, fit.book.population)
    return mean, _as_learned(fit, [key for key, _ in listed], sd)


def known_of(fit: Fit, listed: Sequence[tuple[Key, float]]) -> KnownEffects:
    """What is known of effects, listed with their published standard deviations, after the fit."""
    index, post = fit.random_effects.index(), fit.posterior
    met = [n for n, (key, _) in enumerate(listed) if key in index]
    unmet = [n for n, (key, _) in enumerate(listed) if key not in index]
    at = [index[listed[n][0]] for n in met]
    mean, covariance = np.zeros(len(listed)), np.zeros((len(listed), len(listed)))
    mean[met], covariance[np.ix_(met, met)] = post.effects[at], post.covariance[np.ix_(at, at)]
    if unmet:
        new = _unmet(fit, [listed[n] for n in unmet])
        mean[unmet], covariance[np.ix_(unmet, unmet)] = new.mean, new.covariance
        covariance[np.ix_(unmet, met)] = new.with_fitted[:, at]
        covariance[np.ix_(met, unmet)] = new.with_fitted[:, at].T
    return KnownEffects(mean, covariance)


@dataclass(frozen=True)
class _Unmet:
    """`mean` (unmet,), `covariance` (unmet, unmet), `with_fitted` (unmet, fitted): covariance with those fitted."""

    mean: FloatArray
    covariance: FloatArray
    with_fitted: FloatArray


def _unmet(fit: Fit, listed: Sequence[tuple[Key, float]]) -> _Unmet:
    fitted, post, population = fit.random_effects, fit.posterior, fit.book.population
    keys = [key for key, _ in listed]
    mean, sd, correlation = effect_priors(fit.bench, listed, population)
    sd = _as_learned(fit, keys, sd)
    if population is None or correlation is None:
        return _Unmet(mean, np.diag(sd**2), np.zeros((len(listed), len(fitted))))
    covariance = correlation * np.outer(sd, sd)
    if fitted.inverse_correlation is None:
        return _Unmet(mean, covariance, np.zeros((len(listed), len(fitted))))
    here = _as_learned(fit, fitted.keys, fitted.prior_sd)
    wider, wider_here = (_as_learned(fit, some, np.ones(len(some))) for some in (keys, fitted.keys))
    at, at_here = (places_of(fit.bench, some, population) for some in (keys, fitted.keys))
    shared = levels_between(at, at_here, population) * np.outer(wider, wider_here)
    follows = shared @ (fitted.inverse_correlation / np.outer(here, here))
    away = post.effects - fitted.prior_mean
    with_fitted = follows @ post.covariance
    return _Unmet(
        mean=mean + follows @ away,
        covariance=covariance - follows @ shared.T + with_fitted @ follows.T,
        with_fitted=with_fitted,
    )


def _as_learned(fit: Fit, keys: Sequence[Key], prior_sd: FloatArray) -> FloatArray:
    """Prior standard deviations (effects,) as the runs of the fit have taught to widen or to narrow them."""
    components, scales = fit.random_effects.components, fit.posterior.spreads.component_scale
    scale = dict(zip(components, scales, strict=True))
    own = prior_sd * np.array([scale.get((parameter, owner), 1.0) for parameter, owner, _ in keys])
    return np.asarray(fit.posterior.effect_scale * own)
