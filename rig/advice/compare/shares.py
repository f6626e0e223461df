"""How much of what differs between drinks is the ice, how much the vessel, the technique, the drink, the hand.

In each joint draw of the fit every ice of the bench is put into every vessel with every technique and drink that are
looked at, under the same conditions, and the average drinks at one time are split by a functional analysis of variance
of this full table (Sobol', Math. Comput. Simul. 55 (2001) 271): what each part does by itself, and what only goes with
a combination. Beside it stands what is not the set-up: how runs of one session differ, and what a whole session shares.
Combinations never made are drawn as their kind scatters, which widens what is told of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations, product
from typing import Any

import numpy as np

from rig.advice.call.calling import answerable
from rig.advice.call.joint_draws import joint_draws
from rig.advice.check.residual_bias import Observation
from rig.advice.compare.ground import most_measured_recipe
from rig.advice.compare.ranking import Interval
from rig.advice.compare.shares_result import FACTORS, Part, Share, Shares
from rig.advice.compare.shares_words import sentences
from rig.advice.compare.what_changed import sound_residuals
from rig.advice.evidence.statistics import repeatability
from rig.arrays import FloatArray
from rig.errors import ModelRangeError, NotEnoughData, NotFound
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import SetUp

BENCHES, RUNS_EACH = 256, 32
SEED = 21
_PRIOR_RUNS = 8.0
"""What the fit's own prior of run-to-run spread is worth in runs."""
MOST_DRINKS = 48
_CONDITIONS = ("drink_temp_c", "room_temp_c")


def shares(
    fit: Fit,
    *,
    technique: str | None = None,
    recipe: str | None = None,
    duration_s: float | None = None,
    all_techniques: bool = False,
    all_recipes: bool = False,
) -> Shares:
    """Split what differs between drinks at one time into parts.

    Parameters
    ----------
    technique, recipe
        The one looked at; those with most runs unless given.
    duration_s
        The time; unless given, the middle of what was measured.
    all_techniques, all_recipes
        Every one that has runs, as further parts.

    Raises
    ------
    NotEnoughData
        No run; or nothing that differs: one ice in one vessel.
    NotFound, ModelRangeError
        A name that has no run; a time or drink that cannot be meant.
    """
    if not fit.measured:
        raise NotEnoughData("no run was fitted. Make three on each of two ices")
    if duration_s is not None and not 0.0 < duration_s <= 3600.0:
        raise ModelRangeError(f"duration_s must be above 0 and at most 3600 s, found {duration_s:g}")
    chosen = _chosen(fit, technique, recipe, all_techniques, all_recipes)
    levels = {
        Part.ICE: _names(s.ice for s, _ in chosen),
        Part.VESSEL: _names(s.vessel for s, _ in chosen),
        Part.TECHNIQUE: _names(s.technique for s, _ in chosen),
        Part.RECIPE: _names(r for _, r in chosen),
    }
    table = [levels[part] for part in FACTORS]
    if math.prod(map(len, table)) < 2:
        raise NotEnoughData(
            "one ice in one vessel: nothing differs. Make three runs with another ice or vessel"
        )
    if math.prod(map(len, table)) > MOST_DRINKS:
        raise ModelRangeError("too many combinations to look at; name one technique and one recipe")
    time_s = _middle(fit, chosen) if duration_s is None else duration_s
    held = _held(fit, chosen)
    drinks = [
        answerable(fit, replace(held, ice=i, vessel=v, technique=t, recipe=r)).situation
        for i, v, t, r in product(*table)
    ]
    times = [np.array([time_s])] * len(drinks)
    average = joint_draws(fit, drinks, times, BENCHES, 1)
    shape = tuple(map(len, table))
    made = _single_runs(fit, chosen, held, time_s)
    out = {}
    for observation in Observation:
        warm = observation is Observation.TEMPERATURE
        values = np.array([(p.temp_c if warm else p.dilution_by_volume)[:, 0] for p in average.predictions])
        parts = split(values.reshape(*shape, -1))
        by_run, by_session = _within(fit, chosen, observation, made[observation])
        parts |= {Part.SESSION: by_session, Part.RUN: by_run}
        out[observation] = _shares(parts, dict(zip(FACTORS, shape, strict=True)))
    told = Shares(
        time_s,
        held,
        levels,
        out[Observation.TEMPERATURE],
        out[Observation.WEIGHING],
        confounded(sorted({s for s, _ in chosen})),
        _notes(chosen, shape),
    )
    return replace(told, sentences=sentences(told))


def _chosen(
    fit: Fit, technique: str | None, recipe: str | None, all_techniques: bool, all_recipes: bool
) -> list[tuple[SetUp, str]]:
    """Drinks on set-ups to look at, with runs."""
    made = sorted(fit.measured)
    known = _names(s.technique for s, _ in made)
    if technique is not None and technique not in known:
        raise NotFound("technique with runs", technique, known)
    count = {t: sum(m.runs for (s, _), m in fit.measured.items() if s.technique == t) for t in known}
    if not all_techniques:
        technique = technique or max(known, key=lambda t: count[t])
        made = [(s, r) for s, r in made if s.technique == technique]
    if not all_recipes:
        recipe = recipe or most_measured_recipe(fit, [s for s, _ in made])
        if recipe not in {r for _, r in made}:
            raise NotFound("recipe with runs", recipe, _names(r for _, r in made))
        made = [(s, r) for s, r in made if r == recipe]
    return made


def _names(found: Any) -> tuple[str, ...]:
    return tuple(sorted(set(found)))


def _middle(fit: Fit, chosen: Sequence[tuple[SetUp, str]]) -> float:
    low, high = (np.median([fit.measured[key].duration_s[k] for key in chosen]) for k in (0, 1))
    return float(max(round(math.sqrt(float(low) * float(high))), 1))


def _held(fit: Fit, chosen: Sequence[tuple[SetUp, str]]) -> Situation:
    """What is the same for all drinks: start and room in the middle of theirs; ice and vessel as each usually is."""
    filled = [answerable(fit, Situation(s.technique, s.vessel, s.ice, r)).situation for s, r in chosen]
    middle = {n: round(float(np.median([getattr(f, n) for f in filled])), 1) for n in _CONDITIONS}
    (set_up, recipe) = chosen[0]
    return Situation(set_up.technique, set_up.vessel, set_up.ice, recipe, **middle)


def split(values: FloatArray) -> dict[Part, FloatArray]:
    """Variances (draws,) of a full table of values (ices, vessels, techniques, recipes, draws).

    Of each part by itself, and of all combinations together, every cell as likely as every other; they add up to the
    table's variance.
    """
    axes = tuple(range(values.ndim - 1))
    grand = values.mean(axis=axes)
    out = {}
    for k, part in enumerate(FACTORS):
        main = values.mean(axis=tuple(a for a in axes if a != k)) - grand
        out[part] = np.mean(main**2, axis=0)
    whole = np.mean((values - grand) ** 2, axis=axes)
    out[Part.TOGETHER] = np.maximum(whole - sum(out.values()), 0.0)
    return out


def _single_runs(
    fit: Fit, chosen: Sequence[tuple[SetUp, str]], held: Situation, time_s: float
) -> dict[Observation, FloatArray]:
    """Variance (draws,) of single runs about their average drink, as the set-ups with runs have it on average."""
    asked = [
        answerable(fit, replace(held, technique=s.technique, vessel=s.vessel, ice=s.ice, recipe=r)).situation
        for s, r in chosen
    ]
    found = joint_draws(fit, asked, [np.array([time_s])] * len(asked), RUNS_EACH, RUNS_EACH)
    by_bench = {
        Observation.TEMPERATURE: [found.by_bench(p.temp_c[:, 0]) for p in found.predictions],
        Observation.WEIGHING: [found.by_bench(p.dilution_by_volume[:, 0]) for p in found.predictions],
    }
    # how well the spread itself is known: a scaled inverse chi-squared with the runs it was learned from
    runs = _PRIOR_RUNS + sum(fit.measured[key].runs for key in chosen)
    known = runs / np.random.default_rng(SEED).chisquare(runs, BENCHES)
    return {
        o: float(np.mean([np.var(v, axis=1, ddof=1).mean() for v in drinks])) * known
        for o, drinks in by_bench.items()
    }


def _within(
    fit: Fit, chosen: Sequence[tuple[SetUp, str]], observation: Observation, variance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The variance of single runs, split into that of runs within a session and that which a session shares.

    The split is that of the residuals of runs by session, drawn as its two mean squares are uncertain (fiducially, each
    over a chi-squared); all within where no session has two runs of the like.
    """
    values, sessions = sound_residuals(fit, chosen, observation)
    groups = [values[sessions == name] for name in np.unique(sessions)]
    try:
        found = repeatability(groups)
    except NotEnoughData:
        return variance, np.zeros_like(variance)
    rng = np.random.default_rng(SEED + 1)
    within = found.sum_of_squares_within / rng.chisquare(found.freedom_within, variance.size)
    between = found.sum_of_squares_between / rng.chisquare(found.freedom_between, variance.size)
    size = np.mean([g.size for g in groups])
    shared = np.maximum(between - within, 0.0) / size
    part = shared / (shared + within) if np.all(within > 0.0) else np.zeros_like(variance)
    return variance * (1.0 - part), variance * part


def _shares(parts: dict[Part, FloatArray], levels: dict[Part, int]) -> tuple[Share, ...]:
    kept = {p: v for p, v in parts.items() if levels.get(p, 2) > 1}
    total = sum(kept.values())
    out = [
        Share(part, levels.get(part, 0), _percentiles(v / total), _percentiles(np.sqrt(v)))
        for part, v in kept.items()
    ]
    return tuple(sorted(out, key=lambda s: -s.share[1]))


def _percentiles(draws: FloatArray) -> Interval:
    low, middle, high = (float(v) for v in np.percentile(draws, [5.0, 50.0, 95.0]))
    return low, middle, high


def confounded(set_ups: Sequence[SetUp]) -> tuple[str, ...]:
    """Pairs of parts of which one always goes with the other, and a run that would separate them."""
    out = []
    for a, b in combinations((Part.ICE, Part.VESSEL, Part.TECHNIQUE), 2):
        pairs = {(getattr(s, a), getattr(s, b)) for s in set_ups}
        first, second = ({p[k] for p in pairs} for k in (0, 1))
        if len(first) < 2 or len(second) < 2:
            continue
        # told apart where one can go from any level to any other by combinations that were made
        pieces = _pieces(pairs)
        if len(pieces) > 1:
            one, other = min(pieces[0]), min(pieces[1])
            out.append(
                f"{a.value} and {b.value} cannot be told apart: {one[0]} was only made with {one[1]}, "
                f"{other[0]} with {other[1]}. Two runs of {one[0]} with {other[1]} would separate them"
            )
    return tuple(out)


def _pieces(pairs: set[tuple[str, str]]) -> list[set[tuple[str, str]]]:
    """The combinations in groups that share no level, each other's neighbours in one."""
    pieces: list[set[tuple[str, str]]] = []
    for pair in sorted(pairs):
        near = [p for p in pieces if any(q[0] == pair[0] or q[1] == pair[1] for q in p)]
        pieces = [p for p in pieces if p not in near] + [{pair}.union(*near)]
    return sorted(pieces, key=min)


def _notes(chosen: Sequence[tuple[SetUp, str]], shape: tuple[int, ...]) -> tuple[str, ...]:
    cells, made = math.prod(shape), len(chosen)
    out = [
        "Every ice, vessel, technique and drink looked at counts alike, as cold and as much of it as usual."
    ]
    if made < cells:
        out.append(
            f"{made} of {cells} combinations were made; the others are carried over, and the ranges say how surely."
        )
    return tuple(out)
