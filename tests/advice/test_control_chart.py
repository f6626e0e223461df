"""A run beyond the limits is odd in any unit; limits come from usual runs only; a last digit is no news."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.advice.rehearsal.control_chart import LEAST_RUNS, control_chart
from rig.errors import NotEnoughData


def names(count: int) -> list[str]:
    return [f"r{k}" for k in range(count)]


@given(
    st.lists(st.integers(-50, 50), min_size=LEAST_RUNS, max_size=40),
    st.sampled_from([0.5, 2.0, 1024.0]),
    st.integers(-1000, 1000),
)
def test_another_unit_changes_no_odd_run(values: list[int], scale: float, shift: int) -> None:
    one, other = (
        control_chart("x", names(len(values)), v)
        for v in (np.array(values, float), scale * (np.array(values) + shift))
    )
    assert one.odd == other.odd


def test_a_run_far_out_is_odd_on_either_side() -> None:
    values = np.r_[np.tile([1.0, 1.2, 0.9, 1.1], 6), 3.0]
    assert control_chart("x", names(25), values).odd == ("r24",)
    assert control_chart("x", names(25), -values).odd == ("r24",)


@pytest.mark.parametrize("last", [12.0, 13.0])
def test_runs_that_agree_but_for_a_last_digit_alarm_nobody(last: float) -> None:
    assert control_chart("x", names(12), np.r_[np.full(11, 12.0), last]).odd == ()


def test_a_run_without_a_value_is_left_out() -> None:
    chart = control_chart("x", names(6), np.array([1.0, np.nan, 1.2, 0.9, 1.1, 1.0]))
    assert chart.runs == ("r0", "r2", "r3", "r4", "r5")


def test_a_run_whose_cause_is_known_is_shown_but_does_not_widen_the_limits() -> None:
    values = np.array([1.0, 1.2, 0.9, 1.1, 1.0, 9.0, 1.1, 0.9])
    usual = np.array([True] * 5 + [False] + [True] * 2)
    chart = control_chart("x", names(8), values, limits_from=usual)
    assert chart.upper < 2.0
    assert chart.odd == ("r5",)


def test_too_few_runs_are_refused_with_how_many_more() -> None:
    with pytest.raises(NotEnoughData, match="make 1 more"):
        control_chart("x", names(3), np.ones(3))


def test_a_short_chart_calls_its_limits_provisional() -> None:
    assert control_chart("x", names(19), np.arange(19.0)).provisional
    assert not control_chart("x", names(20), np.arange(20.0)).provisional


def test_a_chart_is_plain_json() -> None:
    told = json.loads(json.dumps(control_chart("x", names(5), np.arange(5.0)).to_dict(), allow_nan=False))
    assert told["in_control"] is True
    assert told["odd_runs"] == []
