"""Hot coffee at rest: how warm it is after how long, and how long to rest it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError
from rig.physics.cup import Cup
from rig.physics.liquid import Liquid
from rig.physics.room_air import Room
from rig.physics.standing import TYPICAL_LANE, Band, poured, spread, stand

LONGEST_REST_S = 7200.0


@dataclass(frozen=True, eq=False)
class Rested:
    """A hot drink while it rests; bands over (times,), at the 90 % range of room and contact."""

    time_s: FloatArray
    temp_c: Band
    cup_temp_c: Band
    water_lost_g: Band


def rest(
    liquid: Liquid,
    temp_c: float,
    cup: Cup,
    time_s: Floats,
    *,
    cup_temp_c: float | None = None,
    room: Room | None = None,
    covered: bool = False,
) -> Rested:
    """Temperature [°C] of one hot drink in a cup at the times asked, rising from 0 s.

    The cup starts at `cup_temp_c`, by default the room's. Free convection, radiation and evaporation as in
    `room_air`; `covered` keeps the vapour in.

    Raises
    ------
    ModelRangeError
        Drink outside −15…95 °C or room outside 5…45 °C, times that do not rise, or beyond two hours.
    """
    air = room or Room()
    times = np.atleast_1d(np.asarray(time_s, float))
    if np.any(times < 0.0) or np.any(np.diff(times) < 0.0) or times[-1] > LONGEST_REST_S:
        raise ModelRangeError(f"times of rest must rise from 0 to at most {LONGEST_REST_S:.0f} s")
    around = spread(air, covered=covered)
    lanes = np.size(around.room_scale)
    state = poured(liquid, temp_c, air.temp_c if cup_temp_c is None else cup_temp_c, lanes=(lanes,))
    seen, now = [], 0.0
    for t in times:
        state, now = stand(state, cup, around, float(t) - now), float(t)
        seen.append((state.temp_c, state.cup_temp_c, -state.vapour_g))
    temp, cup_temp, lost = (np.array(v) for v in zip(*seen, strict=True))
    return Rested(times, Band.over(temp), Band.over(cup_temp), Band.over(lost))


@dataclass(frozen=True)
class RestTime:
    """How long to rest [s]; infinite where it is not there within two hours."""

    soonest_s: float
    typical_s: float
    latest_s: float


def rest_time(
    liquid: Liquid,
    temp_c: float,
    to_temp_c: float,
    cup: Cup,
    *,
    cup_temp_c: float | None = None,
    room: Room | None = None,
    covered: bool = False,
    step_s: float = 15.0,
) -> RestTime:
    """How long a hot drink must rest to be no warmer than `to_temp_c`, with its range.

    Raises
    ------
    ModelRangeError
        As in `rest`, and where the room is not cooler than `to_temp_c`.
    """
    air = room or Room()
    if to_temp_c <= air.temp_c:
        raise ModelRangeError(
            f"no rest brings a drink to {to_temp_c:g} °C in a room of {air.temp_c:g} °C: chill it instead"
        )
    around = spread(air, covered=covered)
    lanes = np.size(around.room_scale)
    state = poured(liquid, temp_c, air.temp_c if cup_temp_c is None else cup_temp_c, lanes=(lanes,))
    found, now = np.where(state.temp_c <= to_temp_c, 0.0, np.inf), 0.0
    while now < LONGEST_REST_S and not np.all(np.isfinite(found)):
        before, wait_s = state.temp_c, step_s if now < 600.0 else 4.0 * step_s
        state = stand(state, cup, around, wait_s)
        crossed = ~np.isfinite(found) & (state.temp_c <= to_temp_c)
        part = (before - to_temp_c) / np.maximum(before - state.temp_c, 1e-9)
        found = np.where(crossed, now + part * wait_s, found)
        now += wait_s
    return RestTime(float(found.min()), float(found[TYPICAL_LANE]), float(found.max()))
