"""What to change when no duration serves: each lever tried, and ranked by how far it opens the window."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.advice.call.assumed import Filled
from rig.advice.call.calling import DRAWS, SEED, Call, air_for, answerable, call_for, landing
from rig.advice.call.search import durations, run_span_s, widened
from rig.advice.call.texture import Air
from rig.arrays import FloatArray
from rig.bench import Ingredient, Target
from rig.errors import RigError
from rig.fitting.prediction import predict_all
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, nominals

SURE = 0.8
"""With odds like these nothing needs changing, and nothing else is tried."""
LEAST_GAIN = 0.03
_MOST = 6
_TRIED_DRAWS, _TRIED_TIMES = 64, 60


@dataclass(frozen=True)
class Lever:
    """A change, the call with it, and the gain over leaving things as they are.

    `asked` is the question with the change in it: asked on its own it has the same call.
    """

    what: str
    change: str
    value: float | str
    odds: float
    duration_s: float
    gain: float
    asked: Situation

    def to_dict(self) -> dict[str, Any]:
        """Stable keys; `asked` holds what was asked with the change, and not what was left open."""
        return {
            "what": self.what,
            "change": self.change,
            "value": self.value,
            "odds": round(self.odds, 4),
            "duration_s": round(self.duration_s, 2),
            "gain": round(self.gain, 4),
            "asked": {name: v for name, v in self.asked.asked.items() if v is not None},
        }


@dataclass(frozen=True)
class _Change:
    """One thing changed in a question."""

    change: str
    value: float | str
    what: str
    asked: Situation


def levers(fit: Fit, call: Call, *, draws: int = DRAWS) -> tuple[Lever, ...]:
    """Changes that raise the odds of a call noticeably, best first; the best value of each kind of change.

    All are tried roughly, in one integration; the few that promise most are then called as any question is, so
    that each says what a call for it says. Nothing is tried where the odds are good.
    """
    if call.odds >= SURE:
        return ()
    target, asked = call.target, call.asked
    air = air_for(fit, asked, target)
    fit, stronger = _with_stronger(fit, call.filled)
    changes = [*_changes(fit, call.filled), *stronger]
    found = []
    for c in _promising(fit, changes, target, air, call.odds)[:_MOST]:
        called = call_for(fit, c.asked, target, air, draws)
        if (gain := called.odds - call.odds) >= LEAST_GAIN:
            found.append(Lever(c.what, c.change, c.value, called.odds, called.duration_s, gain, c.asked))
    return tuple(sorted(found, key=lambda lever: -lever.odds))


def _promising(
    fit: Fit, changes: Sequence[_Change], target: Target, air: Air | None, odds: float
) -> list[_Change]:
    """The best value of each kind of change by a rough trial, best first; those that gain next to nothing left out."""
    able, questions = [], []
    for c in changes:
        try:
            questions.append(answerable(fit, c.asked))
        except RigError:  # a change that the model does not reach is none
            continue
        able.append(c)
    if not able:
        return []
    times = _rough_times(fit, able[0].asked.technique)
    predicted = predict_all(fit, [q.situation for q in questions], times, draws=_TRIED_DRAWS, seed=SEED)
    best: dict[str, tuple[float, _Change]] = {}
    for c, question, p in zip(able, questions, predicted, strict=True):
        wide = widened(p, run_span_s(fit, question.situation))
        tried = float(landing(wide, target, air).curve.odds.max())
        if c.change not in best or tried > best[c.change][0] + 0.01:
            best[c.change] = tried, c
    promising = [entry for entry in best.values() if entry[0] > odds]
    return [c for _, c in sorted(promising, key=lambda entry: -entry[0])]


def _rough_times(fit: Fit, technique: str) -> FloatArray:
    return float(durations(fit, technique)[-1]) * np.linspace(0.02, 1.0, _TRIED_TIMES)


_LESS = 0.7
_WORTH_SHARE = 0.15


def _with_stronger(fit: Fit, question: Filled) -> tuple[Fit, list[_Change]]:
    """The fit with a stronger version of the recipe on its bench: less of what holds no alcohol, same taste in it.

    Empty-handed where such ingredients are too small a part of the drink to matter.
    """
    recipe = fit.bench.recipe(question.asked.recipe)
    weak = [i for i in recipe.ingredients if i.abv_pct == 0.0 and not (i.sugar_g_per_100ml or i.brix)]
    volumes = [i.volume_ml or i.mass_g or 0.0 for i in recipe.ingredients]
    saved = (1.0 - _LESS) * sum(i.volume_ml or i.mass_g or 0.0 for i in weak)
    if saved < _WORTH_SHARE * sum(volumes) or question.asked.drink_mass_g is not None:
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
    return replace(fit, book=replace(fit.book, bench=bench)), [
        # no run of it tells what is usual for it: that is as for the recipe it comes from
        _Change("base", _LESS, what, replace(question.situation, recipe=name))
    ]


def _changes(fit: Fit, question: Filled) -> Iterator[_Change]:
    """Every change worth trying; what was left open stays open, but for what a change needs named."""
    s = question.asked
    start, ice_temp, ice_mass, vessel, room = (
        question.assumed[name].value
        for name in ("drink_temp_c", "ice_temp_c", "ice_mass_g", "vessel_temp_c", "room_temp_c")
    )
    room = float(round(room))
    for temp in (70.0, 60.0, 50.0, 40.0, 30.0, room, 12.0, 5.0):
        if temp < start - 3.0:
            rest = "rest the hot drink" if start > room + 8 and temp >= room else "chill the base"
            what = f"{rest} to {temp:z.0f} °C before the ice"
            yield _Change("drink_temp_c", temp, what, replace(s, drink_temp_c=temp))
    for temp in (room, 40.0):
        if temp > start + 5.0:
            what = f"start warmer, at {temp:z.0f} °C"
            yield _Change("drink_temp_c", temp, what, replace(s, drink_temp_c=temp))
    for temp in (-18.0, -10.0, -5.0, -0.5):
        if abs(temp - ice_temp) > 3.0:
            word = "colder, dry ice from the freezer" if temp < ice_temp else "tempered ice"
            yield _Change("ice_temp_c", temp, f"use {word} at {temp:z.0f} °C", replace(s, ice_temp_c=temp))
    for share in (0.6, 0.8, 1.25, 1.6):
        mass = 5.0 * round(share * ice_mass / 5.0)
        word = "more" if share > 1 else "less"
        yield _Change("ice_mass_g", mass, f"use {word} ice, {mass:.0f} g", replace(s, ice_mass_g=mass))
    for temp in (0.0, -15.0):
        if temp < vessel - 5.0:
            word = "chill the vessel on ice" if temp == 0.0 else "keep the vessel in the freezer"
            yield _Change("vessel_temp_c", temp, f"{word}, {temp:z.0f} °C", replace(s, vessel_temp_c=temp))
    mass = float(nominals(fit.bench, [question.situation]).drink_mass_g[0])
    for share in (0.85, 1.15):
        word = "a larger" if share > 1 else "a smaller"
        what, made = f"make {word} drink, {share:.0%} of the recipe", round(share * mass, 1)
        yield _Change("drink_mass_g", made, what, replace(s, drink_mass_g=made))
    for other in fit.set_ups:
        if other != s.set_up and other.technique == s.technique:
            there = replace(s, vessel=other.vessel, ice=other.ice)
            if other.ice != s.ice:  # its temperature and mass were those of the other ice
                there = replace(there, ice_temp_c=None, ice_mass_g=None)
            yield _Change("set_up", str(other), f"use the set-up {other}", there)
