"""Start and stop of motion, from simulated traces whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from rig.errors import NotEnoughData
from rig.signals.cadence import cadence, motion_by_cadence
from rig.signals.moments import Moment, Source
from rig.signals.motion import motion_of

START_S, STOP_S = 10.37, 19.81


def lagged(true_c, step_s, lag_s):
    """A first-order probe, by exact discretisation on a fine grid."""
    if lag_s == 0:
        return true_c
    keep = np.exp(-step_s / lag_s)
    return true_c[0] + lfilter([1 - keep], [1, -keep], true_c - true_c[0])


def shaken_trace(seed=0, *, lag_s=1.2, rate_hz=10.0, chill_s=6.0, noise_k=0.05, start_c=24.0, stop_s=STOP_S):
    """A drink that chills exponentially towards -4 °C from START_S to stop_s and then warms slowly."""
    fine_s = np.arange(0.0, 30.0, 0.005)
    shaken = np.clip(np.minimum(fine_s, stop_s) - START_S, 0.0, None)
    true_c = -4.0 + (start_c + 4.0) * np.exp(-shaken / chill_s) + 0.02 * np.clip(fine_s - stop_s, 0, None)
    true_c -= 0.01 * np.minimum(fine_s, START_S)
    read = lagged(true_c, 0.005, lag_s)
    time_s = np.arange(0.0, 29.9, 1.0 / rate_hz)
    noise = np.random.default_rng(seed).normal(0.0, noise_k, time_s.size)
    return time_s, np.interp(time_s, fine_s, read) + noise


@pytest.mark.parametrize("lag_s", [0.0, 0.5, 1.2, 2.5])
@pytest.mark.parametrize("start_c", [24.0, 70.0])
def test_start_and_stop_are_found_through_the_probes_lag(lag_s, start_c):
    starts, stops = [], []
    for seed in range(4):
        span = motion_of(probe=shaken_trace(seed, lag_s=lag_s, start_c=start_c), lag_s=lag_s)
        assert span.start is not None and span.stop is not None, span.doubts
        starts.append(span.start.time_s - START_S)
        stops.append(span.stop.time_s - STOP_S)
    assert np.max(np.abs(starts)) < 0.25
    assert np.max(np.abs(stops)) < 0.5


def test_the_uncertainty_covers_the_error_about_as_often_as_it_should():
    """Within twice the standard uncertainty in nearly all of twenty traces."""
    ratios = []
    for seed in range(20):
        span = motion_of(probe=shaken_trace(seed, noise_k=0.1), lag_s=1.2)
        assert span.start is not None
        ratios.append((span.start.time_s - START_S) / span.start.uncertainty_s)
    assert np.mean(np.abs(ratios) < 2.0) > 0.85


@pytest.mark.parametrize("seed", range(6))
def test_a_chill_that_had_levelled_off_leaves_the_stop_open(seed):
    span = motion_of(probe=shaken_trace(seed, chill_s=1.0, stop_s=25.0), lag_s=0.5)
    assert span.start is not None and span.stop is None


class TestCadenceChannel:
    time_s = np.arange(0.0, 30.0, 0.5)

    def test_a_bout_starts_and_stops_between_two_readings(self):
        moving = (self.time_s >= 10) & (self.time_s <= 19.5)
        span = motion_by_cadence(self.time_s, np.where(moving, 4.2, 0.0))
        assert span.start == Moment(
            9.75, pytest.approx(0.5 / 12**0.5), Source.CADENCE, "first stroke of the cadence"
        )
        assert span.stop is not None and span.stop.time_s == 19.75
        assert span.duration_s == 10.0

    def test_a_short_pause_is_bridged_and_a_second_bout_is_said(self):
        hz = np.where((self.time_s >= 5) & (self.time_s <= 20), 4.0, 0.0)
        hz[self.time_s == 12.0] = 0.0
        assert motion_by_cadence(self.time_s, hz).duration_s == pytest.approx(15.5)
        hz[(self.time_s >= 24) & (self.time_s <= 27)] = 4.0
        assert motion_by_cadence(self.time_s, hz).doubts == ("2 bouts of motion; the longest is taken",)

    def test_a_channel_that_begins_in_motion_starts_it_and_says_so(self):
        span = motion_by_cadence(self.time_s, np.full(self.time_s.shape, 4.0))
        assert span.start is not None and span.start.time_s == 0.0
        assert span.stop is None
        assert span.doubts == ("the cadence channel begins in motion, which is taken to start with it",)

    def test_a_single_blip_is_no_motion(self):
        hz = np.where(self.time_s == 12.0, 4.0, 0.0)
        assert motion_by_cadence(self.time_s, hz).doubts == ("the cadence channel shows no motion",)


class TestAccelerometer:
    @staticmethod
    def stream(hz, *, rate_hz=50.0, seed=0, second=0.0, axes=None):
        rng = np.random.default_rng(seed)
        time_s = np.cumsum(rng.uniform(0.7, 1.3, int(20 * rate_hz)) / rate_hz)
        moving = (time_s > 5) & (time_s < 15)
        wave = np.sin(2 * np.pi * hz * time_s) + second * np.sin(4 * np.pi * hz * time_s + 0.7)
        signal = np.where(moving, 20 * wave, 0.0)
        if axes is None:
            return time_s, signal + rng.normal(0, 0.2, time_s.size)
        return time_s, np.outer(signal, axes) + np.array([0.0, 0.0, 9.81]) + rng.normal(
            0, 0.2, (time_s.size, 3)
        )

    @staticmethod
    def while_moving(found):
        return found.cadence_hz[(found.time_s > 7.5) & (found.time_s < 14.5)]

    @pytest.mark.parametrize("hz", [1.5, 3.0, 4.37, 6.2])
    def test_the_cadence_is_found_within_a_twentieth_of_a_hertz(self, hz):
        found = cadence(*self.stream(hz))
        np.testing.assert_allclose(self.while_moving(found), hz, atol=0.05)

    def test_rest_is_zero(self):
        found = cadence(*self.stream(4.0))
        assert np.all(found.cadence_hz[found.time_s < 3.9] == 0.0)

    def test_ice_striking_both_ends_does_not_double_the_cadence(self):
        found = cadence(*self.stream(3.2, second=1.3))
        np.testing.assert_allclose(self.while_moving(found), 3.2, atol=0.1)

    def test_three_axes_give_the_same_however_the_board_is_held(self):
        for axes in ([1.0, 0.0, 0.0], [0.6, -0.48, 0.64]):
            found = cadence(*self.stream(4.2, axes=np.array(axes)))
            np.testing.assert_allclose(self.while_moving(found), 4.2, atol=0.05)

    def test_motion_is_told_from_the_cadence_that_was_found(self):
        found = cadence(*self.stream(4.2), window_s=1.0)
        span = motion_by_cadence(found.time_s, found.cadence_hz)
        assert span.start is not None and span.stop is not None
        assert span.start.time_s == pytest.approx(5.0, abs=2 * span.start.uncertainty_s)
        assert span.stop.time_s == pytest.approx(15.0, abs=3 * span.stop.uncertainty_s)

    def test_too_slow_or_too_short_a_stream_is_refused(self):
        with pytest.raises(NotEnoughData, match="too slow for a cadence"):
            cadence(np.arange(0.0, 20.0, 0.5), np.ones(40))
        with pytest.raises(NotEnoughData, match="at least 2 s"):
            cadence(np.arange(0.0, 1.0, 0.02), np.ones(50))
