"""What ice can do at all, by heat alone: against a sum by hand, and never beaten by a predicted drink."""

from __future__ import annotations

import json

import numpy as np
import pytest

import rig
from rig.advice.call.ice_limits import ice_limits
from rig.bench import Bench, Ice, Ingredient, Recipe, Target, Vessel
from rig.fitting.bench_fit import prior_fit
from rig.fitting.prediction import predict
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.report.wording import what_ice_can_do
from rig.runs import RunBook
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted

DRINK = Situation(
    "shake", "steel tin", "freezer cube", "night shift", drink_temp_c=22.0, ice_mass_g=180.0, ice_temp_c=-15.0
)
ZERO = Target(serve_temp_c_max=0.0, dilution_by_volume=(0.2, 0.5))


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fitted(small_book())


def test_the_least_dilution_is_a_sum_of_heats() -> None:
    """100 g of water from 20 to 0 °C on dry ice at 0 °C, in a tin of nearly no mass.

    It melts 100 g × 4.20 J/(g·K) × 20 K ÷ 333.4 J/g = 25.2 g: IAPWS-95 and R10-06 in every physics table.
    """
    bench = Bench(
        vessels={"cup": Vessel("cup", mass_g=1)},
        ice={"plain": Ice("plain", edge_mm=30, temp_c=0, surface_water_pct=0)},
        recipes={"water": Recipe("water", (Ingredient("water", volume_ml=100),))},
    )
    asked = Situation(
        "shake",
        "cup",
        "plain",
        "water",
        drink_temp_c=20.0,
        drink_mass_g=99.8,
        ice_mass_g=300.0,
        ice_temp_c=0.0,
    )
    bounds = ice_limits(prior_fit(RunBook(bench, ())), asked, Target(serve_temp_c_max=0.2))
    assert bounds is not None and bounds.least_dilution is not None
    assert bounds.least_dilution.typical == pytest.approx(0.252, abs=0.012)
    assert bounds.coldest_c.typical == pytest.approx(0.0, abs=0.02)
    assert bounds.rest_to_c is None


def test_no_predicted_drink_is_colder_or_less_diluted(fit: Fit) -> None:
    bounds = ice_limits(fit, DRINK, ZERO)
    assert bounds is not None and bounds.least_dilution is not None
    drinks = predict(fit, DRINK, np.linspace(1.0, 120.0, 200), new_run=False)
    assert np.median(drinks.temp_c, axis=0).min() > bounds.coldest_c.low
    at = int(np.argmax(np.median(drinks.temp_c, axis=0) <= 0.0))
    assert np.median(drinks.dilution_by_volume[:, at]) > bounds.least_dilution.low


def test_a_hot_drink_is_told_how_far_to_cool_first(fit: Fit) -> None:
    hot = Situation("shake", "steel tin", "freezer cube", "night shift", drink_temp_c=65.0, ice_mass_g=180.0)
    bounds = ice_limits(fit, hot, ZERO)
    assert bounds is not None and bounds.least_dilution is not None and bounds.rest_to_c is not None
    assert bounds.least_dilution.typical > 0.5
    assert 15.0 < bounds.rest_to_c < 65.0
    rested = ice_limits(fit, Situation(**{**vars(hot), "drink_temp_c": bounds.rest_to_c}), ZERO)
    assert rested is not None and rested.least_dilution is not None
    assert (
        0.3 < rested.least_dilution.typical <= 0.5
    )  # told for ice that stays as cold as it is, as in a quick shake


def test_a_temperature_beyond_the_ice_is_said_to_be_out_of_reach(fit: Fit) -> None:
    names = {k: getattr(DRINK, k) for k in ("technique", "vessel", "ice", "recipe", "drink_temp_c")}
    call = rig.advise(fit, **names, target=Target(serve_temp_c_max=-18.0))
    assert call.ice_limits is not None and call.ice_limits.least_dilution is None
    assert "−18.0 °C is out of its reach" in what_ice_can_do(call)
    assert json.loads(json.dumps(call.to_dict()))["ice_limits"]["least_dilution_by_volume"] is None


def test_enough_ice_comes_within_half_a_kelvin_of_the_coldest(fit: Fit) -> None:
    bounds = ice_limits(fit, DRINK, ZERO)
    assert bounds is not None and 20.0 < bounds.enough_ice_g <= 180.0
    less = ice_limits(fit, Situation(**{**vars(DRINK), "ice_mass_g": bounds.enough_ice_g}), ZERO)
    assert less is not None
    assert less.coldest_c.typical == pytest.approx(bounds.coldest_c.typical, abs=0.9)
