"""A motion sensor on the arm or the tin feels when a shake began and stopped, and how fast it was."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import NotEnoughData
from rig.signals.moments import Source
from rig.signals.strapped import feel_shake

RATE_HZ, REST_S = 60.0, 3.0


def swung(
    rng: np.random.Generator, cadence_hz: float, lasts_s: float, after_s: float = REST_S, reach: float = 18.0
) -> tuple[np.ndarray, np.ndarray]:
    """An arm at rest, to and fro by a hand that drifts, at rest again; gravity on all axes, readings that jitter."""
    time_s = np.arange(0.0, REST_S + lasts_s + after_s, 1.0 / RATE_HZ)
    time_s = np.sort(time_s + rng.uniform(0.0, 0.004, time_s.size))
    whole_s = np.arange(0.0, time_s[-1] + 1.0)
    drift = np.interp(time_s, whole_s, np.cumsum(rng.normal(0.0, 0.02, whole_s.size)))
    hz = cadence_hz * np.exp(drift)
    hz *= cadence_hz / np.mean(hz[(time_s > REST_S) & (time_s < REST_S + lasts_s)])
    turns = np.cumsum(hz * np.diff(time_s, prepend=0.0))
    moved = (time_s >= REST_S) & (time_s <= REST_S + lasts_s)
    along = rng.normal(size=3)
    along /= np.linalg.norm(along)
    swing = np.where(moved, reach * np.sin(2.0 * np.pi * (turns - turns[np.argmax(moved)])), 0.0)
    held = rng.normal(0.0, 0.4, (time_s.size, 3)) + rng.normal(0.0, 9.8, 3)
    return time_s, held + swing[:, None] * along


@pytest.mark.parametrize("seed", range(12))
def test_start_stop_and_cadence_are_felt(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cadence_hz, lasts_s = rng.uniform(2.0, 7.0), rng.uniform(4.0, 14.0)
    felt = feel_shake(*swung(rng, cadence_hz, lasts_s))
    assert felt.start.source is Source.STRAPPED
    assert abs(felt.start.time_s - REST_S) < 0.15
    assert abs(felt.stop.time_s - REST_S - lasts_s) < 0.15
    assert felt.cadence_hz == pytest.approx(cadence_hz, rel=0.03)
    assert not felt.goes_on


def test_a_shake_that_goes_on_says_so() -> None:
    felt = feel_shake(*swung(np.random.default_rng(3), 3.5, 5.0, after_s=0.0))
    assert felt.goes_on
    assert abs(felt.start.time_s - REST_S) < 0.15


@pytest.mark.parametrize("reach", [0.0, 0.3])
def test_an_arm_that_only_holds_is_no_shake(reach: float) -> None:
    with pytest.raises(NotEnoughData, match="no shake is felt"):
        feel_shake(*swung(np.random.default_rng(4), 3.0, 8.0, reach=reach))


def test_a_bump_is_no_shake() -> None:
    time_s, held = swung(np.random.default_rng(5), 5.0, 1.0)
    with pytest.raises(NotEnoughData, match="no shake is felt"):
        feel_shake(time_s, held)


def test_readings_that_come_too_slowly_are_refused() -> None:
    time_s = np.arange(0.0, 20.0, 1.0)
    with pytest.raises(NotEnoughData, match="25 a second"):
        feel_shake(time_s, np.zeros((time_s.size, 3)))
