"""A probe that goes quiet, jumps, falls out of the drink or speaks °F is told from one that a drink can explain."""

from __future__ import annotations

import numpy as np
import pytest

from rig.signals.probe_faults import ProbeFault, probe_doubt

USUAL_C = 22.0


def drink(until_s: float, start_c: float = 22.0, every_s: float = 0.1) -> tuple[np.ndarray, np.ndarray]:
    """A drink that chills by a probe with some noise: time [s] and what it reads [°C]."""
    time = np.arange(-2.0, until_s, every_s)
    true = np.where(time < 0, start_c, -3.0 + (start_c + 3.0) * np.exp(-np.maximum(time, 0.0) / 3.0))
    return time, true + np.random.default_rng(3).normal(0.0, 0.1, time.size)


def doubt_of(time: np.ndarray, temp: np.ndarray, until_s: float, **how: object) -> object:
    found = probe_doubt(time, temp, until_s, usual_c=USUAL_C, **how)  # type: ignore[arg-type]
    return None if found is None else found.fault


@pytest.mark.parametrize("start_c", [4.0, 22.0, 78.0])
@pytest.mark.parametrize("every_s", [0.05, 0.5, 2.0])
def test_a_drink_that_chills_is_believed(start_c: float, every_s: float) -> None:
    time, temp = drink(14.0, start_c, every_s)
    for now_s in np.arange(0.5, 14.0, 0.5):
        assert probe_doubt(time, temp, float(now_s), usual_c=start_c) is None


def test_a_probe_that_is_poured_over_may_warm_first() -> None:
    time, temp = drink(10.0, 70.0)
    temp = np.where(time < 0.8, 21.0, temp)
    assert doubt_of(time, temp, 9.0, in_drink=False) is None


def test_one_wild_reading_is_no_fault() -> None:
    time, temp = drink(10.0)
    temp[60] = 85.0
    assert doubt_of(time, temp, 9.0) is None


def test_a_strong_drink_from_the_freezer_may_warm_up_to_its_ice() -> None:
    time = np.arange(-2.0, 10.0, 0.1)
    temp = np.where(time < 0, -15.0, -1.0 - 14.0 * np.exp(-np.maximum(time, 0.0) / 4.0))
    assert probe_doubt(time, temp, 9.0, usual_c=-15.0) is None


def test_silence_is_told_after_a_second_or_two_and_with_it_since_when() -> None:
    time, temp = drink(4.0)
    assert doubt_of(time, temp, 4.8) is None
    found = probe_doubt(time, temp, 6.0, usual_c=USUAL_C)
    assert found is not None and found.fault is ProbeFault.SILENT
    assert found.since_s == pytest.approx(4.0, abs=0.2)
    assert "silent" in found.words and "4 s" in found.words


def test_lines_without_a_value_are_silence_too() -> None:
    time, temp = drink(8.0)
    temp[time > 3.0] = np.nan
    assert doubt_of(time, temp, 7.0) is ProbeFault.SILENT


def test_a_probe_that_speaks_again_is_believed_again() -> None:
    time, temp = drink(10.0)
    there = (time < 3.0) | (time > 6.0)
    assert doubt_of(time[there], temp[there], 5.5) is ProbeFault.SILENT
    assert doubt_of(time[there], temp[there], 9.0) is None


@pytest.mark.parametrize(("after_c", "said"), [(-127.0, "jumped"), (60.0, "jumped"), (-25.0, "jumped")])
def test_a_jump_that_stays_is_told_whatever_comes_after(after_c: float, said: str) -> None:
    time, temp = drink(10.0)
    temp[time > 5.0] = after_c
    found = probe_doubt(time, temp, 9.0, usual_c=USUAL_C)
    assert found is not None and found.fault is ProbeFault.JUMPED
    assert said in found.words
    assert found.since_s == pytest.approx(5.0, abs=0.3)


def test_a_probe_that_falls_out_of_the_drink_warms_and_is_told() -> None:
    time, temp = drink(12.0)
    temp = np.where(time > 6.0, temp + 1.5 * (time - 6.0), temp)
    assert doubt_of(time, temp, 6.5) is None
    found = probe_doubt(time, temp, 11.0, usual_c=USUAL_C)
    assert found is not None and found.fault is ProbeFault.OUT_OF_DRINK
    assert found.since_s < 11.0


def test_fahrenheit_is_told_before_the_start() -> None:
    time, temp = drink(0.0)
    found = probe_doubt(time, 32.0 + 1.8 * temp, 0.0, usual_c=USUAL_C)
    assert found is not None and found.fault is ProbeFault.FAHRENHEIT
    assert "72" in found.words and "22" in found.words
    assert doubt_of(time, 32.0 + 1.8 * temp, 0.0, believed=True) is None


def test_a_hot_drink_whose_recipe_says_so_is_not_taken_for_fahrenheit() -> None:
    time, temp = drink(0.0, 72.0)
    assert probe_doubt(time, temp, 0.0, usual_c=70.0) is None


def test_without_any_reading_there_is_nothing_to_doubt() -> None:
    assert probe_doubt(np.zeros(0), np.zeros(0), 5.0, usual_c=USUAL_C) is None
