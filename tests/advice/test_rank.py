"""A ranking: every alternative has the call of `advise`, and the order is as sure as joint draws make it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import rig
from rig.advice.call.assumed import filled
from rig.advice.call.calling import call_for
from rig.advice.call.joint_draws import joint_draws
from rig.advice.compare.rank import rank
from rig.advice.compare.rank_words import sentences
from rig.advice.compare.ranking import Beats, Ranking, told_apart
from rig.bench import parse_bench
from rig.bench_toml import bench_toml
from rig.errors import ModelRangeError, NotEnoughData, NotFound
from rig.fitting.prediction import predict
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from tests.cli.small_bench import BENCH, small_book
from tests.shared_fits import fitted

DRINK = {"technique": "shake", "vessel": "steel tin", "recipe": "night shift"}
PRICED = (
    BENCH.replace("temp_c = -16", "temp_c = -16\nprice_per_kg = 0.5")
    .replace("temp_c = 0\n", "temp_c = 0\nprice_per_kg = 0.2\n")
    .replace("caffeine_mg = 70", "caffeine_mg = 70, price_per_l = 12")
    .replace("abv_pct = 42", "abv_pct = 42, price_per_l = 20")
    .replace('allergens = ["milk"]', 'allergens = ["milk"], price_per_kg = 16, density_g_per_ml = 1.05')
)


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fitted(small_book())


@pytest.fixture(scope="module")
def ranking(fit: Fit) -> Ranking:
    return rank(fit, target=fit.bench.target("short"), drinks_a_night=80.0, **DRINK)


def test_each_alternative_has_the_very_call_that_advise_gives(fit: Fit, ranking: Ranking) -> None:
    for found in ranking.ranked:
        asked = found.call.asked
        direct = call_for(fit, asked, ranking.target, None)
        assert (direct.duration_s, direct.odds) == (found.call.duration_s, found.call.odds)
    assert [r.call.odds for r in ranking.ranked] == sorted(
        (r.call.odds for r in ranking.ranked), reverse=True
    )


def test_what_is_held_is_the_same_for_all_and_what_belongs_to_an_ice_is_its_own(ranking: Ranking) -> None:
    drinks = [r.call.situation for r in ranking.ranked]
    assert len({(d.drink_temp_c, d.room_temp_c, d.vessel_temp_c) for d in drinks}) == 1
    assert len({d.ice_mass_g for d in drinks}) == 2


def test_a_start_that_nobody_stated_is_as_unsure_as_in_a_call(fit: Fit, ranking: Ranking) -> None:
    for found in ranking.ranked:
        plain = rig.advise(fit, **DRINK, ice=found.name, target=ranking.target, with_levers=False)
        assert found.call.odds == pytest.approx(plain.odds, abs=0.06)


def test_every_number_has_its_interval_around_it(ranking: Ranking) -> None:
    for r in ranking.ranked:
        for low, middle, high in (r.odds, r.duration_s, r.temp_c, r.dilution_by_volume, r.ice_g):
            assert low <= middle <= high
        assert r.odds[0] - 0.1 <= r.call.odds <= r.odds[2] + 0.1


def test_joint_draws_are_those_of_predict_in_each_drink_by_itself(fit: Fit) -> None:
    drink = filled(fit, Situation("shake", "steel tin", "freezer cube", "night shift")).situation
    times = np.array([6.0, 10.0, 14.0])
    (joint,) = joint_draws(fit, [drink], [times], 64, 64).predictions
    plain = predict(fit, drink, times, draws=4096)
    assert joint.temp_c.mean(axis=0) == pytest.approx(plain.temp_c.mean(axis=0), abs=0.05)
    assert joint.temp_c.std(axis=0) == pytest.approx(plain.temp_c.std(axis=0), rel=0.12)
    assert joint.dilution_by_volume.std(axis=0) == pytest.approx(
        plain.dilution_by_volume.std(axis=0), rel=0.12
    )


def test_what_two_drinks_share_cancels_from_their_difference(fit: Fit) -> None:
    here = filled(fit, Situation("shake", "steel tin", "freezer cube", "night shift")).situation
    near = replace(here, ice_mass_g=(here.ice_mass_g or 0.0) * 1.1)
    times = np.array([10.0])
    a, b, c = joint_draws(fit, [here, near, here], [times] * 3, 128, 1).predictions
    assert a.temp_c == pytest.approx(c.temp_c, abs=1e-9)
    assert np.std(a.temp_c - b.temp_c) < 0.3 * np.std(a.temp_c)


def test_who_is_better_is_counted_in_joint_draws_and_ties_say_what_would_tell(ranking: Ranking) -> None:
    a, b = (r.name for r in ranking.ranked)
    assert ranking.beats(a, b) == pytest.approx(1.0 - ranking.beats(b, a))
    tie = Beats("x", "y", 0.7, "y", 5, False)
    told = sentences(replace(ranking, pairs=(replace(tie, better=a, worse=b, less_known=b),)))
    assert f"{a} and {b} cannot be told apart with these runs" in told[1]
    assert f"about 5 more runs with the ice {b} would." in told[1]
    sure = sentences(replace(ranking, pairs=(replace(tie, better=a, worse=b, probability=0.97),)))
    assert f"{a} lands more often than {b}" in sure[1]
    assert told_apart(ranking)[0] in ranking.pairs


def test_costs_are_those_of_what_is_poured_and_put_in(fit: Fit) -> None:
    bench, notes = parse_bench(PRICED)
    assert notes == ()
    assert parse_bench(bench_toml(bench))[0] == bench
    priced = replace(fit, book=replace(fit.book, bench=bench))
    found = rank(priced, target=bench.target("short"), drinks_a_night=80.0, **DRINK)
    poured = 0.050 * 12 + 0.035 * 20 + 0.015 * 1.05 * 16
    for r in found.ranked:
        per_g = bench.ice[r.name].price_per_kg / 1000.0
        assert r.cost is not None and r.ice_cost_a_night is not None
        assert r.cost[1] == pytest.approx(poured + per_g * r.ice_g[1])
        assert r.ice_cost_a_night[1] == pytest.approx(80 * per_g * r.ice_g[1])
        assert r.ice_cost_a_night[2] - r.ice_cost_a_night[0] == pytest.approx(
            np.sqrt(80) * per_g * (r.ice_g[2] - r.ice_g[0])
        )


def test_without_prices_no_cost_is_made_up(ranking: Ranking) -> None:
    assert all(r.cost is None and r.ice_cost_a_night is None for r in ranking.ranked)
    assert any("price_per_kg of the ice wet cube" in n for n in ranking.notes)


def test_what_cannot_be_ranked_is_refused_with_what_to_do(fit: Fit) -> None:
    target = fit.bench.target("short")
    with pytest.raises(ModelRangeError, match="what is held must be named: vessel"):
        rank(fit, target=target, technique="shake", recipe="night shift")
    with pytest.raises(ModelRangeError, match="vary is one of"):
        rank(fit, target=target, vary="colour", **DRINK)
    with pytest.raises(NotFound):
        rank(fit, target=target, among=["no such ice", "wet cube"], **DRINK)
    with pytest.raises(NotEnoughData, match="with one ice, of two at least"):
        rank(fit, target=target, among=["wet cube"], **DRINK)


def test_negative_prices_are_refused() -> None:
    _, notes = parse_bench(PRICED.replace("price_per_l = 20", "price_per_l = -20"))
    assert any("price_per_l cannot be negative" in n.text for n in notes)
