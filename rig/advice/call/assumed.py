"""What a question leaves open, and what stands in for it: the one answer that every screen asks from.

A value is what was asked; else what runs usually had, the nearest first; else what the bench describes; else
what is common. Each comes with how sure it is and where it is from, for a call is only as good as its start.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np

from rig.bench import Bench, Ingredient, Recipe
from rig.fitting.priors import TYPICAL_ICE_MASS_G, TYPICAL_ROOM_C, P, ice_nominal
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, nominals
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.runs import Run

_Z95 = 1.645


class Origin(StrEnum):
    """Where a value of a question comes from, surest first."""

    ASKED = "asked"
    USUAL_DRINK = "usual for this drink on this set-up"
    USUAL_SET_UP = "usual on this set-up"
    USUAL_RECIPE = "usual for this recipe anywhere on the bench"
    USUAL_ICE = "usual for this ice"
    USUAL_VESSEL = "usual in this vessel"
    USUAL_BENCH = "usual on this bench"
    DESCRIBED = "the bench's description"
    MIXED = "the recipe's temperatures mixed by heat capacity"
    ROOM = "room"
    COMMON = "nobody said, so what is common"


@dataclass(frozen=True)
class Assumed:
    """One value that an answer rests on, its standard deviation, and where it is from."""

    value: float
    std: float
    origin: Origin

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {"value": round(self.value, 2), "std": round(self.std, 2), "from": self.origin.value}


CONDITIONS = ("drink_temp_c", "ice_temp_c", "ice_mass_g", "vessel_temp_c", "room_temp_c")
"""What a question may leave open."""


@dataclass(frozen=True)
class Filled:
    """A question as asked, and the situation it is answered for, which leaves nothing of `CONDITIONS` open.

    `assumed`: every one of `CONDITIONS` by name. `may_be_hot`: ingredients usually served hot whose
    temperature nobody stated, where the start is not known better.
    """

    asked: Situation
    situation: Situation
    assumed: Mapping[str, Assumed]
    may_be_hot: tuple[str, ...] = ()

    @property
    def start(self) -> Assumed:
        """The drink's temperature before the ice [°C]."""
        return self.assumed["drink_temp_c"]

    @property
    def warmest_start_c(self) -> float:
        """What the start [°C] exceeds in one drink of twenty; where it was stated, what was stated."""
        start = self.start
        return start.value if start.origin is Origin.ASKED else start.value + _Z95 * start.std

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        return {name: a.to_dict() for name, a in self.assumed.items()}


def filled(fit: Fit, asked: Situation) -> Filled:
    """Put what is usual in place of what a question leaves open.

    Raises
    ------
    NotFound
        A vessel, ice or recipe that is not on the bench.
    """
    bench, runs = fit.bench, fit.book.used_runs()
    usual_room = _usual(runs, "room_temp_c", Origin.USUAL_BENCH, _ROOM_K, _ROOM_OWN_K)
    room = (
        _asked(asked, "room_temp_c") or usual_room or Assumed(TYPICAL_ROOM_C, _ROOM_COMMON_K, Origin.COMMON)
    )
    start, may_be_hot = start_of(fit, asked, room.value)
    assumed = {
        "drink_temp_c": start,
        "ice_temp_c": _ice_temp(asked, bench, runs),
        "ice_mass_g": _ice_mass(asked, runs),
        "vessel_temp_c": _vessel_temp(asked, runs, room, usual_room),
        "room_temp_c": room,
    }
    unsure = {
        SPREAD_OF[n]: a.std for n, a in assumed.items() if n in SPREAD_OF and a.origin is not Origin.ASKED
    }
    stands_in: dict[str, Any] = {n: a.value for n, a in assumed.items()} | unsure
    situation = replace(asked, **stands_in)
    spread = nominals(bench, [situation]).spread[0]
    stds = {
        "drink_temp_c": spread[P.DRINK_TEMP],
        "ice_temp_c": spread[P.ICE_TEMP],
        "ice_mass_g": spread[P.ICE_MASS] * assumed["ice_mass_g"].value,
        "vessel_temp_c": spread[P.VESSEL_TEMP],
        "room_temp_c": room.std,
    }
    sure = {n: replace(a, std=float(stds[n])) for n, a in assumed.items()}
    return Filled(asked, situation, sure, may_be_hot)


SPREAD_OF = {
    "drink_temp_c": "drink_temp_std_k",
    "ice_temp_c": "ice_temp_std_k",
    "ice_mass_g": "ice_mass_std_g",
    "vessel_temp_c": "vessel_temp_std_k",
}
_PRIOR_RUNS = 3.0
"""A usual value's scatter is learned from its runs as if so many runs of the usual scatter had been seen before."""
_START_OWN_K, _START_HERE_K, _START_ELSEWHERE_K, _START_MIXED_K, _START_ROOM_K = 0.4, 1.5, 3.0, 3.0, 4.0
_ICE_OWN_K, _ICE_K = 0.8, 1.5
_VESSEL_OWN_K, _VESSEL_K, _VESSEL_ROOM_K, _NEAR_ROOM_K = 1.0, 2.0, 2.5, 4.0
_ROOM_OWN_K, _ROOM_K, _ROOM_COMMON_K = 0.5, 2.0, 3.0
_MASS_OWN, _MASS_HERE, _MASS_NEAR, _MASS_COMMON = 0.01, 0.05, 0.12, 0.25
"""How far a value is off that was stated (OWN), that is usual here, or elsewhere; masses as shares of the ice's
(common practice, no source)."""
_HOT_DOUBT_K = 40.0
"""How far an ingredient that is usually hot, and that nobody measured, may be from the room (common practice)."""


def start_of(fit: Fit, asked: Situation, room_c: float) -> tuple[Assumed, tuple[str, ...]]:
    """The drink's temperature before the ice, and ingredients that may be hotter than taken.

    Raises
    ------
    NotFound
        A recipe that is not on the bench.
    """
    recipe = fit.bench.recipe(asked.recipe)
    of_recipe = [r for r in fit.book.used_runs() if r.recipe == asked.recipe]
    here = [r for r in of_recipe if r.set_up == asked.set_up]
    likewise = [r for r in of_recipe if r.technique == asked.technique]
    name = "drink_temp_c"
    known = (
        _asked(asked, name, _START_OWN_K)
        or _usual(here, name, Origin.USUAL_DRINK, _START_HERE_K, _START_OWN_K)
        or _usual(likewise, name, Origin.USUAL_RECIPE, _START_ELSEWHERE_K, _START_OWN_K)
        or _usual(of_recipe, name, Origin.USUAL_RECIPE, _START_ELSEWHERE_K, _START_OWN_K)
    )
    return (known, ()) if known is not None else mixed_start(recipe, room_c)


def mixed_start(recipe: Recipe, room_c: float) -> tuple[Assumed, tuple[str, ...]]:
    """The start of a drink poured together, and its ingredients usually served hot that state no temperature.

    Those widen the start.
    """
    drink = liquid_from_recipe(recipe)
    hot = np.array([i.temp_c is None and _usually_hot(i) for i in recipe.ingredients])
    known = drink.states_temp
    std = float(
        np.hypot(_START_MIXED_K if known else _START_ROOM_K, _HOT_DOUBT_K * drink.heat_share[hot].sum())
    )
    start = Assumed(drink.mixed_temp_c(room_c), std, Origin.MIXED if known else Origin.ROOM)
    return start, tuple(i.name for i, is_hot in zip(recipe.ingredients, hot, strict=True) if is_hot)


_HOT_WORDS = {"espresso", "ristretto", "lungo", "coffee", "tea", "cocoa", "hot"}
_COLD_WORDS = {"cold", "iced", "chilled", "concentrate", "liqueur", "syrup", "bitters", "rested", "cooled"}


def _usually_hot(ingredient: Ingredient) -> bool:
    """Whether an ingredient is usually poured hot: brewed through its grounds, or called so."""
    words = {w.strip(".,;()'\"") for w in ingredient.name.casefold().replace("-", " ").split()}
    if words & _COLD_WORDS:
        return False
    return bool(words & _HOT_WORDS) or (ingredient.brew is not None and ingredient.brew.method.passes)


def _ice_temp(asked: Situation, bench: Bench, runs: Sequence[Run]) -> Assumed:
    ice = bench.ice_type(asked.ice)
    nominal = ice_nominal(ice, None)
    described = Origin.COMMON if ice.temp_c is None else Origin.DESCRIBED
    same_ice = [r for r in runs if r.ice == asked.ice]
    return (
        _asked(asked, "ice_temp_c")
        or _usual(same_ice, "ice_temp_c", Origin.USUAL_ICE, _ICE_K, _ICE_OWN_K)
        or Assumed(nominal.temp_c, 1.5 * nominal.temp_sd_k, described)
    )


def _ice_mass(asked: Situation, runs: Sequence[Run]) -> Assumed:
    here = [r for r in runs if r.set_up == asked.set_up]
    this_drink = [r for r in here if r.recipe == asked.recipe]
    this_ice = [r for r in runs if (r.technique, r.ice) == (asked.technique, asked.ice)]
    this_vessel = [r for r in runs if (r.technique, r.vessel) == (asked.technique, asked.vessel)]

    def usual(near: Sequence[Run], origin: Origin, share: float) -> Assumed | None:
        return _usual(near, "ice_mass_g", origin, share, _MASS_OWN, relative=True)

    return (
        _asked(asked, "ice_mass_g")
        or usual(this_drink, Origin.USUAL_DRINK, _MASS_HERE)
        or usual(here, Origin.USUAL_SET_UP, _MASS_HERE)
        or usual(this_ice, Origin.USUAL_ICE, _MASS_NEAR)
        or usual(this_vessel, Origin.USUAL_VESSEL, _MASS_NEAR)
        or usual(runs, Origin.USUAL_BENCH, _MASS_COMMON)
        or Assumed(TYPICAL_ICE_MASS_G, _MASS_COMMON * TYPICAL_ICE_MASS_G, Origin.COMMON)
    )


def _vessel_temp(asked: Situation, runs: Sequence[Run], room: Assumed, usual_room: Assumed | None) -> Assumed:
    """The vessel; one that usually stands at the room's temperature follows the room that is asked about."""
    mine = [r for r in runs if (r.technique, r.vessel) == (asked.technique, asked.vessel)]
    usual = _usual(mine, "vessel_temp_c", Origin.USUAL_VESSEL, _VESSEL_K, _VESSEL_OWN_K)
    if room.origin is Origin.ASKED and usual is not None and usual_room is not None:
        stands_in_the_room = abs(usual.value - usual_room.value) < _NEAR_ROOM_K
        usual = None if stands_in_the_room else usual
    return _asked(asked, "vessel_temp_c") or usual or Assumed(room.value, _VESSEL_ROOM_K, Origin.ROOM)


def _asked(asked: Situation, name: str, std: float = 0.0) -> Assumed | None:
    value = getattr(asked, name)
    return None if value is None else Assumed(value, std, Origin.ASKED)


def _usual(
    runs: Sequence[Run], name: str, origin: Origin, scatter: float, own: float, *, relative: bool = False
) -> Assumed | None:
    """Median of what these runs had, and the standard deviation of a next one; None where none has it.

    The scatter is that of the runs (median absolute deviation, so that one slip of the pen does not widen it), drawn
    towards `scatter` while they are few; `own` is the error of stating it. Both are shares of the median where
    `relative`.
    """
    values = np.array([v for r in runs if (v := getattr(r, name)) is not None], dtype=float)
    if not values.size:
        return None
    middle = float(np.median(values))
    seen = 1.4826 * float(np.median(np.abs(values - middle)))
    scale = middle if relative else 1.0
    variance = (values.size * seen**2 + _PRIOR_RUNS * (scale * scatter) ** 2) / (values.size + _PRIOR_RUNS)
    return Assumed(middle, float(np.sqrt(variance + (scale * own) ** 2)), origin)
