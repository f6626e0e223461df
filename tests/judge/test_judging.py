"""The judge judged: what a perfect estimator scores, coverage, the rival, the reliability table."""

from __future__ import annotations

import numpy as np
import pytest

from sample_logs.generator.folder import SheetRow
from sample_logs.generator.instruments import Record
from tests.judge import reliability, shells
from tests.judge.bench import QUANTILES, Bench, Case, Truth, final_dilution, grid_s, kept_bench
from tests.judge.curves import spread_s
from tests.judge.judge import Judged, Row, judged, seeds_of, table
from tests.judge.scene import make_drinks, usual_plan
from tests.judge.spreadsheet import spreadsheet_call


@pytest.fixture(scope="module")
def bench() -> Bench:
    return kept_bench("shells", 205, [6], fresh=300, each=1)


def told(case: Case, called_s: float, odds: float) -> Judged:
    """A call by one who knows the quantiles of fresh drinks."""

    def band(name: str):  # type: ignore[no-untyped-def]
        at = [int(np.argmin(np.abs(QUANTILES - q))) for q in (0.05, 0.5, 0.95)]
        rows = getattr(case.truth, name)[:, at]
        return lambda s: tuple(np.interp(s, case.truth.duration_s, rows[:, k]) for k in range(3))

    return judged(case, 6, 0, "oracle", called_s, odds, band("temp_c"), band("dilution"))


def test_one_who_knows_all_scores_one_with_nine_tenths_in_the_band(bench: Bench) -> None:
    for case in bench.cases:
        j = told(case, case.truth.best_s, case.truth.best_odds)
        assert j.score == 1.0
        assert j.temp_coverage == pytest.approx(0.9, abs=0.03)
        assert j.dilution_coverage == pytest.approx(0.9, abs=0.03)
        assert abs(j.temp_error_k) < 1e-9


def test_chance_of_the_fresh_drinks_costs_a_perfect_estimator_little(bench: Bench) -> None:
    """Best durations found on other fresh drinks of the same world, so that the judge's own noise shows."""
    scores = []
    for case in bench.cases:
        grid = grid_s(case.plan.technique)
        charge, course = make_drinks(case.plan, 300, float(grid[-1]), case.plan.world.rng(99, case.number))
        temp, dilution = course.at("temp_c", grid), final_dilution(charge, course, grid)
        low, high = case.dilution_by_volume
        odds = ((temp <= case.serve_temp_c_max) & (dilution >= low) & (dilution <= high)).mean(axis=1)
        scores.append(case.truth.odds_at(grid[int(np.argmax(odds))]) / case.truth.best_odds)
    assert np.mean(scores) > 0.96


def test_cases_are_neither_hopeless_nor_certain(bench: Bench) -> None:
    assert {case.kind for case in bench.cases} == {"measured", "drink", "pair"}
    assert all(0.55 <= case.truth.best_odds <= 0.985 for case in bench.cases)
    made = {(r.technique, r.vessel, r.ice, r.recipe) for r, _ in bench.rows[6]}
    for case in bench.cases:
        assert ((*case.plan.set_up, case.plan.drink.name) in made) is (case.kind == "measured")


def test_share_within_counts_fresh_drinks() -> None:
    values = np.random.default_rng(1).normal(size=4000)
    quantiles = np.quantile(values, QUANTILES)[None]
    truth = Truth(np.array([1.0]), np.array([1.0]), quantiles, quantiles)
    for low, high in ((-1.0, 1.0), (-0.3, 2.0), (-9.0, 9.0), (5.0, 6.0)):
        share = np.mean((values >= low) & (values <= high))
        assert truth.share_within("temp_c", 1.0, low, high) == pytest.approx(share, abs=2e-3)


def test_the_rival_finds_curves_that_are_saturating_exponentials() -> None:
    world = shells.draw(201)
    plan = usual_plan(world, world.set_ups[0], "sour")
    rng = np.random.default_rng(5)
    time_s = np.linspace(5, 25, 40)
    temp = -5 + (plan.drink_temp_c + 5) * np.exp(-time_s / 4) + rng.normal(0, 0.3, 40)
    dilution = 0.5 * -np.expm1(-time_s / 6) + rng.normal(0, 0.02, 40)
    rows = [
        (
            SheetRow(
                "", "", "", "", *plan.set_up, plan.drink.name, record(t, 100 + d * plan.drink.volume_ml - 3)
            ),
            float(c),
        )
        for t, c, d in zip(time_s, temp, dilution, strict=True)
    ]
    truth = Truth(grid_s("shake"), np.ones(1), np.zeros((1, 1)), np.zeros((1, 1)))
    case = Case(0, "measured", plan, 0.0, (0.40, 0.46), truth)
    call = spreadsheet_call(case, rows, 3.0)
    assert call.temp_sd_k == pytest.approx(0.3, rel=0.35)
    assert call.dilution_sd == pytest.approx(0.02, rel=0.35)
    assert np.interp(12.0, call.grid_s, call.dilution) == pytest.approx(0.5 * -np.expm1(-2), abs=0.01)
    assert 9.5 < call.duration_s < 15.0  # 0.40 at 9.7 s, 0.46 at 15.2 s; 0 °C at 7 s
    assert call.odds > 0.7


def record(duration_s: float, strained_g: float) -> Record:
    return Record(float(duration_s), 100.0, 20.0, 200.0, -16.0, 21.0, 21.0, float(strained_g), None, None)


def test_bins_hold_every_call_once() -> None:
    pairs = [(0.0, 0.1), (0.05, 0.0), (0.71, 0.7), (0.79, 0.8), (1.0, 0.9)]
    found = reliability.bins(pairs)
    assert [(round(b.low, 1), b.calls) for b in found] == [(0.0, 2), (0.7, 2), (0.9, 1)]
    assert found[1].said == pytest.approx(0.75)
    assert "| 0.7–0.8 | 2 | 0.75 | 0.75 |" in reliability.table(found)
    figure = reliability.figure({"six runs": pairs, "none": []})
    assert len(figure.data) == 2
    assert list(figure.data[1].customdata) == [2, 2, 1]


def test_a_table_has_a_row_a_question(bench: Bench) -> None:
    calls = [told(case, case.truth.best_s, 0.5) for case in bench.cases]
    rows = table([Judged(**{**vars(j), "by": "chillrig"}) for j in calls])
    assert [row.calls for row in rows] == [1, 1, 1]
    assert rows[0].said == 0.5
    assert rows[0].worst == 1.0
    assert Row.HEAD.splitlines()[0].count("|") == str(rows[0]).count("|")


def test_seeds_and_durations_are_spread() -> None:
    assert seeds_of("201-203") == [201, 202, 203]
    assert seeds_of("207") == [207]
    first = spread_s("shake", 18)
    assert np.array_equal(first[:6], spread_s("shake", 6))
    assert np.diff(np.sort(np.log(first))).max() < 0.25 * np.log(5)
