"""The call answers what was asked, says what it rests on, and names what can hurt."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import rig
from rig.bench import Motion
from rig.errors import ModelRangeError, NotFound
from rig.fitting.priors import MOTIONS
from rig.fitting.result import Fit
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted

SAMPLES = Path(__file__).parents[2] / "sample_logs"
ASK = {"technique": "shake", "vessel": "two-piece steel", "ice": "freezer cube", "recipe": "quayside black"}
COUPE = rig.Target(serve_temp_c_max=-2.0, dilution_by_volume=(0.30, 0.36))


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fitted(rig.open_bench(SAMPLES / "harbour"))


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
    assert told.summary.startswith("No shake lands this · at best ")
    assert f"What would help most: {told.levers[0].what}" in told.summary
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
        ({"ice_temp_c": 12.0}, ModelRangeError, "-40 to 0.5"),
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


def test_a_drink_that_ends_too_weak_is_told_to_start_stronger(fit: Fit) -> None:
    strong = rig.Target(serve_temp_c_max=-1.0, abv_pct=(12.5, 16.0))
    told = rig.advise(fit, **{**ASK, "ice": "bar cube"}, drink_temp_c=24, target=strong)
    assert not told.feasible
    levers = {lever.change: lever for lever in told.levers}
    assert "stronger" in levers["base"].what and "coffee" in levers["base"].what
    assert levers["base"].odds > told.odds + 0.2


# --- where it looks, and what it calls when nothing ends the window -----------------------------------------


SMALL = {"technique": "shake", "vessel": "steel tin", "ice": "freezer cube", "recipe": "night shift"}


@pytest.fixture(scope="module")
def one_run() -> Fit:
    """A bench with a single short shake."""
    book = small_book()
    return rig.fit(replace(book, runs=tuple(r for r in book.runs if r.run == "a1")))


@pytest.fixture(scope="module")
def small() -> Fit:
    return fitted(small_book())


def test_one_short_run_does_not_hide_what_a_longer_shake_does(one_run: Fit) -> None:
    """The run lasted 6 s; the drink lands well beyond a third more, and it is said that no run was so long."""
    cold = rig.Target(serve_temp_c_max=-3.5)
    told = rig.advise(one_run, **SMALL, drink_temp_c=22.0, target=cold, with_levers=False).to_dict()
    assert told["odds"] > 0.5
    assert 14.0 < told["duration_s"] < 36.0
    assert told["curve"]["duration_s"][-1] == pytest.approx(MOTIONS[Motion.SHAKE].longest_s)
    basis = told["basis"]
    assert (basis["runs"], basis["duration_s"]) == (1, [6.0, 6.0])
    assert basis["kind"] != "measured"
    assert any("run of 6 s" in e for e in basis["extrapolated"])
    measured = [
        t
        for t, out in zip(told["curve"]["duration_s"], told["curve"]["extrapolated"], strict=True)
        if not out
    ]
    assert measured == [6.0]


@pytest.mark.parametrize("ice", ["freezer cube", "wet cube"])
@pytest.mark.parametrize("dilution", [(0.10, 0.20), (0.25, 0.45), (0.50, 0.60)])
def test_no_call_far_beyond_its_runs_is_called_measured(
    small: Fit, ice: str, dilution: tuple[float, float]
) -> None:
    target = rig.Target(dilution_by_volume=dilution)
    told = rig.advise(small, **{**SMALL, "ice": ice}, target=target, with_levers=False).to_dict()
    low, high = told["basis"]["duration_s"]
    beyond = max(told["duration_s"] / high, low / told["duration_s"])
    assert (beyond > 1.0) is any("a shake of" in e for e in told["basis"]["extrapolated"])
    assert beyond <= 1.2 or told["basis"]["kind"] == "transferred"


@pytest.mark.parametrize("serve_temp_c_max", [3.0, 0.0, -2.0])
def test_cold_enough_alone_is_called_as_early_as_it_lands_as_often_as_ever(
    fit: Fit, serve_temp_c_max: float
) -> None:
    told = rig.advise(
        fit, **ASK, drink_temp_c=24, target=rig.Target(serve_temp_c_max=serve_temp_c_max), with_levers=False
    )
    best = told.odds_at.max()
    assert told.odds >= best - 0.02
    before = np.interp(told.duration_s - 1.5, told.time_s, told.odds_at)
    assert before < told.odds
    assert told.duration_s < 20.0
    assert told.limited_by["late"] == "nothing: longer only adds water"
    stirred = rig.advise(
        fit,
        **{**ASK, "technique": "stir"},
        drink_temp_c=24,
        target=rig.Target(serve_temp_c_max=3.0),
        with_levers=False,
        draws=128,
    )
    assert stirred.at_call["dilution_by_volume"][1] < 0.6


def test_reasons_at_the_ends_of_a_window_are_the_ones_that_bind_there(fit: Fit) -> None:
    """Stopping earlier never makes a drink thinner, weaker or larger; going on never makes it stronger or smaller."""
    early = ("too thin", "too weak", "too much", "too cold")
    late = ("too little", "too strong")
    for dilution in ((0.05, 0.12), (0.20, 0.30), (0.30, 0.36)):
        for cold in (4.0, 0.0, -2.0):
            target = rig.Target(serve_temp_c_max=cold, dilution_by_volume=dilution)
            told = rig.advise(fit, **ASK, drink_temp_c=24, target=target, with_levers=False, draws=256)
            assert not told.limited_by["early"].startswith(early), (target, told.limited_by)
            assert not told.limited_by["late"].startswith(late), (target, told.limited_by)
