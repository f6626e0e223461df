"""The prior of every effect and of every hand: what other benches know of its kind, else what is published."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from rig.arrays import FloatArray
from rig.bench import Bench
from rig.errors import NotFound
from rig.fitting.kinds import hand_kind, kind_of
from rig.fitting.priors import MOTIONS, RUN_SD_PRIOR, P
from rig.fitting.random_effects import Key, RandomEffects, effects_of, situation_kind
from rig.fitting.situation import Situation
from rig.population import Population


def effect_priors(
    bench: Bench, listed: Sequence[tuple[Key, float]], population: Population | None
) -> tuple[FloatArray, FloatArray]:
    """Means and standard deviations, (effects,) each, of effects listed with their published standard deviations."""
    mean, sd = np.zeros(len(listed)), np.array([published for _, published in listed])
    if population is not None:
        for n, (key, _) in enumerate(listed):
            kind = kind_of(bench, key)
            if kind is not None and kind in population.effects:
                mean[n], sd[n] = population.effects[kind]
    return mean, sd


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
