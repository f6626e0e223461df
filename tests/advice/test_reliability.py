"""Odds said against what happened."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from rig.advice.check.reliability import chance_of_total, reliability
from rig.errors import NotEnoughData


def test_odds_near_each_other_are_counted_together() -> None:
    said = np.array([0.72] * 30 + [0.31] * 10 + [0.01] * 5)
    landed = np.array([1.0] * 21 + [0.0] * 9 + [1.0] * 3 + [0.0] * 7 + [0.0] * 5)
    found = reliability(said, landed)
    assert [(b.about, b.landed.hits, b.landed.runs) for b in found.bins] == [
        ("under 5 %", 0, 5),
        ("about 30 %", 3, 10),
        ("about 70 %", 21, 30),
    ]
    assert found.bins[2].said == pytest.approx(0.72)
    assert found.quoted is found.bins[2]


def test_runs_of_unknown_outcome_do_not_count() -> None:
    found = reliability(np.array([0.7, 0.7, np.nan, 0.7]), np.array([1.0, np.nan, 1.0, 0.0]))
    assert (found.runs, found.landed) == (2, 1)
    with pytest.raises(NotEnoughData):
        reliability(np.array([np.nan, 0.5]), np.array([1.0, np.nan]))


def test_intervals_are_wilsons() -> None:
    """Judge: statsmodels' proportion_confint (Wilson, JASA 22 (1927) 209)."""
    (only,) = reliability(np.full(30, 0.7), np.arange(30) < 21).bins
    low, high = proportion_confint(21, 30, alpha=0.05, method="wilson")
    assert (only.landed.low, only.landed.high) == pytest.approx((low, high), abs=1e-9)


def test_brier_score_splits_as_murphy_has_it() -> None:
    """Score = reliability − resolution + uncertainty (Murphy, J. Appl. Meteorol. 12 (1973) 595), by value."""
    rng = np.random.default_rng(3)
    said = rng.choice([0.1, 0.3, 0.5, 0.7, 0.9], 400)
    landed = (rng.random(400) < said**1.3).astype(float)
    base = landed.mean()
    groups = [(p, landed[said == p]) for p in np.unique(said)]
    split = sum(g.size * ((p - g.mean()) ** 2 - (g.mean() - base) ** 2) for p, g in groups) / 400
    assert reliability(said, landed).brier == pytest.approx(split + base * (1 - base), abs=1e-12)


def test_brier_score_by_hand() -> None:
    """(0.3² + 0.7² + 0.2²) ÷ 3; were the odds true, 0.7·0.3 twice and 0.8·0.2, ÷ 3."""
    found = reliability(np.array([0.7, 0.7, 0.8]), np.array([1.0, 0.0, 1.0]))
    assert found.brier == pytest.approx((0.09 + 0.49 + 0.04) / 3)
    assert found.brier_if_true == pytest.approx((0.21 + 0.21 + 0.16) / 3)
    assert found.promised == pytest.approx(2.2)


def test_chance_of_a_total_is_the_binomials_where_all_odds_are_alike() -> None:
    """Judge: scipy.stats.binom; twice the smaller tail."""
    low = stats.binom.cdf(21, 30, 0.85)
    assert chance_of_total(np.full(30, 0.85), 21) == pytest.approx(2 * low, rel=1e-9)
    high = stats.binom.sf(27, 30, 0.6)
    assert chance_of_total(np.full(30, 0.6), 28) == pytest.approx(2 * high, rel=1e-9)


def test_chance_of_a_total_is_poisson_binomial() -> None:
    """Judge: scipy.stats.poisson_binom, where SciPy has it."""
    law = getattr(stats, "poisson_binom", None)
    if law is None:
        pytest.skip("this SciPy has no poisson_binom")
    odds = np.random.default_rng(1).uniform(0.05, 0.95, 25)
    for total in (4, 12, 19):
        tails = law.cdf(total, odds), law.sf(total - 1, odds)
        assert chance_of_total(odds, total) == pytest.approx(min(1.0, 2 * min(tails)), rel=1e-9)


def test_odds_that_hold_are_seldom_called_wrong_and_inflated_ones_often() -> None:
    rng = np.random.default_rng(8)
    true = rng.uniform(0.2, 0.9, (400, 40))
    landed = (rng.random(true.shape) < true).astype(float)
    holds = [reliability(p, y).p_promised for p, y in zip(true, landed, strict=True)]
    inflated = [
        reliability(np.minimum(p + 0.25, 0.99), y).p_promised for p, y in zip(true, landed, strict=True)
    ]
    assert np.mean(np.array(holds) < 0.05) < 0.06
    assert np.mean(np.array(inflated) < 0.05) > 0.7


def test_the_bin_quoted_is_one_that_a_person_would_follow() -> None:
    said = np.array([0.02] * 50 + [0.7] * 4 + [0.9] * 3)
    assert reliability(said, np.zeros(said.size)).quoted.about == "about 70 %"
    assert reliability(np.full(6, 0.02), np.zeros(6)).quoted.about == "under 5 %"


def test_keys_are_stable_and_numbers_plain() -> None:
    out = reliability(np.array([0.72, 0.74]), np.array([1.0, 0.0])).to_dict()
    assert set(out) == {
        "runs", "landed", "promised", "brier_score", "brier_score_if_true", "chance_if_true", "by_odds",
    }  # fmt: skip
    assert set(out["by_odds"][0]) == {"odds_from", "odds_to", "about", "odds_said", "landed"}
