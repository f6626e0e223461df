"""A recipe made ahead for many: its pours, its water, and whether it stays liquid where it waits."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy.optimize import brentq

from rig.advice.recipe.recipe_work import DILUTION_MAX, State, diluted, scaled, state_at
from rig.bench import Recipe
from rig.errors import ModelRangeError
from rig.physics.ethanol_water import require
from rig.physics.liquid import freezing_point_c
from rig.physics.recipe_liquid import liquid_from_recipe

FREEZING_MARGIN_K = 1.5
"""Kept between a batch and its freezing point: ±0.3 °C of the point itself, and a freezer's swing."""


class Store(Enum):
    """Where a batch waits, and the temperatures it may have there [°C]; common practice, no source."""

    ROOM = ("room", 18.0, 21.0, 26.0)
    FRIDGE = ("refrigerator", 1.0, 4.0, 7.0)
    FREEZER = ("freezer", -22.0, -18.0, -14.0)

    def __init__(self, label: str, coldest_c: float, usual_c: float, warmest_c: float) -> None:
        self.label, self.coldest_c = label, coldest_c
        self.usual_c, self.warmest_c = usual_c, warmest_c


@dataclass(frozen=True)
class Batch:
    """A recipe made ahead for many, with water in it as the ice would have added.

    `water_g` is for all servings; `bottles` counts whole ones. `stays_liquid` says whether it keeps
    `FREEZING_MARGIN_K` above its freezing point in the coldest that store gets; `most_water_by_volume` is
    the dilution at which that just holds, None where not even the undiluted base does.
    """

    recipe: Recipe
    servings: int
    store: Store
    water_g: float
    state: State
    serving_ml: float
    total_ml: float
    bottle_ml: float
    bottles: int
    stays_liquid: bool
    most_water_by_volume: float | None
    notes: tuple[str, ...]


def batch(
    recipe: Recipe,
    servings: int,
    dilution_by_volume: float,
    store: Store = Store.FRIDGE,
    *,
    bottle_ml: float = 700.0,
) -> Batch:
    """Pour for so many servings, with the water for a target dilution, checked against freezing in store.

    Raises
    ------
    ModelRangeError
        Servings outside 1…1,000, a bottle outside 50…20,000 ml, or a drink outside the properties' range.
    """
    if not 1 <= servings <= 1000:
        raise ModelRangeError(f"a batch is 1 to 1,000 servings, found {servings}")
    require("bottle", np.asarray(bottle_ml, float), 50.0, 20_000.0, "ml")
    state = state_at(recipe, dilution_by_volume)
    start_ml = float(liquid_from_recipe(recipe).starting_volume_ml)
    total = servings * state.volume_ml
    liquid = state.freezing_c + FREEZING_MARGIN_K <= store.coldest_c
    return Batch(
        recipe=scaled(recipe, servings, f"{recipe.name}, {servings} servings"),
        servings=servings,
        store=store,
        water_g=servings * dilution_by_volume * start_ml,
        state=state,
        serving_ml=state.volume_ml,
        total_ml=total,
        bottle_ml=bottle_ml,
        bottles=int(np.ceil(total / bottle_ml - 1e-9)),
        stays_liquid=liquid,
        most_water_by_volume=_most_water(recipe, store),
        notes=tuple(_batch_notes(recipe, state, store, liquid)),
    )


def _most_water(recipe: Recipe, store: Store) -> float | None:
    def spare(dilution: float) -> float:
        point = float(freezing_point_c(diluted(recipe, dilution)))
        return store.coldest_c - FREEZING_MARGIN_K - point

    if spare(0.0) < 0.0:
        return None
    return DILUTION_MAX if spare(DILUTION_MAX) >= 0.0 else float(brentq(spare, 0.0, DILUTION_MAX))


def _batch_notes(recipe: Recipe, state: State, store: Store, liquid: bool) -> list[str]:
    notes = []
    if not liquid:
        notes.append(
            f"freezes from {state.freezing_c:z.1f} °C on, the {store.label} may reach {store.coldest_c:g} °C: "
            "part of it turns to slush and the rest is stronger. Add less water now, or keep it warmer"
        )
    if store is Store.ROOM:
        notes.append("it still needs chilling, which adds water: leave that much out of the batch")
    elif store is Store.FRIDGE:
        notes.append(f"served at about {store.usual_c:g} °C as it is; on ice it dilutes further")
    if state.abv_pct < 20.0:
        notes.append(
            "under 20 % vol coffee, juice and dairy spoil: keep it cold and use it within a day or two"
        )
    if any(w in a.casefold() for a in recipe.allergens for w in ("milk", "egg")):
        notes.append("milk or egg: keep at 5 °C or colder (US FDA Food Code, from memory)")
    return notes
