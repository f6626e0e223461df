"""Each run rule is met by its pattern and by nothing shorter; limits come from usual runs only."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.advice.control_chart import (
    LEAST_RUNS,
    NELSON,
    WESTERN_ELECTRIC,
    RunRule,
    control_chart,
    patterns,
)
from rig.errors import NotEnoughData

UP_DOWN = [0.1 * (-1) ** k for k in range(14)]
MET = {
    RunRule.BEYOND_LIMITS: [3.1],
    RunRule.NINE_ON_ONE_SIDE: [0.2, 0.4, 0.1, 0.9, 0.3, 0.2, 0.5, 0.1, 0.2],
    RunRule.SIX_STEADILY: [-0.9, -0.5, -0.2, 0.0, 0.1, 0.4],
    RunRule.FOURTEEN_ALTERNATING: UP_DOWN,
    RunRule.TWO_OF_THREE: [2.1, -0.5, 2.2],
    RunRule.FOUR_OF_FIVE: [1.1, 1.2, -0.3, 1.4, 1.1],
    RunRule.EIGHT_ON_ONE_SIDE: [0.2, 0.4, 0.1, 0.9, 0.3, 0.2, 0.5, 0.1],
}


def names(count: int) -> list[str]:
    return [f"r{k}" for k in range(count)]


@pytest.mark.parametrize("rule", list(RunRule), ids=str)
def test_a_rule_is_met_by_its_pattern_from_first_to_last(rule: RunRule) -> None:
    assert patterns(rule, np.array(MET[rule]), 0.0, 1.0) == [(0, len(MET[rule]) - 1)]


@pytest.mark.parametrize("rule", list(RunRule), ids=str)
def test_a_rule_is_met_on_the_other_side_too(rule: RunRule) -> None:
    assert patterns(rule, -np.array(MET[rule]), 0.0, 1.0) == [(0, len(MET[rule]) - 1)]


@pytest.mark.parametrize("rule", list(RunRule), ids=str)
def test_a_rule_is_not_met_by_a_pattern_one_short(rule: RunRule) -> None:
    assert patterns(rule, np.array(MET[rule][:-1]), 0.0, 1.0) == []


@pytest.mark.parametrize("rule", list(RunRule), ids=str)
def test_a_rule_is_explained_and_its_source_named(rule: RunRule) -> None:
    assert len(rule.means.split()) > 8
    assert any(source in rule.published_as for source in ("Nelson", "Western Electric"))


def test_the_two_sets_are_the_published_ones() -> None:
    assert [r.published_as.split(",")[0] for r in NELSON] == [f"Nelson {k}" for k in range(1, 5)]
    assert [r.published_as.split("Western ")[-1] for r in WESTERN_ELECTRIC] == [
        f"Electric {k}" for k in range(1, 5)
    ]


def test_a_long_pattern_is_one_signal_and_single_points_are_told_one_by_one() -> None:
    assert patterns(RunRule.NINE_ON_ONE_SIDE, np.full(15, 0.5), 0.0, 1.0) == [(0, 14)]
    assert patterns(RunRule.BEYOND_LIMITS, np.array([4.0, 5.0]), 0.0, 1.0) == [(0, 0), (1, 1)]


@given(
    st.lists(st.integers(-50, 50), min_size=LEAST_RUNS, max_size=40),
    st.sampled_from([0.5, 2.0, 1024.0]),
    st.integers(-1000, 1000),
)
def test_another_unit_changes_no_signal(values: list[int], scale: float, shift: int) -> None:
    rules = tuple(RunRule)
    plain = control_chart("x", names(len(values)), np.array(values, float), rules=rules)
    other = control_chart("x", names(len(values)), np.array(values) * scale + shift, rules=rules)
    one_side = {RunRule.NINE_ON_ONE_SIDE, RunRule.EIGHT_ON_ONE_SIDE}
    # a point that is the mean to the last digit may fall on either side of it after rounding
    assert [s for s in plain.signals if s.rule not in one_side] == [
        s for s in other.signals if s.rule not in one_side
    ]
    assert plain.range_signals == other.range_signals


def test_runs_that_agree_to_the_last_digit_alarm_nobody() -> None:
    assert control_chart("x", names(12), np.full(12, 0.1 + 0.2), rules=tuple(RunRule)).in_control


def test_a_run_without_a_value_is_left_out() -> None:
    chart = control_chart("x", names(6), np.array([1.0, 2.0, np.nan, 1.5, 2.5, 1.0]))
    assert chart.runs == ("r0", "r1", "r3", "r4", "r5")
    assert chart.moving_range[1:] == pytest.approx([1.0, 0.5, 1.0, 1.5])


def test_a_run_whose_cause_is_known_is_shown_but_does_not_widen_the_limits() -> None:
    values = np.array([10.0, 10.5, 9.8, 10.1, 30.0, 10.2, 9.9, 10.4])
    usual = np.arange(8) != 4
    chart = control_chart("x", names(8), values, limits_from=usual)
    without = control_chart("x", names(7), values[usual])
    assert (chart.lower, chart.upper) == (without.lower, without.upper)
    assert [s.runs for s in chart.signals if s.rule is RunRule.BEYOND_LIMITS] == [("r4",)]
    assert chart.range_signals == ("r4", "r5")


def test_too_few_runs_are_refused_with_how_many_more() -> None:
    with pytest.raises(NotEnoughData, match="make 2 more"):
        control_chart("temp_c", names(2), np.array([1.0, 2.0]))


def test_a_short_chart_calls_its_limits_provisional() -> None:
    rng = np.random.default_rng(1)
    assert control_chart("x", names(19), rng.normal(size=19)).provisional
    assert not control_chart("x", names(20), rng.normal(size=20)).provisional


def test_a_chart_is_plain_json() -> None:
    chart = control_chart("temp_c", names(6), np.array([1.0, 2.0, 1.0, 9.0, 1.0, 2.0]))
    told = json.loads(json.dumps(chart.to_dict(), allow_nan=False))
    assert set(told) == {
        "quantity", "runs", "values", "centre", "sigma", "lower", "upper", "moving_range", "range_centre",
        "range_upper", "signals", "range_signals", "in_control", "provisional",
    }  # fmt: skip
    assert told["moving_range"][0] is None
