"""Compare set-ups pair by pair: which is colder, thinner or quicker, by how much, and how sure that is.

What is compared is the average drink of each set-up: same recipe, same start, each set-up with its own usual
ice and vessel. One draw of all fitted effects serves every set-up, so that what they share cancels from a
difference. What the runs cannot answer is called not comparable, with the runs that would answer it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
from scipy.stats import norm, t

from rig.advice.compare.ground import (
    Conditions,
    Ground,
    chosen_set_ups,
    common_conditions,
    common_duration,
    gap_at_duration,
    ground_of,
    most_measured_recipe,
    require_sensible,
)
from rig.advice.compare.readings import Readings, read_off
from rig.advice.compare.result import (
    Comparison,
    Contrast,
    PairComparison,
    Percentiles,
    Quantity,
    SetUpSummary,
)
from rig.advice.compare.words import in_sentences, sentence
from rig.advice.evidence.statistics import Estimate, judge
from rig.arrays import FloatArray
from rig.bench import Target
from rig.fitting.result import Fit
from rig.runs import SetUp

CONFIDENCE = 0.95


def compare(
    fit: Fit,
    *,
    set_ups: Sequence[SetUp] | None = None,
    recipe: str | None = None,
    duration_s: float | None = None,
    target: Target | None = None,
    drink_temp_c: float | None = None,
    temp_margin_k: float = 0.5,
    dilution_margin: float = 0.03,
    time_margin_s: float = 2.0,
) -> Comparison:
    """Compare set-ups at equal duration and at equal target.

    Parameters
    ----------
    set_ups
        All with runs unless given.
    recipe, duration_s, drink_temp_c
        Unless given: the recipe measured on most of the set-ups, a duration within the runs of all (or of
        most), a start that all have been measured at.
    target
        Its `serve_temp_c_max` is the temperature to get to; without one, a temperature that all get to.
    temp_margin_k, dilution_margin, time_margin_s
        Differences smaller than this do not matter; dilution is water added ÷ starting volume.

    Raises
    ------
    NotFound
        A vessel, ice or recipe that is not on the bench.
    NotEnoughData
        Fewer than two set-ups, or no run at all.
    ModelRangeError
        A value that cannot be meant.
    """
    require_sensible(duration_s, drink_temp_c, (temp_margin_k, dilution_margin, time_margin_s))
    chosen = chosen_set_ups(fit, set_ups)
    name = most_measured_recipe(fit, chosen) if recipe is None else fit.bench.recipe(recipe).name
    conditions = common_conditions(fit, chosen, name, drink_temp_c)
    ground = [ground_of(fit, s, name, conditions) for s in chosen]
    able = [g for g in ground if g.lacking is None]
    duration = common_duration(able) if duration_s is None else duration_s
    goal = None if target is None else target.serve_temp_c_max
    seen = read_off(fit, able, duration, goal) if able else Readings({}, {}, goal, {}, {}, {})
    margins = {
        Quantity.TEMP_C: temp_margin_k,
        Quantity.DILUTION: dilution_margin,
        Quantity.TIME_TO_TARGET_S: time_margin_s,
        Quantity.DILUTION_AT_TARGET: dilution_margin,
    }
    return Comparison(
        recipe=name,
        conditions=conditions,
        duration_s=duration,
        target_temp_c=seen.goal_c,
        summaries=tuple(_summary(g, name, seen, duration) for g in ground),
        pairs=_pairs(ground, seen, duration, margins),
        notes=_notes(fit, ground, conditions, name, duration, seen, goal),
    )


def _pairs(
    ground: Sequence[Ground], seen: Readings, duration_s: float | None, margins: Mapping[Quantity, float]
) -> tuple[PairComparison, ...]:
    pairs = list(combinations(ground, 2))
    found: dict[tuple[SetUp, SetUp], list[Contrast]] = {(a.set_up, b.set_up): [] for a, b in pairs}
    for quantity in Quantity:
        draws = seen.values.get(quantity, {})
        mine = [(a, b) for a, b in pairs if a.set_up in draws and b.set_up in draws]
        if mine:
            difference = np.array([draws[a.set_up] - draws[b.set_up] for a, b in mine])
            freedom = np.array([a.sound_runs + b.sound_runs - 2.0 for a, b in mine])
            for (a, b), contrast in zip(
                mine, contrasts(quantity, difference, freedom, margins[quantity]), strict=True
            ):
                found[a.set_up, b.set_up].append(contrast)
    return tuple(_pair(a, b, found[a.set_up, b.set_up], seen, duration_s) for a, b in pairs)


def contrasts(
    quantity: Quantity, difference: FloatArray, freedom: FloatArray, margin: float
) -> list[Contrast]:
    """Judge differences drawn from the posterior, all pairs of one quantity together.

    Intervals are percentiles of the draws, widened from Gaussian to Student's t; p from the same t, adjusted
    over the pairs; equivalence by two one-sided tests.

    Parameters
    ----------
    difference
        (pairs, draws).
    freedom
        (pairs,): degrees of freedom, from the runs of both set-ups.
    """
    outside = 0.5 * (1.0 - CONFIDENCE)
    low, middle, high = np.quantile(difference, [outside, 0.5, 1.0 - outside], axis=1)
    widening = t.ppf(1.0 - outside, freedom) / norm.ppf(1.0 - outside)
    judged = judge(Estimate(middle, difference.std(axis=1), freedom), margin, 1.0 - CONFIDENCE)
    return [
        Contrast(
            quantity=quantity,
            difference=j.difference,
            low=float(middle[k] - widening[k] * (middle[k] - low[k])),
            high=float(middle[k] + widening[k] * (high[k] - middle[k])),
            confidence=CONFIDENCE,
            p_adjusted=j.p_zero,
            margin=margin,
            verdict=j.verdict,
        )
        for k, j in enumerate(judged)
    ]


def _pair(
    a: Ground, b: Ground, found: Sequence[Contrast], seen: Readings, duration_s: float | None
) -> PairComparison:
    lacking = [f"{g.set_up}: {g.lacking}" for g in (a, b) if g.lacking is not None]
    if lacking:
        gaps = lacking
    else:
        gap = gap_at_duration(a, b, duration_s)
        gaps = [] if gap is None else [gap]
        gaps += _gaps_at_goal(a, b, seen)
    return PairComparison(
        a=a.set_up,
        b=b.set_up,
        runs_a=a.sound_runs,
        runs_b=b.sound_runs,
        contrasts=tuple(found),
        not_comparable=None if found else in_sentences(gaps),
        gaps=tuple(gaps),
        sentence=sentence(
            a.set_up, b.set_up, (a.sound_runs, b.sound_runs), found, gaps, duration_s, seen.goal_c
        ),
    )


def _gaps_at_goal(a: Ground, b: Ground, seen: Readings) -> list[str]:
    for where, why in (("", seen.no_goal), (" in dilution", seen.no_dilution)):
        missing = [s for s in (a.set_up, b.set_up) if s in why]
        if missing:
            return [f"at {seen.goal_c:z.1f} °C{where}: {s} {why[s]}" for s in missing]
    return []


def _summary(g: Ground, recipe: str, seen: Readings, duration_s: float | None) -> SetUpSummary:
    values = {q: _percentiles(seen.values.get(q, {}).get(g.set_up)) for q in Quantity}
    notes = list(g.notes)
    if g.set_up in seen.notes:
        notes.append(seen.notes[g.set_up])
    if g.lacking is not None:
        notes.insert(0, g.lacking)
    elif duration_s is not None and not g.covers(duration_s):
        notes.append(
            f"not measured at {duration_s:.0f} s, only from {g.range_s[0]:.0f} to {g.range_s[1]:.0f} s"
        )
    return SetUpSummary(
        set_up=g.set_up,
        runs=g.sound_runs,
        recipe=recipe,
        ice_mass_g=g.situation.ice_mass_g,
        ice_temp_c=g.situation.ice_temp_c,
        temp_c=values[Quantity.TEMP_C],
        dilution_by_volume=values[Quantity.DILUTION],
        time_to_target_s=values[Quantity.TIME_TO_TARGET_S],
        dilution_at_target=values[Quantity.DILUTION_AT_TARGET],
        chill_time_s=seen.chill_time_s.get(g.set_up),
        notes=tuple(notes),
    )


def _percentiles(draws: FloatArray | None) -> Percentiles | None:
    if draws is None:
        return None
    low, middle, high = np.percentile(draws, [5.0, 50.0, 95.0])
    return float(low), float(middle), float(high)


def _notes(
    fit: Fit,
    ground: Sequence[Ground],
    conditions: Conditions,
    recipe: str,
    duration_s: float | None,
    seen: Readings,
    asked_goal_c: float | None,
) -> tuple[str, ...]:
    out = [
        f"Compared is the average {recipe} that starts at {conditions.drink_temp_c:z.1f} °C, each set-up with "
        "its own usual ice and vessel; single drinks scatter more.",
        "Water is in ml to 100 ml of drink before the ice.",
    ]
    able = sum(g.lacking is None for g in ground)
    if able > 1 and duration_s is None:
        out.append("No two set-ups have runs of like duration, so none are compared at equal duration.")
    if asked_goal_c is None and seen.goal_c is not None:
        out.append(
            f"No target temperature was given: {seen.goal_c:z.1f} °C is taken, where all surely get to."
        )
    most = max((len(of_set_up) for of_set_up in seen.values.values()), default=0)
    pairs = most * (most - 1) // 2
    if pairs > 1:
        out.append(
            f"{pairs} pairs are compared at once. Verdicts allow for that (Holm's method): the chance of "
            f"even one false difference in a quantity stays below {1.0 - CONFIDENCE:.0%}. Each interval is "
            "for its pair alone."
        )
    if not fit.posterior.converged:
        out.append("The fit has not settled; take the differences with care.")
    return tuple(out)


__all__ = [
    "Comparison",
    "Conditions",
    "Contrast",
    "PairComparison",
    "Quantity",
    "SetUpSummary",
    "compare",
]
