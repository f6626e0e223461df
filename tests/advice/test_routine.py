"""A routine's clock adds up, its odds know what drinks share, and a wrong file is told in words."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from rig.advice.process.routine import USUAL_S, Order, Routine, Stage, landing_together, plan_routine
from rig.advice.process.routine_file import parse_routine
from rig.errors import BenchError, NotFound
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from tests import shared_fits
from tests.cli.small_bench import small_book

SHAKEN = Situation("shake", "steel tin", "freezer cube", "night shift", drink_temp_c=22.0)
STIRRED = Situation("stir", "mixing glass", "wet cube", "night shift", drink_temp_c=22.0)
FILE = """
limit_s = 300
[times_s]
weigh = 20
[[drinks]]
recipe = "night shift"
technique = "shake"
vessel = "steel tin"
ice = "freezer cube"
target = "coupe"
count = 2
[[drinks]]
recipe = "night shift"
technique = "stir"
vessel = "mixing glass"
ice = "wet cube"
target = "short"
drink_temp_c = 22
times_s = { garnish = 0 }
"""


@pytest.fixture(scope="module")
def fitted() -> Fit:
    return shared_fits.fitted(small_book())


@pytest.fixture(scope="module")
def routine(fitted: Fit) -> Routine:
    orders, limit = parse_routine(FILE, fitted.bench)
    return plan_routine(fitted, orders, limit)


def test_every_step_begins_when_the_last_ends(routine: Routine) -> None:
    assert routine.steps[0].start_s == 0.0
    assert all(b.start_s == pytest.approx(a.end_s) for a, b in pairwise(routine.steps))
    assert routine.total_s == pytest.approx(sum(s.duration_s for s in routine.steps))
    assert routine.slack_s == pytest.approx(300.0 - routine.total_s)


def test_stages_come_in_order_and_a_step_of_no_time_is_left_out(routine: Routine) -> None:
    stages = [[s.stage for s in routine.steps if s.drink == k] for k in (1, 2, 3)]
    assert stages == [list(Stage), list(Stage), list(Stage)[:-1]]


def test_times_are_those_of_the_file_else_usual_and_motion_goes_by_the_call(routine: Routine) -> None:
    first = {s.stage: s.duration_s for s in routine.steps if s.drink == 1}
    assert first[Stage.WEIGH] == 20.0
    assert first[Stage.STRAIN] == USUAL_S[Stage.STRAIN]
    assert first[Stage.MOVE] == routine.drinks[0].duration_s


def test_all_land_no_more_often_than_the_least_likely_and_about_as_often_as_the_product(
    routine: Routine,
) -> None:
    each = [d.odds for d in routine.drinks]
    assert np.prod(each) - 0.02 <= routine.odds_all <= min(each)
    assert routine.expected == pytest.approx(sum(each))


def test_drinks_that_share_their_ice_land_together_more_often_than_chance_has_it(fitted: Fit) -> None:
    target = fitted.bench.target("coupe")
    (one,) = plan_routine(fitted, [Order(SHAKEN, target)]).drinks
    unsure = replace(fitted, posterior=replace(fitted.posterior, covariance=30 * fitted.posterior.covariance))
    sure = replace(fitted, posterior=replace(fitted.posterior, covariance=1e-9 * fitted.posterior.covariance))
    tight = replace(one, odds=0.6)
    independent, _ = landing_together(sure, [tight, tight])
    sharing, _ = landing_together(unsure, [tight, tight])
    assert independent == pytest.approx(0.36, abs=0.02)
    assert sharing > 0.37


def test_a_routine_too_long_for_its_limit_says_by_how_much(fitted: Fit) -> None:
    found = plan_routine(fitted, [Order(STIRRED, fitted.bench.target("short"))], limit_s=20.0)
    assert found.slack_s is not None and found.slack_s < 0
    assert found.odds_in_time is not None and found.odds_in_time < 0.01
    assert "does not fit" in found.notes[0]


def test_without_a_limit_there_is_no_slack(fitted: Fit) -> None:
    found = plan_routine(fitted, [Order(SHAKEN, fitted.bench.target("coupe"))])
    assert (found.slack_s, found.odds_in_time, found.odds_all_in_time) == (None, None, None)


def test_a_drink_never_made_is_named(fitted: Fit) -> None:
    new = replace(SHAKEN, vessel="mixing glass")
    found = plan_routine(fitted, [Order(new, fitted.bench.target("coupe"))])
    assert any("Never measured" in n for n in found.notes)


def test_a_routine_is_plain_json(routine: Routine) -> None:
    told = json.loads(json.dumps(routine.to_dict(), allow_nan=False))
    assert set(told) == {
        "drinks", "steps", "total_s", "total_sd_s", "limit_s", "slack_s", "odds_in_time", "odds_all",
        "odds_all_in_time", "expected_landed", "notes",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("limit_s = 300", "limit_s = ", "not valid TOML"),
        ("limit_s = 300", "limit = 300", "unknown key 'limit'"),
        ("limit_s = 300", "limit_s = 'long'", "limit_s must be a number"),
        ("weigh = 20", "wiegh = 20", "unknown key 'wiegh'"),
        ("weigh = 20", "weigh = -1", "cannot be negative"),
        ("count = 2", "count = 0", "whole number"),
        ("count = 2", "counts = 2", "drink 1: unknown key 'counts'"),
        ('ice = "freezer cube"\n', "", "drink 1 does not say its ice"),
        ('target = "coupe"\n', "", "drink 1 does not say its target"),
        ("drink_temp_c = 22", "drink_temp_c = 'warm'", "drink 2: drink_temp_c must be a number"),
    ],
)
def test_a_wrong_file_is_told_with_its_place(fitted: Fit, old: str, new: str, told: str) -> None:
    with pytest.raises(BenchError, match=told):
        parse_routine(FILE.replace(old, new, 1), fitted.bench, "final.toml")


@pytest.mark.parametrize("name", ["night shift", "steel tin", "freezer cube", "coupe"])
def test_a_name_that_is_not_on_the_bench_is_told(fitted: Fit, name: str) -> None:
    with pytest.raises(NotFound, match="did you mean"):
        parse_routine(FILE.replace(f'"{name}"', f'"{name}x"', 1), fitted.bench)


def test_an_empty_routine_is_told(fitted: Fit) -> None:
    with pytest.raises(BenchError, match="no drinks"):
        parse_routine("limit_s = 3", fitted.bench)
    with pytest.raises(BenchError, match="at least one drink"):
        plan_routine(fitted, [])
