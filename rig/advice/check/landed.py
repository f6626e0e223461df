"""Did a run land, and what were the odds of it without that run: both by weighing and end temperature.

By measurement, not by the model: water added is the strained mass and what was held back, less the drink before
the ice; the temperature is the trace's last, the probe's lag undone. Overrun is no part of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from rig.advice.call.odds import RESULTS, Result, lands, windows_of
from rig.advice.check.left_out import LeftOut
from rig.arrays import BoolArray, FloatArray
from rig.bench import Bench, Target
from rig.physics.liquid import Liquid, abv_pct, volume_ml
from rig.physics.recipe_liquid import liquid_from_recipe

_QUANTILES = 256
_MOST_CORR = 0.999
_PARTS = ("ethanol_g", "sugar_g", "water_g", "solids_g")


@dataclass(frozen=True, eq=False)
class RunOdds:
    """Each run against its target: the odds said without it and whether it landed; arrays (runs,), NaN unknown.

    `targets`: which target it is; None where the bench has none that can be measured.
    """

    targets: tuple[str | None, ...]
    said: FloatArray
    landed: FloatArray


def run_odds(left: LeftOut, bench: Bench) -> RunOdds:
    """Score each run against one target.

    Its own, where it is noted. Else, among those that runs of its recipe are noted to be made for (where
    none is: among all of the bench), the one it was likeliest to land in by what the other runs say. The run
    itself has no say in that, so choosing favours neither landing nor missing.
    """
    known = {name: target for name, target in bench.targets.items() if windows_of(target)}
    made = set(zip(left.recipes, left.targets, strict=True))
    noted = {recipe: [name for name in known if (recipe, name) in made] for recipe in set(left.recipes)}
    odds = {name: landing_odds(left, bench, target) for name, target in known.items()}
    likely = {name: np.nan_to_num(values, nan=-1.0) for name, values in odds.items()}
    did = {name: landed(left, bench, target) for name, target in known.items()}

    def target_of(row: int) -> str | None:
        own = left.targets[row]
        if own in known:
            return own
        among = noted[left.recipes[row]] or list(known)
        return max(among, key=lambda name: float(likely[name][row]), default=None)

    targets = tuple(target_of(k) for k in range(len(left)))

    def of_target(values: dict[str, FloatArray]) -> FloatArray:
        return np.array([np.nan if t is None else values[t][k] for k, t in enumerate(targets)])

    return RunOdds(targets, of_target(odds), of_target(did))


def landing_odds(left: LeftOut, bench: Bench, target: Target) -> FloatArray:
    """Odds (runs,) that each run, foretold by the others, lands at its own duration; NaN where unmeasured.

    Water and temperature are jointly normal: over equally likely values of the water, the share that meets
    its limits, each times the odds of the temperature given that water.
    """
    water, temp = left.added_g - left.strained_residual_g, left.end_temp_c - left.temp_residual_k
    z = ndtri((np.arange(_QUANTILES) + 0.5) / _QUANTILES)
    draws = water[:, None] + left.strained_sd_g[:, None] * z
    corr = np.where(np.isfinite(water), np.clip(left.corr, -_MOST_CORR, _MOST_CORR), 0.0)[:, None]
    middle = temp[:, None] + corr * left.temp_sd_k[:, None] * z
    spread = left.temp_sd_k[:, None] * np.sqrt(1.0 - corr**2)
    inside = np.ones(draws.shape)
    for result, (low, high) in windows_of(target).items():
        if result is Result.TEMP_C:
            inside *= ndtr((high - middle) / spread) - ndtr((low - middle) / spread)
        else:
            value = _result(left, bench, result, draws)
            inside *= (value >= low) & (value <= high)
    return np.where(_measured(target, temp, water), inside.mean(axis=1), np.nan)


def landed(left: LeftOut, bench: Bench, target: Target) -> FloatArray:
    """Whether each run landed as measured: 1 or 0, (runs,); NaN where what the target asks was not measured."""
    results = np.full((len(left), len(RESULTS)), np.nan)
    results[:, 0] = left.end_temp_c
    for result in windows_of(target):
        if result is not Result.TEMP_C:
            of_water = _result(left, bench, result, left.added_g[:, None])
            results[:, RESULTS.index(result)] = of_water[:, 0]
    return np.where(_measured(target, left.end_temp_c, left.added_g), lands(results, target), np.nan)


def _measured(target: Target, temp_c: FloatArray, added_g: FloatArray) -> BoolArray:
    """Whether there is, (runs,), all that a target asks for."""
    asked = windows_of(target).keys()
    there = np.full(temp_c.size, bool(asked))
    if Result.TEMP_C in asked:
        there &= np.isfinite(temp_c)
    if asked - {Result.TEMP_C}:
        there &= np.isfinite(added_g)
    return there


def _result(left: LeftOut, bench: Bench, result: Result, added_g: FloatArray) -> FloatArray:
    """A result that follows from the water, of runs with (runs, draws) added."""
    if result is Result.DILUTION:
        return np.asarray(added_g / left.start_volume_ml[:, None])
    drinks = {name: liquid_from_recipe(bench.recipe(name)).liquid for name in set(left.recipes)}
    scale = left.drink_mass_g / np.array([float(np.sum(drinks[r].mass_g)) for r in left.recipes])
    parts = (np.array([float(getattr(drinks[r], part)) for r in left.recipes]) * scale for part in _PARTS)
    diluted = Liquid(*(p[:, None] for p in parts)).plus_water(np.maximum(np.nan_to_num(added_g), 0.0))
    if result is Result.ABV_PCT:
        return abv_pct(diluted, check=False)
    poured = 1.0 - left.held_back_g[:, None] / np.asarray(diluted.mass_g)
    return np.asarray(volume_ml(diluted, check=False) * poured)
