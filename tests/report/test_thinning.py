from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from rig.report.thinning import MOST_POINTS, own_readings, thinned, thinned_close

VALUES = hnp.arrays(
    np.float64,
    st.integers(1, 400),
    elements=st.floats(-50, 100, width=32) | st.just(float("nan")),
)


@given(values=VALUES, most=st.integers(5, 60), seed=st.integers(0, 99))
def test_what_is_kept_was_measured_rises_and_is_not_more_than_asked(
    values: np.ndarray, most: int, seed: int
) -> None:
    time_s = np.sort(np.random.default_rng(seed).uniform(0, 60, values.size))
    kept = thinned(time_s, values, most)
    assert np.all(np.diff(kept) > 0)
    assert kept.size <= max(most, 5)
    assert kept[0] == 0
    assert kept[-1] == values.size - 1


@given(values=VALUES, most=st.integers(5, 60))
def test_the_highest_and_the_lowest_reading_are_always_kept(values: np.ndarray, most: int) -> None:
    kept = thinned(np.arange(values.size, dtype=float), values, most)
    if not np.all(np.isnan(values)):
        assert np.nanmax(values[kept]) == np.nanmax(values)
        assert np.nanmin(values[kept]) == np.nanmin(values)


@given(values=VALUES, most=st.integers(5, 60))
def test_a_line_through_what_is_kept_breaks_where_the_trace_does(values: np.ndarray, most: int) -> None:
    kept = thinned(np.arange(values.size, dtype=float), values, most)
    stretches = max((most - 2) // 3, 1)
    gaps = np.flatnonzero(np.isnan(values))
    # every gap as long as two stretches has a sample of its own
    if values.size > most and gaps.size and np.any(np.isnan(values)):
        assert np.any(np.isnan(values[kept])) or gaps.size < 2 * values.size / stretches


def test_every_spike_of_a_million_samples_is_seen_far_off_and_close() -> None:
    rng = np.random.default_rng(1)
    time_s = np.arange(1_000_000) / 100.0
    values = rng.normal(0, 0.05, time_s.size)
    spikes = np.arange(500, time_s.size, 40_000)
    values[spikes] = 9.0
    far = thinned(time_s, values)
    assert far.size <= MOST_POINTS
    assert set(spikes) <= set(far)
    near = thinned(time_s, values, between_s=(400.0, 410.0))
    assert near.size == 1003
    assert (time_s[near[0]], time_s[near[-1]]) == (399.99, 410.01)


@pytest.mark.parametrize("between", [(-5.0, -1.0), (100.0, 200.0), (0.5, 0.5)])
def test_a_stretch_with_nothing_in_it_is_drawn_by_its_neighbours_at_most(
    between: tuple[float, float],
) -> None:
    time_s = np.linspace(0.0, 60.0, 61)
    assert thinned(time_s, time_s, between_s=between).size <= 2


def test_few_samples_are_all_kept() -> None:
    time_s = np.linspace(0.0, 1.0, 100)
    assert np.array_equal(thinned(time_s, time_s), np.arange(100))


def test_seen_close_the_rest_of_a_trace_is_there_as_from_afar() -> None:
    time_s = np.linspace(0.0, 3600.0, 1_000_000)
    values = np.sin(time_s / 40.0)
    between = (400.0, 402.0)
    kept = thinned_close(time_s, values, between)
    assert np.isin(thinned(time_s, values), kept).all()
    assert np.isin(np.flatnonzero((time_s >= between[0]) & (time_s <= between[1])), kept).all()
    assert np.all(np.diff(kept) > 0)
    assert kept.size <= 2 * MOST_POINTS


def test_a_probe_read_in_turns_with_a_scale_is_one_line_and_a_dropout_stays_a_gap() -> None:
    """As a recorder writes it: a row a reading, the other device's column empty."""
    time_s = np.arange(0.0, 30.0, 0.05)
    probe = np.where(np.arange(time_s.size) % 2 == 0, 20.0 - 0.5 * time_s, np.nan)
    probe[(time_s > 12.0) & (time_s < 15.0)] = np.nan
    t, v = own_readings(time_s, probe)
    gaps = np.flatnonzero(np.isnan(v))
    assert gaps.size == 1 and 12.0 < t[gaps[0]] < 15.0
    np.testing.assert_array_equal(v[~np.isnan(v)], probe[~np.isnan(probe)])
    none = own_readings(time_s, np.full(time_s.size, np.nan))
    assert none[0].size == none[1].size == 0
