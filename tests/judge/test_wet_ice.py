"""Ice that carries much water brings it along to a vessel it was never in.

In this world, one of the family that joins all surface water at once, an eighth of the small ice is water. A wash that
takes a fixed time is at odds with the first second of every trace, and takes that out on the wetness of the ice and on
what is held back: the vessel the ice was never in then gets 5 points too little water.
"""

from __future__ import annotations

import numpy as np
import pytest

from rig.fitting.priors import P
from rig.fitting.random_effects import Owner
from rig.fitting.result import Fit
from tests.judge.bench import Bench, kept_bench
from tests.judge.judge import fit_with, judge_product

RUNS = 18
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def bench() -> Bench:
    return kept_bench("lumped", 303, [RUNS])


@pytest.fixture(scope="module")
def fit(bench: Bench) -> Fit:
    found: Fit = fit_with(bench, RUNS, [])
    return found


def test_the_water_comes_along(bench: Bench, fit: Fit) -> None:
    pairs = [case for case in bench.cases if case.kind == "pair" and case.plan.ice == "pebble"]
    assert pairs
    for case in pairs:
        called = judge_product(fit, case, RUNS, 0)
        assert abs(called.dilution_error) < 0.025
        assert called.score > 0.85


def test_the_wash_is_learned_to_be_quick_where_it_is(fit: Fit) -> None:
    place = fit.random_effects.index()[P.WASH, Owner.TECHNIQUE, ("shake",)]
    sd = np.sqrt(fit.posterior.covariance[place, place])
    assert fit.posterior.effects[place] + sd < 0.0
