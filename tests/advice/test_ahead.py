"""What is told ahead of a call is what the call then says, within what it claims."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest

import rig
from rig.advice.call.ahead import DrinkAhead, Foretold, apart, foretell, work_ahead
from rig.advice.call.calling import Call, air_for, answerable, call_for
from rig.errors import ModelRangeError
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted

QUESTIONS = 60


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fitted(small_book())


@pytest.fixture(scope="module")
def drink(fit: Fit) -> Situation:
    set_up, recipe = max(fit.measured, key=lambda of: fit.measured[of].runs)
    return Situation(set_up.technique, set_up.vessel, set_up.ice, recipe)


@pytest.fixture(scope="module")
def ahead(fit: Fit, drink: Situation) -> DrinkAhead:
    return work_ahead(fit, drink)


def question(rng: np.random.Generator, drink: Situation, fit: Fit) -> tuple[Situation, rig.Target]:
    """Any drink that the sliders can ask, with a target round what it will come to."""
    asked = replace(
        drink,
        drink_temp_c=round(rng.uniform(-4, 94), 1) if rng.random() < 0.7 else None,
        ice_temp_c=round(rng.uniform(-28, 0), 1) if rng.random() < 0.6 else None,
        ice_mass_g=round(rng.uniform(60, 500)) if rng.random() < 0.6 else None,
    )
    low = rng.uniform(0.1, 0.7)
    return asked, rig.Target(
        serve_temp_c_max=rng.uniform(-4, 12), dilution_by_volume=(low, low + rng.uniform(0.06, 0.3))
    )


def in_full(fit: Fit, asked: Situation, target: rig.Target) -> Call:
    return call_for(fit, asked, target, air_for(fit, asked, target))


def test_what_is_told_ahead_is_what_the_call_in_full_says(
    fit: Fit, drink: Situation, ahead: DrinkAhead
) -> None:
    rng = np.random.default_rng(11)
    asked = [question(rng, drink, fit) for _ in range(QUESTIONS)]
    told = [(foretell(ahead, *q), in_full(fit, *q)) for q in asked]
    sure = [(a, b) for a, b in told if a.alike]
    assert [(a.duration_s, b.duration_s, a.odds, b.odds) for a, b in sure if apart(a, b) > 1.0] == []
    serves = [a.alike for a, b in told if b.feasible]
    assert len(serves) >= 20
    assert np.mean(serves) >= 0.7


def test_at_the_usual_drink_it_is_the_call_itself(fit: Fit, drink: Situation, ahead: DrinkAhead) -> None:
    target = fit.bench.targets["short"]
    told, call = foretell(ahead, drink, target), in_full(fit, drink, target)
    assert told.duration_s == pytest.approx(call.duration_s, abs=0.3)
    assert told.odds == pytest.approx(call.odds, abs=0.01)
    assert told.basis == call.basis
    assert told.alike


@pytest.mark.parametrize(
    "changed",
    [{}, {"drink_temp_c": 41.0}, {"ice_mass_g": 133.0, "ice_temp_c": -3.0}],
    ids=["usual", "start", "ice"],
)
def test_it_assumes_what_the_call_assumes(
    fit: Fit, drink: Situation, ahead: DrinkAhead, changed: dict[str, float]
) -> None:
    asked = replace(drink, **changed)
    told: Foretold = foretell(ahead, asked, fit.bench.targets["short"])
    meant = answerable(fit, asked)
    assert told.situation == meant.situation
    assert {k: (v.value, v.origin) for k, v in told.filled.assumed.items()} == {
        k: (v.value, v.origin) for k, v in meant.assumed.items()
    }
    for name, value in meant.assumed.items():
        assert asdict(told.filled.assumed[name])["std"] == pytest.approx(value.std)


def test_beyond_its_nodes_it_says_about(fit: Fit, drink: Situation, ahead: DrinkAhead) -> None:
    told = foretell(ahead, replace(drink, ice_mass_g=25.0), fit.bench.targets["short"])
    assert not told.alike


def test_hot_liquid_in_a_sealed_vessel_is_said_while_the_hand_still_moves(
    fit: Fit, drink: Situation, ahead: DrinkAhead
) -> None:
    told = foretell(ahead, replace(drink, drink_temp_c=80.0), fit.bench.targets["short"])
    assert any("Hot liquid in a sealed vessel" in c for c in told.cautions)


def test_what_no_model_reaches_is_refused_as_by_the_call(
    fit: Fit, drink: Situation, ahead: DrinkAhead
) -> None:
    with pytest.raises(ModelRangeError, match="ice_mass_g"):
        foretell(ahead, replace(drink, ice_mass_g=1.0), fit.bench.targets["short"])
