"""What the average courses of set-ups show at a common duration and at a common temperature."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.advice.compare_courses import AverageCourses, average_courses
from rig.advice.compare_ground import BEYOND_RUNS, Ground, common_goal_c
from rig.advice.compare_result import Quantity
from rig.arrays import FloatArray
from rig.fitting.result import Fit
from rig.runs import SetUp

LEAST_REACHING = 0.90
"""Share of draws that must get to the goal for a set-up to be compared there."""
_CHILLED = 0.90


@dataclass(frozen=True)
class Readings:
    """Draws (draws,) of each quantity by set-up where it can be told; what keeps the others from the goal."""

    values: Mapping[Quantity, Mapping[SetUp, FloatArray]]
    chill_time_s: Mapping[SetUp, float]
    goal_c: float | None
    no_goal: Mapping[SetUp, str]
    notes: Mapping[SetUp, tuple[str, ...]]


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
    notes: dict[SetUp, tuple[str, ...]] = {}
    crossing = courses.when_as_cold_as(goal)
    for k, g in enumerate(able):
        share = float(crossing.reached[k].mean())
        start = float(courses.start_temp_c[k])
        if start <= goal:
            no_goal[g.set_up] = f"starts at {start:.1f} °C, no warmer than that"
        elif share < LEAST_REACHING:
            coldest = float(np.median(courses.temp_c[k].min(axis=0)))
            no_goal[g.set_up] = (
                f"does not surely get there, only to about {coldest:.1f} °C within "
                f"{courses.time_s[k, -1]:.0f} s. Make longer runs of it, use more or colder ice, or ask for "
                "a warmer target"
            )
        else:
            values[Quantity.TIME_TO_TARGET_S][g.set_up] = crossing.time_s[k]
            values[Quantity.DILUTION_AT_TARGET][g.set_up] = crossing.dilution_by_volume[k]
            notes[g.set_up] = _goal_notes(g, goal, share, crossing.time_s[k])
    return Readings(values, _chill_times(courses, able), goal, no_goal, notes)


def _goal_notes(g: Ground, goal_c: float, share: float, time_s: FloatArray) -> tuple[str, ...]:
    out = []
    middle = float(np.median(time_s))
    if share < 1.0:
        out.append(
            f"in {1.0 - share:.1%} of what its runs allow it does not get to {goal_c:.1f} °C within "
            f"{time_s.max():.0f} s; that counts as {time_s.max():.0f} s, so its time may be longer"
        )
    if not g.covers(middle):
        beside = f"shorter than its shortest run, {g.range_s[0]:.0f} s"
        if middle > g.range_s[1]:
            beside = f"longer than its longest run, {g.range_s[1]:.0f} s"
        out.append(
            f"it gets to {goal_c:.1f} °C after {middle:.0f} s, {beside}: dilution there rests on the model"
        )
    return tuple(out)


def _chill_times(courses: AverageCourses, able: Sequence[Ground]) -> dict[SetUp, float]:
    """Median time [s] to nine tenths of the chill reached within the longest run, if any."""
    within = (courses.time_s <= courses.time_s[:, -1:] / BEYOND_RUNS)[:, :, None]
    coldest = np.where(within, courses.temp_c, np.inf).min(axis=1)
    start = courses.temp_c[:, 0]
    crossing = courses.when_as_cold_as(start - _CHILLED * (start - coldest))
    chills = np.median(start - coldest, axis=1) > 0
    return {g.set_up: float(np.median(crossing.time_s[k])) for k, g in enumerate(able) if chills[k]}
