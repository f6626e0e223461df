"""Undoing a probe's lag brings the drink back within the uncertainty it states, live and afterwards."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import ModelRangeError, NotEnoughData
from rig.sensors.lag_undone import LagModel, follow, undo_lag

DRINK_TAU_S, PROBE_TAU_S, NOISE_K = 4.0, 5.0, 0.05
START_C, FLOOR_C = 20.0, -6.0
TIME_S = np.arange(-3.0, 20.0, 0.1)


def drink_c(time_s: np.ndarray) -> np.ndarray:
    return np.where(time_s > 0, FLOOR_C + (START_C - FLOOR_C) * np.exp(-time_s / DRINK_TAU_S), START_C)


def shown_c(time_s: np.ndarray) -> np.ndarray:
    """What a probe with one lag shows, exactly."""
    a, b = DRINK_TAU_S, PROBE_TAU_S
    both = (a * np.exp(-time_s / a) - b * np.exp(-time_s / b)) / (a - b)
    return np.where(time_s > 0, FLOOR_C + (START_C - FLOOR_C) * both, START_C)


def readings_c(seed: int = 0, noise_k: float = NOISE_K) -> np.ndarray:
    return shown_c(TIME_S) + np.random.default_rng(seed).normal(0.0, noise_k, TIME_S.size)


def test_the_check_itself_is_the_worked_two_lag_step():
    # 20 to −6 °C, drink 4 s, probe 5 s: after 10 s the drink is at −3.87 and the probe shows 3.06 °C
    at = np.array([10.0])
    assert (drink_c(at)[0], shown_c(at)[0]) == pytest.approx((-3.87, 3.06), abs=0.005)


def test_the_drink_is_found_far_closer_than_the_probe_shows_it():
    later = TIME_S > 1.0
    errors = np.array([undo_lag(TIME_S, readings_c(s), LagModel(PROBE_TAU_S)).temp_c for s in range(5)])
    rms = np.sqrt(np.mean((errors - drink_c(TIME_S))[:, later] ** 2))
    as_shown = np.sqrt(np.mean((shown_c(TIME_S) - drink_c(TIME_S))[later] ** 2))
    assert as_shown > 6.0
    assert rms < 0.15


def test_the_stated_uncertainty_holds():
    inside = []
    for seed in range(10):
        found = undo_lag(TIME_S, readings_c(seed), LagModel(PROBE_TAU_S))
        inside.append(np.abs(found.temp_c - drink_c(TIME_S)) < 2 * found.std_k)
    share = np.mean(np.array(inside)[:, TIME_S > 1.0])
    assert share > 0.93


def test_plain_differentiation_would_be_noisier():
    reading = readings_c()
    plain = reading + PROBE_TAU_S * np.gradient(reading, TIME_S)
    found = undo_lag(TIME_S, reading, LagModel(PROBE_TAU_S)).temp_c
    later = TIME_S > 1.0
    error_plain, error = (np.std((x - drink_c(TIME_S))[later]) for x in (plain, found))
    assert error_plain > 8 * error


def live(reading: np.ndarray, model: LagModel, start_s: float | None = 0.0) -> tuple[np.ndarray, np.ndarray]:
    state, out = None, []
    for t, y in zip(TIME_S, reading, strict=True):
        state = follow(state, float(t), float(y), model, motion_starts_s=start_s)
        out.append((state.temp_c, state.std_k))
    value, std = np.array(out).T
    return value, std


def test_live_values_know_the_drink_and_how_well():
    covered, errors = [], []
    for seed in range(5):
        value, std = live(readings_c(seed), LagModel(PROBE_TAU_S))
        error = (value - drink_c(TIME_S))[TIME_S > 0.5]
        errors.append(error)
        covered.append(np.abs(error) < 2 * std[TIME_S > 0.5])
    assert np.sqrt(np.mean(np.array(errors) ** 2)) < 0.7
    assert np.mean(covered) > 0.93


def test_live_values_never_change_with_what_comes_later():
    reading = readings_c()
    other = reading.copy()
    other[150:] += 5.0
    model = LagModel(PROBE_TAU_S)
    assert np.array_equal(live(reading, model)[0][:150], live(other, model)[0][:150])


def test_live_and_smoothed_agree_on_the_newest_sample():
    model = LagModel(PROBE_TAU_S)
    value, std = live(readings_c(), model)
    found = undo_lag(TIME_S, readings_c(), model, learn=False)
    assert (found.temp_c[-1], found.std_k[-1]) == pytest.approx((value[-1], std[-1]), rel=1e-6)
    assert np.all(found.std_k <= std * (1 + 1e-9))


def test_the_start_of_motion_is_unsure_for_a_moment_and_says_so():
    _, std = live(readings_c(), LagModel(PROBE_TAU_S))
    before, at, later = (std[np.argmin(np.abs(TIME_S - t))] for t in (-0.3, 0.2, 3.0))
    assert at > 1.2 * before and later < at


def test_an_unsure_time_constant_makes_the_drink_unsure_while_it_moves():
    sure, unsure = (undo_lag(TIME_S, readings_c(), LagModel(PROBE_TAU_S, s)) for s in (0.0, 0.5))
    moving, still = np.argmin(np.abs(TIME_S - 4.0)), np.argmin(np.abs(TIME_S + 2.0))
    assert unsure.std_k[moving] > sure.std_k[moving] + 0.2
    assert unsure.std_k[still] == pytest.approx(sure.std_k[still], abs=0.05)


def test_a_wrong_time_constant_errs_as_its_uncertainty_says():
    wrong = undo_lag(TIME_S, readings_c(), LagModel(PROBE_TAU_S * 1.1, PROBE_TAU_S * 0.1))
    k = np.argmin(np.abs(TIME_S - 4.0))
    error = abs(wrong.temp_c[k] - drink_c(TIME_S)[k])
    assert 0.3 < error < 2 * wrong.std_k[k]


def test_gaps_are_bridged_with_more_uncertainty():
    reading = readings_c()
    gap = (TIME_S > 6.0) & (TIME_S < 8.0)
    whole = undo_lag(TIME_S, reading, LagModel(PROBE_TAU_S))
    bridged = undo_lag(TIME_S, np.where(gap, np.nan, reading), LagModel(PROBE_TAU_S))
    assert np.all(np.isfinite(bridged.temp_c))
    assert bridged.std_k[gap].max() > 1.3 * whole.std_k[gap].max()
    assert np.abs(bridged.temp_c - drink_c(TIME_S))[gap].max() < 1.0


def test_the_noise_is_learnt_from_the_trace():
    for noise_k in (0.02, 0.2):
        found = undo_lag(TIME_S, readings_c(3, noise_k), LagModel(PROBE_TAU_S))
        assert found.model.noise_std_k == pytest.approx(noise_k, rel=0.25)


def test_a_probe_that_shows_only_sixteenths_is_never_surer_than_its_digits():
    reading = np.round(np.full(TIME_S.size, 4.0) * 16) / 16
    reading[::50] += 1 / 16
    found = undo_lag(TIME_S, reading, LagModel(PROBE_TAU_S), motion_starts_s=None)
    assert found.model.noise_std_k >= 1 / 16 / np.sqrt(12) * 0.999


def test_a_drink_at_rest_stays_at_rest():
    reading = 4.0 + np.random.default_rng(0).normal(0.0, NOISE_K, TIME_S.size)
    found = undo_lag(TIME_S, reading, LagModel(PROBE_TAU_S), motion_starts_s=None)
    assert np.abs(found.temp_c - 4.0).max() < 0.15
    assert np.abs(found.rate_k_per_s).max() < 0.1


def test_uneven_times_are_taken_as_they_are():
    rng = np.random.default_rng(4)
    keep = np.sort(rng.choice(TIME_S.size, 150, replace=False))
    found = undo_lag(TIME_S[keep], readings_c()[keep], LagModel(PROBE_TAU_S))
    later = TIME_S[keep] > 1.0
    assert np.sqrt(np.mean((found.temp_c - drink_c(TIME_S[keep]))[later] ** 2)) < 0.25


def test_nonsense_is_refused():
    with pytest.raises(ModelRangeError, match="do a plunge test"):
        LagModel(0.0)
    with pytest.raises(NotEnoughData, match="fewer than five"):
        undo_lag(np.arange(4.0), np.zeros(4), LagModel(1.0))
    with pytest.raises(ModelRangeError, match="do not rise"):
        undo_lag(TIME_S[::-1], readings_c(), LagModel(1.0))
    with pytest.raises(ModelRangeError, match="in order"):
        follow(follow(None, 1.0, 20.0, LagModel(1.0)), 1.0, 20.0, LagModel(1.0))
