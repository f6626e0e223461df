from __future__ import annotations

import numpy as np
import pytest

from rig.errors import NotFound
from rig.fitting.result import Fit, Verdict
from rig.fitting.situation import Situation
from rig.report.courses import run_course, set_up_courses, short_names
from rig.runs import SetUp

A, B, C = SetUp("shake", "tin", "cube"), SetUp("shake", "tin", "pebble"), SetUp("stir", "glass", "cube")


@pytest.mark.parametrize(
    ("set_ups", "names"),
    [
        ([A], ["shake · tin · cube"]),
        ([A, B], ["cube", "pebble"]),
        ([A, C], ["shake · tin", "stir · glass"]),
        ([A, B, C], ["shake · tin · cube", "shake · tin · pebble", "stir · glass · cube"]),
    ],
)
def test_set_ups_are_named_by_what_tells_them_apart(set_ups: list[SetUp], names: list[str]) -> None:
    assert list(short_names(set_ups).values()) == names


def test_courses_start_warm_chill_and_take_on_water_within_ordered_bands(fit: Fit) -> None:
    for c in set_up_courses(fit, fit.set_ups, "night shift", draws=64):
        assert np.all(np.diff(c.duration_s) > 0)
        assert c.temp_c.p50[0] > 15 > 8 > c.temp_c.p50[-1]
        assert c.dilution_by_volume.p50[-1] > c.dilution_by_volume.p50[0] + 0.1
        for b in (c.temp_c, c.dilution_by_volume):
            assert np.all(b.p05 <= b.p50)
            assert np.all(b.p50 <= b.p95)


def test_courses_end_where_asked_and_hold_the_conditions_given(fit: Fit) -> None:
    held = Situation("", "", "", "", drink_temp_c=40.0, ice_mass_g=190.0)
    (course,) = set_up_courses(fit, fit.set_ups[:1], "night shift", longest_s=9.0, conditions=held, draws=64)
    assert course.duration_s[-1] == pytest.approx(9.0)
    assert course.temp_c.p50[0] > 35
    assert (course.situation.ice_mass_g, course.situation.set_up) == (190.0, fit.set_ups[0])


def test_a_set_up_keeps_its_place_whatever_it_is_drawn_with(fit: Fit) -> None:
    every = {c.set_up: c.place for c in set_up_courses(fit, fit.set_ups, "night shift", draws=16)}
    (alone,) = set_up_courses(fit, fit.set_ups[-1:], "night shift", draws=16)
    assert alone.place == every[alone.set_up]
    assert len(set(every.values())) == len(every)


def test_a_runs_own_course_ends_where_the_fit_says_it_ended(fit: Fit) -> None:
    for found in fit.runs:
        if found.verdict is not Verdict.GOOD:
            continue
        course = run_course(fit, found.run)
        # the fit's end temperature leaves out its smooth misfit, a few tenths of a kelvin, and its water is
        # of the last but one step
        assert course.temp_c[-1] == pytest.approx(found.temp_c, abs=0.6)
        assert course.dilution_by_volume[-1] == pytest.approx(found.dilution_by_volume, abs=0.01)
        assert course.time_s[-1] == pytest.approx(found.duration_s)


def test_a_run_that_is_not_there_is_named_with_one_like_it(fit: Fit) -> None:
    with pytest.raises(NotFound, match="did you mean"):
        run_course(fit, "a11")
