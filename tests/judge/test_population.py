"""The made-up populations that one memory is judged by: bars alike within one, apart between them."""

from __future__ import annotations

import numpy as np
import pytest

from tests.judge.bench import FAMILIES
from tests.judge.population import COMMON, world_of


def log_viscosity_power(family: str, seed: int, bar: int, side: float = 1.0) -> float:
    return float(np.log(world_of(family, seed, bar, side).laws.viscosity_power))  # type: ignore[attr-defined]


@pytest.mark.parametrize("family", FAMILIES)
def test_bars_of_one_population_are_alike_and_populations_differ(family: str) -> None:
    drawn = np.array([[log_viscosity_power(family, seed, bar) for bar in range(5)] for seed in range(1, 41)])
    within, between = drawn.var(axis=1, ddof=1).mean(), drawn.mean(axis=1).var(ddof=1)
    share = (between - within / 5) / (between - within / 5 + within)
    assert share == pytest.approx(COMMON, abs=0.15)


@pytest.mark.parametrize("family", FAMILIES)
def test_a_bar_on_the_other_side_lies_against_its_population(family: str) -> None:
    middle = np.log(0.25)  # of the family's range, 1/6 to 1/3
    here = [log_viscosity_power(family, seed, 0) - middle for seed in range(1, 31)]
    there = [log_viscosity_power(family, seed, 1, -1.0) - middle for seed in range(1, 31)]
    assert np.corrcoef(here, there)[0, 1] < -0.3


def test_what_stands_on_labels_is_the_bar_s_own() -> None:
    worlds = [world_of("lumped", 1, bar) for bar in range(3)]
    assert len({w.vessels["mixing glass"].mass_g for w in worlds}) == 3
    assert worlds[0] == world_of("lumped", 1, 0)
