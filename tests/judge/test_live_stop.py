"""Stopping by the trace lands more drinks than stopping after a fixed time; no world here was used to tune it."""

from __future__ import annotations

import numpy as np
import pytest

from tests.judge.live import Stopped, stop_world


@pytest.fixture(scope="module")
def stopped() -> list[Stopped]:
    return [s for s in stop_world("lumped", 201, 18, runs=4) if np.isfinite(s.best_s)]


def test_live_stops_lie_within_half_a_second_of_landing(stopped: list[Stopped]) -> None:
    assert len(stopped) >= 25
    assert np.mean([s.outside_s("live") <= 0.5 for s in stopped]) >= 0.88


def test_live_stops_land_more_drinks_than_fixed_seconds(stopped: list[Stopped]) -> None:
    live, fixed = (np.mean([s.outside_s(how) == 0.0 for s in stopped]) for how in ("live", "fixed"))
    assert live >= fixed + 0.05
    assert np.median([abs(s.live_s - s.best_s) for s in stopped]) < np.median(
        [abs(s.fixed_s - s.best_s) for s in stopped]
    )


def test_a_probe_lost_half_way_still_stops_most_drinks_near_landing(stopped: list[Stopped]) -> None:
    """Nearer than the seconds called beforehand, which know nothing of what it read until then."""
    lost, fixed = (np.array([s.outside_s(how) for s in stopped]) for how in ("lost", "fixed"))
    assert np.mean(lost <= 0.5) >= 0.80
    assert np.mean(lost <= 0.5) >= np.mean(fixed <= 0.5)
    assert lost.mean() < fixed.mean()
