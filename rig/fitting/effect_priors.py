"""The prior of every effect and of every hand: what other benches know of its kind, else what is published."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from rig.arrays import FloatArray, IntArray
from rig.bench import Bench
from rig.errors import NotFound
from rig.fitting.kinds import hand_kind, kind_of
from rig.fitting.priors import MOTIONS, RUN_SD_PRIOR, P
from rig.fitting.random_effects import Key, RandomEffects, effects_of, situation_kind
from rig.fitting.situation import Situation
from rig.population import Population


def effect_priors(
    bench: Bench, listed: Sequence[tuple[Key, float]], population: Population | None
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Means and standard deviations, (effects,) each, of effects listed with their published standard deviations.

    And their correlations (effects, effects), where other benches know of any: effects of one kind share the bench's
    level of it, and levels are known together; None where all are independent.
    """
    mean, sd = np.zeros(len(listed)), np.array([published for _, published in listed])
    at = places_of(bench, [key for key, _ in listed], population)
    if population is None or not np.any(at >= 0):
        return mean, sd, None
    known = at >= 0
    mean[known], sd[known] = np.array(list(population.effects.values()))[at[known]].T
    covariance = np.diag(sd**2) + levels_between(at, at, population)
    sd = np.sqrt(np.diagonal(covariance))
    return mean, sd, covariance / np.outer(sd, sd)


def places_of(bench: Bench, keys: Sequence[Key], population: Population | None) -> IntArray:
    """Where the kind of each effect stands in a population, (effects,); −1 where nothing is known of it."""
    place = {} if population is None else population.place
    kinds = [kind_of(bench, key) for key in keys] if place else [None] * len(keys)
    return np.array([-1 if kind is None else place.get(kind, -1) for kind in kinds], dtype=np.int64)


def levels_between(rows: IntArray, columns: IntArray, population: Population) -> FloatArray:
    """Covariance (rows, columns) that effects have by their bench's levels, from their places; 0 of what is unknown."""
    known = (rows[:, None] >= 0) & (columns >= 0)
    return np.where(known, population.levels[np.ix_(rows, columns)], 0.0)


def random_effects_of(
    bench: Bench, situations: Iterable[Situation], population: Population | None = None
) -> RandomEffects:
    """The effects that any of the situations needs, in order of first need."""
    order: dict[Key, float] = {}
    first: dict[tuple[str | bool, ...], Situation] = {}
    for s in situations:
        first.setdefault(situation_kind(s), s)
    for s in first.values():
        try:
            for key, sd in effects_of(bench, s):
                order.setdefault(key, sd)
        except NotFound:
            continue
    return RandomEffects(tuple(order), *effect_priors(bench, list(order.items()), population))


def run_sd_prior(bench: Bench, technique: str, population: Population | None) -> FloatArray:
    """Standard deviations of a run's departures under a technique before any run, (parameters,)."""
    motion = bench.motion(technique)
    sd = np.zeros(len(P))
    sd[P.RATE] = MOTIONS[motion].run_rate_log_sd
    for parameter, published in RUN_SD_PRIOR.items():
        sd[parameter] = published
    if population is not None:
        for parameter in P:
            sd[parameter] = population.hands.get(hand_kind(parameter, motion), sd[parameter])
    return sd
