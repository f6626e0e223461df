"""What the average courses of set-ups show at a common duration and at a common temperature."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.advice.compare.courses import AverageCourses, Crossing, average_courses
from rig.advice.compare.ground import BEYOND_RUNS, LEAST_RUNS, Ground, common_goal_c
from rig.advice.compare.result import Quantity
from rig.arrays import FloatArray
from rig.fitting.result import Fit
from rig.runs import SetUp

LEAST_REACHING = 0.90
"""Share of draws that must get to the goal for a set-up to be compared there."""
_CHILLED = 0.90


@dataclass(frozen=True)
class Readings:
    """Draws (draws,) of each quantity by set-up where it can be told, and why not where it cannot.

    `no_goal`: why a set-up cannot be compared at the goal; `no_dilution`: why only its dilution there cannot.
    """

    values: Mapping[Quantity, Mapping[SetUp, FloatArray]]
    chill_time_s: Mapping[SetUp, float]
    goal_c: float | None
    no_goal: Mapping[SetUp, str]
    no_dilution: Mapping[SetUp, str]
    notes: Mapping[SetUp, str]


def read_off(fit: Fit, able: Sequence[Ground], duration_s: float | None, goal_c: float | None) -> Readings:
    """Follow the average courses, and read them off at the duration [s] and at the goal [°C].

    Without a goal, one that all get to is taken. `able` are the set-ups that lack nothing; at least one.
    """
    longest = np.array([g.range_s[1] for g in able])
    courses = average_courses(fit, [g.situation for g in able], BEYOND_RUNS * longest)
    values: dict[Quantity, dict[SetUp, FloatArray]] = {q: {} for q in Quantity}
    if duration_s is not None:
        temp, dilution = courses.at(duration_s)
        for k, g in enumerate(able):
            if g.covers(duration_s):
                values[Quantity.TEMP_C][g.set_up] = temp[k]
                values[Quantity.DILUTION][g.set_up] = dilution[k]
    goal = goal_c if goal_c is not None else common_goal_c(courses, able)
    no_goal: dict[SetUp, str] = {}
    no_dilution: dict[SetUp, str] = {}
    notes: dict[SetUp, str] = {}
    crossing = courses.when_as_cold_as(goal)
    for k, g in enumerate(able):
        late = _never(g, courses, k, crossing, goal)
        if late is not None:
            no_goal[g.set_up] = late
            continue
        values[Quantity.TIME_TO_TARGET_S][g.set_up] = crossing.time_s[k]
        middle = float(np.median(crossing.time_s[k]))
        if g.covers(middle):
            values[Quantity.DILUTION_AT_TARGET][g.set_up] = crossing.dilution_by_volume[k]
        else:
            no_dilution[g.set_up] = _too_early(g, middle)
        share = float(crossing.reached[k].mean())
        if share < 1.0:
            end = courses.time_s[k, -1]
            notes[g.set_up] = (
                f"in {1.0 - share:.1%} of what its runs allow it does not get to {goal:z.1f} °C within "
                f"{end:.0f} s; that counts as {end:.0f} s, so its time may be longer"
            )
    return Readings(values, _chill_times(courses, able), goal, no_goal, no_dilution, notes)


def _never(g: Ground, courses: AverageCourses, k: int, crossing: Crossing, goal_c: float) -> str | None:
    """Why set-up `k` cannot be compared at the goal; None where it can."""
    start = float(courses.start_temp_c[k])
    if start <= goal_c:
        return f"starts at {start:z.1f} °C, no warmer than that"
    if crossing.reached[k].mean() < LEAST_REACHING:
        least_c, end = float(np.median(courses.temp_c[k].min(axis=0))), courses.time_s[k, -1]
        return (
            f"does not surely get there, only to about {least_c:z.1f} °C within {end:.0f} s. Make longer runs "
            "of it, use more or colder ice, or ask for a warmer target"
        )
    middle = float(np.median(crossing.time_s[k]))
    if middle > g.range_s[1] and not g.covers(middle):
        return (
            f"gets there only after {middle:.0f} s, past its longest run of {g.range_s[1]:.0f} s. Make "
            f"{LEAST_RUNS} longer runs of it, or ask for a warmer target"
        )
    if not g.covers(middle) and not g.traced:
        return _too_early(g, middle)
    return None


def _too_early(g: Ground, time_s: float) -> str:
    """A trace shows the temperature on the way; the water taken so far, only a run that ends there."""
    after = f"{time_s:.1f}" if time_s < 10.0 else f"{time_s:.0f}"
    return (
        f"is there after {after} s, before its shortest run of {g.range_s[0]:.0f} s. Make {LEAST_RUNS} runs "
        f"near {after} s, or ask for a colder target"
    )


def _chill_times(courses: AverageCourses, able: Sequence[Ground]) -> dict[SetUp, float]:
    """Median time [s] to nine tenths of the chill reached within the longest run, if any."""
    within = (courses.time_s <= courses.time_s[:, -1:] / BEYOND_RUNS)[:, :, None]
    coldest = np.where(within, courses.temp_c, np.inf).min(axis=1)
    start = courses.temp_c[:, 0]
    crossing = courses.when_as_cold_as(start - _CHILLED * (start - coldest))
    chills = np.median(start - coldest, axis=1) > 0
    return {g.set_up: float(np.median(crossing.time_s[k])) for k, g in enumerate(able) if chills[k]}
