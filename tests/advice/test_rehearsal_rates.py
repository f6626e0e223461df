"""Intervals of a hit rate against published rows and an independent implementation."""

from __future__ import annotations

import pytest

from rig.advice.evidence.hit_rate import IntervalKind, hit_rate, runs_for_width
from rig.errors import NotEnoughData


@pytest.mark.parametrize(
    ("hits", "runs", "low", "high"),
    [
        # R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3; from memory
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilsons_interval_is_as_published(hits: int, runs: int, low: float, high: float) -> None:
    found = hit_rate(hits, runs)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize("kind", list(IntervalKind), ids=str)
@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.95])
@pytest.mark.parametrize(("hits", "runs"), [(1, 3), (5, 6), (19, 30), (50, 100)])
def test_intervals_agree_with_an_independent_implementation(
    hits: int, runs: int, confidence: float, kind: IntervalKind
) -> None:
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    found = hit_rate(hits, runs, confidence, kind)
    judge = proportion.proportion_confint(hits, runs, alpha=1 - confidence, method=kind.value.lower())
    assert (found.low, found.high) == pytest.approx(judge, abs=1e-9)


@pytest.mark.parametrize("kind", list(IntervalKind), ids=str)
@pytest.mark.parametrize("runs", [1, 7])
def test_none_and_all_reach_the_ends(runs: int, kind: IntervalKind) -> None:
    assert hit_rate(0, runs, interval=kind).low == 0.0
    assert hit_rate(runs, runs, interval=kind).high == pytest.approx(1.0)


def test_no_run_has_no_rate() -> None:
    with pytest.raises(NotEnoughData):
        hit_rate(0, 0)


@pytest.mark.parametrize("half", [0.1, 0.15, 0.25])
def test_the_runs_for_a_width_are_enough_and_no_more_than_needed(half: float) -> None:
    runs = runs_for_width(0.7, half)

    def width(n: int) -> float:
        found = hit_rate(round(0.7 * n), n)
        return found.high - found.low

    assert width(runs) <= 2 * half < width(runs - 1)
