"""The call answers what was asked, says what it rests on, and names what can hurt."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import rig
from rig.advice.call import best_duration
from rig.errors import ModelRangeError, NotFound
from rig.fitting.result import Fit

SAMPLES = Path(__file__).parents[2] / "sample_logs"
ASK = {"technique": "shake", "vessel": "two-piece steel", "ice": "freezer cube", "recipe": "quayside black"}
COUPE = rig.Target(serve_temp_c_max=-2.0, dilution_by_volume=(0.30, 0.36))


@pytest.fixture(scope="module")
def fit() -> Fit:
    return rig.fit(rig.open_bench(SAMPLES / "harbour"))


def test_the_call_has_the_keys_that_others_use(fit: Fit) -> None:
    told = rig.advise(fit, **ASK, drink_temp_c=24, ice_mass_g=210, ice_temp_c=-16, target=COUPE).to_dict()
    json.dumps(told)
    wanted = [
        "duration_s",
        "window_s",
        "odds",
        "feasible",
        "limited_by",
        "basis",
        "curve",
        "cautions",
        "levers",
    ]
    assert set(wanted) <= set(told)
    assert set(told["limited_by"]) == {"early", "late"}
    assert told["basis"]["kind"] == "measured"
    assert told["basis"]["runs"] > 0
    length = len(told["curve"]["duration_s"])
    for name in ("temp_c", "dilution_by_volume"):
        assert {len(told["curve"][name][p]) for p in ("p05", "p50", "p95")} == {length}
    assert told["window_s"][0] <= told["duration_s"] <= told["window_s"][1]
    assert 0.0 <= told["odds"] <= 1.0


def test_a_narrower_target_never_has_better_odds(fit: Fit) -> None:
    wide = rig.advise(fit, **ASK, drink_temp_c=24, target=COUPE, with_levers=False)
    narrow = rig.Target(serve_temp_c_max=-3.0, dilution_by_volume=(0.31, 0.35))
    assert rig.advise(fit, **ASK, drink_temp_c=24, target=narrow, with_levers=False).odds <= wide.odds


def test_a_colder_target_alone_never_calls_a_shorter_shake(fit: Fit) -> None:
    called = [
        rig.advise(
            fit, **ASK, drink_temp_c=24, target=rig.Target(serve_temp_c_max=t), with_levers=False
        ).window_s[0]
        for t in (4.0, 1.0, -1.0, -3.0)
    ]
    assert called == sorted(called)


def test_what_no_duration_serves_names_levers_best_first(fit: Fit) -> None:
    told = rig.advise(fit, **ASK, drink_temp_c=70, target=COUPE)
    assert not told.feasible
    assert "No duration" in told.summary
    assert [lever.odds for lever in told.levers] == sorted(
        (lever.odds for lever in told.levers), reverse=True
    )
    assert any(lever.change == "drink_temp_c" for lever in told.levers)
    assert all(lever.gain > 0 for lever in told.levers)


def test_hot_drink_in_a_sealed_shaker_is_cautioned_with_its_pressure(fit: Fit) -> None:
    """Derived from IAPWS-IF97: 42 kPa at 67 °C for air and water closed at 20 °C."""
    hot = " ".join(rig.advise(fit, **ASK, drink_temp_c=67, target=COUPE, with_levers=False).cautions)
    assert "42 kPa" in hot
    assert "Local codes" in hot
    cool = " ".join(rig.advise(fit, **ASK, drink_temp_c=20, target=COUPE, with_levers=False).cautions)
    assert "kPa" not in cool
    assert "Alcohol" in cool


@pytest.mark.parametrize(
    ("change", "error", "says"),
    [
        ({"recipe": "quayside blak"}, NotFound, "did you mean 'quayside black'"),
        ({"ice": "dry ice"}, NotFound, "there is no ice"),
        ({"vessel": "bucket"}, NotFound, "there is no vessel"),
        ({"drink_temp_c": 140.0}, ModelRangeError, "-5 to 95"),
        ({"ice_temp_c": 12.0}, ModelRangeError, "-30 to 0.5"),
    ],
)
def test_what_cannot_be_is_told(
    fit: Fit, change: dict[str, object], error: type[Exception], says: str
) -> None:
    with pytest.raises(error, match=says):
        rig.advise(fit, **(ASK | change), target=COUPE)  # type: ignore[arg-type]


def test_targets_by_strength_and_volume_are_asked_too(fit: Fit) -> None:
    told = rig.advise(fit, **ASK, drink_temp_c=24, target=rig.Target(abv_pct=(11.0, 13.5)), with_levers=False)
    assert told.odds > 0.5
    low, middle, high = told.at_call["abv_pct"]
    assert low <= middle <= high
    assert 10.0 < middle < 14.5


def test_the_middle_of_a_flat_top_is_called() -> None:
    times = np.arange(1.0, 41.0)
    odds = np.interp(times, [1, 10, 20, 40], [0.0, 0.9, 0.9, 0.0])
    best, window = best_duration(times, odds)
    assert best == pytest.approx(15.0, abs=0.8)
    assert window[0] == pytest.approx(9.0, abs=0.8)
    assert window[1] == pytest.approx(22.0, abs=1.0)


def test_a_drink_that_ends_too_weak_is_told_to_start_stronger(fit: Fit) -> None:
    strong = rig.Target(serve_temp_c_max=-1.0, abv_pct=(12.5, 16.0))
    told = rig.advise(fit, **{**ASK, "ice": "bar cube"}, drink_temp_c=24, target=strong)
    assert not told.feasible
    levers = {lever.change: lever for lever in told.levers}
    assert "stronger" in levers["base"].what and "coffee" in levers["base"].what
    assert levers["base"].odds > told.odds + 0.2
