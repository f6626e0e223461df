"""The question behind a glass: a drink from first to last sip, in a warm, a chilled and a frozen one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from dashboard.params import Params, Scale, named
from dashboard.questions.defaults import first_recipe, usual_dilution
from dashboard.questions.recipe import DILUTION_HIGH, DILUTION_LOW
from rig.advice.recipe.recipe_work import diluted
from rig.arrays import FloatArray
from rig.bench import Bench
from rig.physics.cup import CUPS, Cup, GlassState
from rig.physics.glass import require_fits, sips
from rig.physics.liquid import Liquid, freezing_point_c, volume_ml
from rig.physics.room_air import Room
from rig.physics.standing import Band, Conditions, GlassIce, poured, spread

GLASSES = ("coupe", "small stemmed glass", "rocks glass", "tall glass", "steel cup")
SERVED = Scale(-8.0, 10.0, 0.5, "°C")
MINUTES = Scale(2.0, 30.0, 1.0, "min")
ICE = Scale(0.0, 200.0, 10.0, "g")
ROOM = Scale(10.0, 38.0, 1.0, "°C")
SIPS = 8
_FREEZES_K = 0.3


@dataclass(frozen=True, eq=False)
class InGlass:
    """From first to last sip in one glass; arrays (sips,). `has_range`: the bands have a width."""

    time_s: FloatArray
    temp_c: Band
    abv_pct: Band
    added_by_volume: Band
    freezes: bool
    has_range: bool


@dataclass(frozen=True)
class GlassQuestion:
    """A diluted recipe in a glass: dilution in %, temperatures in °C, ice in g."""

    recipe: str
    dilution_pct: float
    poured_c: float
    glass: str
    minutes: float
    ice_mass_g: float
    room_c: float

    @classmethod
    def of(cls, bench: Bench, params: Params) -> GlassQuestion:
        """What the parameters ask; left out: the bench's first recipe in the middle of its first target.

        Raises
        ------
        NotFound, ModelRangeError
            A name that is not known; a number beyond its slider.
        RigError
            A bench with no recipe.
        """
        first = first_recipe(bench)
        # who comes from the drink's own page brings its window along
        low, high = usual_dilution(bench)
        ends = (
            DILUTION_LOW.read(params, "dilution_low", 100.0 * low),
            DILUTION_HIGH.read(params, "dilution_high", 100.0 * high),
        )
        return cls(
            recipe=named(params, "recipe", bench.recipes, first, "recipe"),
            dilution_pct=DILUTION_HIGH.read(params, "dilution", 0.5 * sum(ends)),
            poured_c=SERVED.read(params, "poured_c", -2.0),
            glass=named(params, "glass", GLASSES, GLASSES[0], "glass"),
            minutes=MINUTES.read(params, "minutes", 10.0),
            ice_mass_g=ICE.read(params, "ice_mass_g", 0.0),
            room_c=ROOM.read(params, "room_c", 21.0),
        )

    def answer(self, bench: Bench, *, ranges: bool) -> Mapping[GlassState, InGlass]:
        """What each sip is like, in each state of the glass; without `ranges` quickly, at the usual only.

        Raises
        ------
        ModelRangeError
            Where it does not fit, or the drink leaves the range its properties are known in.
        """
        liquid = diluted(bench.recipe(self.recipe), self.dilution_pct / 100.0)
        cup = CUPS[self.glass]
        require_fits(cup, volume_ml(liquid), self.ice_mass_g)
        ice = GlassIce(self.ice_mass_g) if self.ice_mass_g else None
        around = (
            spread(Room(self.room_c)) if ranges else Conditions(Room(self.room_c), np.ones(1), np.ones(1))
        )
        return _in_each(liquid, self.poured_c, cup, around, self.minutes, ice)


def _in_each(
    liquid: Liquid, temp_c: float, cup: Cup, around: Conditions, minutes: float, ice: GlassIce | None
) -> Mapping[GlassState, InGlass]:
    """All states of the glass at once, as lanes side by side: no slower than one of them."""
    states, lanes = tuple(GlassState), int(np.size(around.room_scale))
    wide = replace(
        around,
        room_scale=np.tile(np.asarray(around.room_scale, float), len(states)),
        contact_scale=np.tile(np.asarray(around.contact_scale, float), len(states)),
    )
    cups = np.repeat([s.temp_c(float(around.room.temp_c)) for s in states], lanes)
    made = sips(poured(liquid, temp_c, cups, ice, (cups.size,)), cup, wide, minutes, SIPS, ice)
    freezing = float(np.asarray(freezing_point_c(liquid)))

    def band(values: FloatArray, k: int) -> Band:
        own = values[:, k * lanes : (k + 1) * lanes]
        return Band.over(own) if lanes > 1 else Band(own[:, 0], own[:, 0], own[:, 0])

    return {
        state: InGlass(
            made.time_s,
            band(made.temp_c, k),
            band(made.abv_pct, k),
            band(made.added_by_volume, k),
            ice is None and bool(np.any(band(made.temp_c, k).low < freezing - _FREEZES_K)),
            lanes > 1,
        )
        for k, state in enumerate(states)
    }
