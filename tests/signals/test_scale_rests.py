"""A scale's log is cut into its rests by one rule, however fast it was written."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from rig.signals.scale import Plateau, plateaus, steady_mass_g


def rests(value: np.ndarray, step_s: float = 0.2) -> tuple[Plateau, ...]:
    return plateaus(np.arange(len(value)) * step_s, value)


def test_a_scale_log_is_cut_into_its_plateaus() -> None:
    rng = np.random.default_rng(7)
    levels = [0.0, 118.4, 330.2, 212.9]
    ramp = [np.linspace(a, b, 12)[1:-1] for a, b in pairwise(levels)]
    parts = [np.full(40, levels[0])]
    for moving, level in zip(ramp, levels[1:], strict=True):
        parts += [moving, np.full(40, level)]
    value = np.concatenate(parts) + rng.normal(0, 0.03, sum(map(len, parts)))
    found = rests(value)
    assert [w.mass_g for w in found] == pytest.approx(levels, abs=0.05)
    assert [w.readings for w in found] == [40] * 4
    assert [w.start_s for w in found] == pytest.approx([0, 10, 20, 30], abs=1e-9)
    assert found[0].stop_s == pytest.approx(7.8)


def test_a_short_rest_is_no_weigh_in() -> None:
    value = np.array([0.0] * 5 + [50.0] * 5 + [100.0] * 30)
    (found,) = rests(value, step_s=0.25)
    assert (found.mass_g, found.start_s, found.stop_s, found.readings) == (100.0, 2.5, 9.75, 30)


def test_a_steady_log_is_one_weigh_in_and_a_moving_one_none() -> None:
    assert len(rests(np.full(50, 3.0))) == 1
    assert rests(np.arange(50.0)) == ()


@pytest.mark.parametrize("step_s", [0.1, 0.5, 1.0, 2.0, 5.0])
def test_a_slow_log_has_its_rests_too(step_s: float) -> None:
    value = np.repeat([0.0, 120.0, 300.0], 40)
    assert [p.mass_g for p in rests(value, step_s)] == [0.0, 120.0, 300.0]


def test_the_mass_at_a_moment_is_that_of_the_rest_under_way() -> None:
    time_s = np.arange(120) * 0.2
    value = np.repeat([0.0, 120.0, 300.0], 40)
    assert steady_mass_g(time_s, value, 15.0) == 120.0
    assert steady_mass_g(time_s, value, 16.4) is None
