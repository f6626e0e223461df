"""The judge's worlds: benches follow the contract, cases are fair, true odds are repeatable."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from rig.bench import Target, parse_bench
from sample_logs.generator.draw import draw_world
from tests.judge.worlds import MOST_ODDS, bench_text, make_bench, make_cases, set_ups, true_odds

SEED = 1


@pytest.mark.slow
def test_a_bench_has_its_runs_and_its_cases_can_be_won(tmp_path: Path) -> None:
    cases = make_bench(tmp_path, SEED, 6)
    bench, notes = parse_bench((tmp_path / "bench.toml").read_text(encoding="utf-8"))
    assert notes == ()
    with (tmp_path / "run_sheet.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 6 * len(set_ups(draw_world(SEED)))
    measured = {(r["technique"], r["vessel"], r["ice"], r["recipe"]) for r in rows}
    assert {c.kind for c in cases} == {"measured", "unmeasured"}
    for case in cases:
        told = case.advise_kwargs
        key = (told["technique"], told["vessel"], told["ice"], told["recipe"])
        assert (key in measured) == (case.kind == "measured")
        assert key[:3] in {m[:3] for m in measured}
        bench.recipe(str(told["recipe"]))
        Target(**case.target_kwargs)  # type: ignore[arg-type]
        truth = true_odds(case, runs=400)
        assert 0.4 < truth.best < MOST_ODDS + 0.03
        assert truth.at(float(truth.duration_s[truth.odds.argmax()])) == truth.best


@pytest.mark.slow
def test_true_odds_are_the_same_each_time_and_fall_off_on_both_sides() -> None:
    case = next(c for c in make_cases(draw_world(SEED)) if c.kind == "measured")
    truth, again = (true_odds(case, runs=300) for _ in range(2))
    np.testing.assert_array_equal(truth.odds, again.odds)
    assert truth.odds[0] < 0.05 < truth.best
    assert truth.temp_c.shape == truth.dilution_by_volume.shape == (len(truth.duration_s), 300)


def test_what_is_stated_differs_from_world_to_world() -> None:
    texts = [bench_text(draw_world(seed)).render() for seed in range(12)]
    assert any("held_back_g" in t for t in texts)
    assert not all("held_back_g" in t for t in texts)
    assert any("surface_water_pct" in t for t in texts)
    assert not all("surface_water_pct" in t for t in texts)
