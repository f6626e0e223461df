"""A drink from first to last sip: how warm, how thin and how strong it is, by the glass it stands in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError
from rig.physics.cup import Cup
from rig.physics.liquid import Liquid, abv_pct, freezing_point_c, volume_ml
from rig.physics.room_air import Room
from rig.physics.standing import Band, Conditions, GlassIce, Standing, poured, spread, stand

LONGEST_MINUTES = 120.0
FIRST_SIP_S = 20.0
"""From the pour to the first sip: garnish and carry (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Sips:
    """What each sip is like; all arrays (sips, lanes), `time_s` (sips,) from the pour.

    `added_by_volume` is water added since the pour ÷ volume poured, of the same share of the drink.
    `left` is the cup after the last sip, `drunk_g` what was drunk.
    """

    time_s: FloatArray
    temp_c: FloatArray
    abv_pct: FloatArray
    added_by_volume: FloatArray
    ice_left_g: FloatArray
    drunk_g: FloatArray
    drunk_j: FloatArray
    left: Standing


def sips(
    state: Standing,
    cup: Cup,
    around: Conditions,
    minutes: float,
    count: int,
    ice: GlassIce | None = None,
    *,
    first_sip_s: float = FIRST_SIP_S,
) -> Sips:
    """Drink what stands in the cup in `count` sips, evenly over `minutes`; the last one empties it.

    Each sip is an even part of what is left of the drink as poured, ice stays in the glass.

    Raises
    ------
    ModelRangeError
        Fewer than 2 or more than 200 sips, minutes outside the first sip…120, or the drink leaves the range
        its properties are known in.
    """
    if not 2 <= count <= 200:
        raise ModelRangeError(f"a drink is drunk in 2 to 200 sips, asked for {count}")
    if not first_sip_s <= minutes * 60.0 <= LONGEST_MINUTES * 60.0 or first_sip_s < 0.0:
        raise ModelRangeError(
            f"drinking takes from the first sip ({first_sip_s:g} s) to {LONGEST_MINUTES:g} min, "
            f"found {minutes:g} min"
        )
    times = np.linspace(first_sip_s, 60.0 * minutes, count)
    start_g, start_ml = state.liquid.mass_g, volume_ml(state.liquid)
    kept, now = [], 0.0
    for k, t in enumerate(times):
        state, now = stand(state, cup, around, float(t) - now, ice), float(t)
        share = 1.0 / (count - k)
        of_pour = (count - k) / count
        added = (state.liquid.mass_g - start_g * of_pour) / (start_ml * of_pour)
        kept.append(
            (state.temp_c, abv_pct(state.liquid), added, state.ice_g, share * state.liquid.mass_g,
             share * state.enthalpy_j)
        )  # fmt: skip
        state = state.without(share) if k < count - 1 else state
    temp, strength, added, ice_left, drunk, heat = (np.array(v) for v in zip(*kept, strict=True))
    return Sips(times, temp, strength, added, ice_left, drunk, heat, state)


@dataclass(frozen=True, eq=False)
class Served:
    """From first to last sip, with ranges over room and contact; bands over (sips,).

    `freezes` is true where a glass without ice takes the drink below its freezing point: a slush the model
    does not follow further.
    """

    time_s: FloatArray
    temp_c: Band
    abv_pct: Band
    added_by_volume: Band
    ice_left_g: Band
    freezes: bool


def serve(
    liquid: Liquid,
    temp_c: float,
    cup: Cup,
    cup_temp_c: float,
    minutes: float,
    count: int = 12,
    *,
    ice: GlassIce | None = None,
    room: Room | None = None,
    first_sip_s: float = FIRST_SIP_S,
) -> Served:
    """One drink in one glass, from first to last sip.

    Raises
    ------
    ModelRangeError
        As in `sips`, or where the drink does not fit into the glass.
    """
    require_fits(cup, volume_ml(liquid), 0.0 if ice is None else ice.mass_g)
    around = spread(room or Room())
    lanes = np.size(around.room_scale)
    start = poured(liquid, temp_c, cup_temp_c, ice, (lanes,))
    made = sips(start, cup, around, minutes, count, ice, first_sip_s=first_sip_s)
    freezes = ice is None and bool(np.any(made.temp_c < freezing_point_c(liquid) - 0.3))
    return Served(
        time_s=made.time_s,
        temp_c=Band.over(made.temp_c),
        abv_pct=Band.over(made.abv_pct),
        added_by_volume=Band.over(made.added_by_volume),
        ice_left_g=Band.over(made.ice_left_g),
        freezes=freezes,
    )


def require_fits(cup: Cup, drink_ml: Floats, ice_g: Floats = 0.0) -> None:
    """Raise ModelRangeError unless drink and floating ice stay below the rim."""
    # Floating ice lifts the drink by its own weight in water, melted or not.
    most = float(np.max(np.asarray(drink_ml, float) + np.asarray(ice_g, float)))
    if most > cup.capacity_ml:
        raise ModelRangeError(
            f"{most:.0f} ml of drink and ice do not fit into the {cup.name} of {cup.capacity_ml:.0f} ml: "
            "take a larger glass, less ice or a smaller drink"
        )
