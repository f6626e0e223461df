"""Hot coffee at rest: how warm it is after how long, and how long to rest it.

`rest` works out the loss to cup and room; Newton's law is here for cups whose time constant was measured.
"""

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


def newton_temp_c(start_c: Floats, room_c: Floats, time_constant_s: Floats, time_s: Floats) -> FloatArray:
    """Temperature [°C] after `time_s` by Newton's law of cooling; all broadcast."""
    tau = np.asarray(time_constant_s, float)
    if np.any(tau <= 0.0) or np.any(np.asarray(time_s, float) < 0.0):
        raise ModelRangeError("a time constant must be above 0 s, and a time 0 s or more")
    room = np.asarray(room_c, float)
    return np.asarray(room + (np.asarray(start_c, float) - room) * np.exp(-np.asarray(time_s, float) / tau))


def newton_time_constant_s(start_c: Floats, later_c: Floats, room_c: Floats, time_s: Floats) -> FloatArray:
    """Time constant [s] from two readings `time_s` apart.

    Raises
    ------
    ModelRangeError
        Where the later reading does not lie between the first and the room: then Newton's law does not hold.
    """
    room = np.asarray(room_c, float)
    first, later = np.asarray(start_c, float) - room, np.asarray(later_c, float) - room
    if np.any(np.asarray(time_s, float) <= 0.0):
        raise ModelRangeError("the two readings must be some time apart")
    if np.any(first * later <= 0.0) or np.any(np.abs(later) >= np.abs(first)):
        raise ModelRangeError(
            "the later reading must lie between the first and the room's temperature; read again, further apart"
        )
    return np.asarray(np.asarray(time_s, float) / np.log(first / later))


def newton_time_s(start_c: Floats, to_c: Floats, room_c: Floats, time_constant_s: Floats) -> FloatArray:
    """Time [s] to reach `to_c`; 0 where it is there already, NaN where the room does not let it get there."""
    room = np.asarray(room_c, float)
    first, last = np.asarray(start_c, float) - room, np.asarray(to_c, float) - room
    possible = (first * last > 0.0) & (np.abs(last) <= np.abs(first))
    ratio = np.where(possible, first / np.where(possible, last, 1.0), np.nan)
    there = (first - last) * np.sign(first) <= 0.0
    return np.asarray(np.where(there, 0.0, np.asarray(time_constant_s, float) * np.log(ratio)))


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


def shared_temp_c(
    liquid_j_per_k: Floats, temp_c: Floats, cup_j_per_k: Floats, cup_temp_c: Floats
) -> FloatArray:
    """Temperature [°C] once drink and cup have shared their heat and lost none: the cup's own part."""
    a, b = np.asarray(liquid_j_per_k, float), np.asarray(cup_j_per_k, float)
    return np.asarray((a * np.asarray(temp_c, float) + b * np.asarray(cup_temp_c, float)) / (a + b))
