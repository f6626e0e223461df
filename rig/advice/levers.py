"""What to change when no duration serves: each lever tried, and ranked by how far it opens the window."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.advice.odds import odds_curve
from rig.arrays import FloatArray
from rig.bench import Ingredient, Target
from rig.errors import RigError
from rig.fitting.prediction import predict_all
from rig.fitting.priors import MOTIONS
from rig.fitting.result import Fit
from rig.fitting.situation import Nominals, Situation, nominals

_LEAST_GAIN = 0.03


@dataclass(frozen=True)
class Lever:
    """A change, the best odds with it, at which duration, and the gain over leaving things as they are."""

    what: str
    change: str
    value: float | str
    odds: float
    duration_s: float
    gain: float

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "what": self.what,
            "change": self.change,
            "value": self.value,
            "odds": round(self.odds, 4),
            "duration_s": round(self.duration_s, 1),
            "gain": round(self.gain, 4),
        }


def levers(
    fit: Fit, situation: Situation, target: Target, odds: float, draws: int = 128
) -> tuple[Lever, ...]:
    """Changes that raise the best odds noticeably, best first; the best value of each kind of change.

    Parameters
    ----------
    odds
        The best odds as things are.
    """
    nominal = nominals(fit.bench, [situation])
    times = _coarse(fit, situation)
    fit, stronger = _with_stronger(fit, situation)
    tried = [*_candidates(fit, situation, nominal), *stronger]
    try:
        told = predict_all(fit, [c[3] for c in tried], times, draws=draws)
    except RigError:
        tried = [c for c in tried if _can_be(fit, c[3])]
        told = predict_all(fit, [c[3] for c in tried], times, draws=draws) if tried else []
    best: dict[str, Lever] = {}
    for (change, value, what, _), prediction in zip(tried, told, strict=True):
        curve = odds_curve(prediction, target).odds
        k = int(np.argmax(curve))
        lever = Lever(what, change, value, float(curve[k]), float(times[k]), float(curve[k]) - odds)
        if lever.gain >= _LEAST_GAIN and (change not in best or lever.odds > best[change].odds + 0.01):
            best[change] = lever
    return tuple(sorted(best.values(), key=lambda lever: -lever.odds))


_LESS = 0.7
_WORTH_SHARE = 0.15


def _with_stronger(fit: Fit, s: Situation) -> tuple[Fit, list[tuple[str, float | str, str, Situation]]]:
    """The fit with a stronger version of the recipe on its bench: less of what holds no alcohol, same taste in it.

    Empty-handed where such ingredients are too small a part of the drink to matter.
    """
    recipe = fit.bench.recipe(s.recipe)
    weak = [i for i in recipe.ingredients if i.abv_pct == 0.0 and not (i.sugar_g_per_100ml or i.brix)]
    volumes = [i.volume_ml or i.mass_g or 0.0 for i in recipe.ingredients]
    saved = (1.0 - _LESS) * sum(i.volume_ml or i.mass_g or 0.0 for i in weak)
    if saved < _WORTH_SHARE * sum(volumes) or s.drink_mass_g is not None:
        return fit, []

    def less(of: Ingredient) -> Ingredient:
        if of not in weak:
            return of
        return replace(
            of,
            volume_ml=None if of.volume_ml is None else _LESS * of.volume_ml,
            mass_g=None if of.mass_g is None else _LESS * of.mass_g,
        )

    name = f"{recipe.name}, stronger base"
    changed = replace(recipe, name=name, ingredients=tuple(less(i) for i in recipe.ingredients))
    bench = replace(fit.bench, recipes={**fit.bench.recipes, name: changed})
    names = " and ".join(i.name for i in weak)
    what = f"make the base stronger: {_LESS:.0%} of the {names}, brewed or mixed to carry the same taste"
    return replace(fit, book=replace(fit.book, bench=bench)), [("base", _LESS, what, replace(s, recipe=name))]


def _can_be(fit: Fit, situation: Situation) -> bool:
    try:
        nominals(fit.bench, [situation])
    except RigError:
        return False
    return True


def _coarse(fit: Fit, situation: Situation) -> FloatArray:
    longest = MOTIONS[fit.bench.motion(situation.technique)].longest_s
    return longest * np.linspace(0.02, 1.0, 60)


def _candidates(
    fit: Fit, s: Situation, nominal: Nominals
) -> Iterator[tuple[str, float | str, str, Situation]]:
    x = nominal.inputs
    start, ice_mass, ice_temp = (float(v[0]) for v in (x.drink_temp_c, x.ice_mass_g, x.ice_temp_c))
    room, vessel = float(x.room_temp_c[0]), float(x.vessel_temp_c[0])
    for temp in (70.0, 60.0, 50.0, 40.0, 30.0, room, 12.0, 5.0):
        if temp < start - 3.0:
            rest = "rest the hot drink" if start > room + 8 and temp >= room else "chill the base"
            yield (
                "drink_temp_c",
                temp,
                f"{rest} to {temp:.0f} °C before the ice",
                replace(s, drink_temp_c=temp),
            )
    for temp in (room, 40.0):
        if temp > start + 5.0:
            yield "drink_temp_c", temp, f"start warmer, at {temp:.0f} °C", replace(s, drink_temp_c=temp)
    for temp in (-18.0, -10.0, -5.0, -0.5):
        if abs(temp - ice_temp) > 3.0:
            word = "colder, dry ice from the freezer" if temp < ice_temp else "tempered ice"
            yield "ice_temp_c", temp, f"use {word} at {temp:.0f} °C", replace(s, ice_temp_c=temp)
    for share in (0.6, 0.8, 1.25, 1.6):
        mass = 5.0 * round(share * ice_mass / 5.0)
        word = "more" if share > 1 else "less"
        yield "ice_mass_g", mass, f"use {word} ice, {mass:.0f} g", replace(s, ice_mass_g=mass)
    for temp in (0.0, -15.0):
        if temp < vessel - 5.0:
            word = "chill the vessel on ice" if temp == 0.0 else "keep the vessel in the freezer"
            yield "vessel_temp_c", temp, f"{word}, {temp:.0f} °C", replace(s, vessel_temp_c=temp)
    mass = float(nominal.drink_mass_g[0])
    for share in (0.85, 1.15):
        word = "a larger" if share > 1 else "a smaller"
        yield (
            "drink_mass_g",
            round(share * mass, 1),
            f"make {word} drink, {share:.0%} of the recipe",
            replace(s, drink_mass_g=share * mass),
        )
    for other in fit.set_ups:
        if other != s.set_up and other.technique == s.technique:
            changed = replace(s, vessel=other.vessel, ice=other.ice, ice_temp_c=None)
            yield "set_up", str(other), f"use the set-up {other}", changed
