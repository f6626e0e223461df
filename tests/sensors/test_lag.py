"""A plunge gives the time constant with an honest interval; a trace that cannot is refused with what to do."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import ModelRangeError, NotEnoughData
from rig.sensors.lag import time_constant


def plunge(
    tau_s: float,
    *,
    rate_hz: float = 10.0,
    until_s: float = 30.0,
    noise_k: float = 0.1,
    start_c: float = 22.0,
    end_c: float = 0.0,
    seed: int = 0,
) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    time_s = np.arange(-3.0, until_s, 1.0 / rate_hz)
    since = np.maximum(time_s - rng.uniform(-0.05, 0.05), 0.0)
    clean = end_c + (start_c - end_c) * np.exp(-since / tau_s)
    return time_s, clean + rng.normal(0.0, noise_k, time_s.size)


@pytest.mark.parametrize("tau_s", [0.5, 1.5, 5.0, 8.0])
@pytest.mark.parametrize(("start_c", "end_c"), [(22.0, 0.0), (0.0, 60.0)])
def test_the_time_constant_is_found_whichever_way_the_plunge_goes(tau_s, start_c, end_c):
    found = time_constant(*plunge(tau_s, start_c=start_c, end_c=end_c))
    assert found.tau_s == pytest.approx(tau_s, rel=0.05)
    assert (found.start_c, found.end_c) == pytest.approx((start_c, end_c), abs=0.3)
    assert found.plunged_at_s == pytest.approx(0.0, abs=0.1)
    assert found.doubts == ()


def test_the_95_percent_interval_holds_the_truth_in_95_of_100_plunges():
    held = 0
    for seed in range(100):
        low, high = time_constant(*plunge(3.0, seed=seed, until_s=20.0)).interval_s
        held += low < 3.0 < high
    assert 0.90 <= held / 100 < 1.0


def test_more_noise_widens_the_interval():
    quiet, loud = (time_constant(*plunge(3.0, noise_k=n)).interval_s for n in (0.05, 0.5))
    assert loud[1] - loud[0] > 4 * (quiet[1] - quiet[0])


def test_gaps_in_the_trace_are_left_out():
    time_s, reading_c = plunge(3.0)
    reading_c[::7] = np.nan
    assert time_constant(time_s, reading_c).tau_s == pytest.approx(3.0, rel=0.05)


def test_a_thick_capsule_is_called_one_and_its_interval_is_wider():
    time_s, _ = plunge(3.0)
    since = np.maximum(time_s, 0.0)
    reading_c = 22.0 * (4.0 * np.exp(-since / 4.0) - 2.5 * np.exp(-since / 2.5)) / 1.5
    two = time_constant(time_s, reading_c + np.random.default_rng(1).normal(0, 0.1, time_s.size))
    one = time_constant(*plunge(two.tau_s))
    assert any("single lag" in d for d in two.doubts)
    assert two.tau_std_s > 3 * one.tau_std_s


def test_a_slow_logger_is_called_slow():
    found = time_constant(*plunge(1.2, rate_hz=2.0, noise_k=0.02))
    assert any("slow for this probe" in d for d in found.doubts)


@pytest.mark.parametrize(
    ("trace", "says"),
    [
        (plunge(3.0, end_c=19.0), "plunge from one bath into another"),
        (plunge(8.0, until_s=10.0), "record for .* until the probe stands still"),
        (plunge(0.1, rate_hz=2.0), "record faster"),
        ((np.arange(5.0), np.arange(5.0)), "5 readings do not show"),
    ],
)
def test_a_trace_that_cannot_tell_is_refused_with_what_to_do(trace, says):
    with pytest.raises(NotEnoughData, match=says):
        time_constant(*trace)


def test_times_that_do_not_rise_are_refused():
    time_s, reading_c = plunge(3.0)
    with pytest.raises(ModelRangeError, match="do not rise"):
        time_constant(time_s[::-1], reading_c)
