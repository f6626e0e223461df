from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from rig.fitting.bench_fit import fit as fit_book
from rig.fitting.result import Fit
from rig.report.calls import in_full
from rig.report.closure import closure
from rig.report.fit_summary import set_up_fits
from rig.report.page import Report
from tests.cli.small_bench import WRONG_RUN


def test_a_short_call_is_the_full_call_in_short(fit: Fit, report: Report) -> None:
    for drink in report.drinks:
        full = in_full(fit, drink.best)
        assert drink.best.filled == full.filled
        assert drink.best.odds == pytest.approx(full.odds, abs=1e-9)
        assert drink.best.duration_s == pytest.approx(full.duration_s, abs=1e-9)
        assert drink.best.window_s == pytest.approx(full.window_s, abs=1e-9)
        assert drink.best.basis == full.basis


def test_drinks_and_their_set_ups_come_surest_first(report: Report) -> None:
    assert {(d.recipe, d.target.name) for d in report.drinks} == {
        ("night shift", "coupe"),
        ("night shift", "short"),
    }
    best = [d.best.odds for d in report.drinks]
    assert best == sorted(best, reverse=True)
    for drink in report.drinks:
        odds = [c.odds for c in drink.calls]
        assert odds == sorted(odds, reverse=True)
        assert len(odds) == 3


def test_only_the_targets_that_runs_were_made_for_are_called(fit: Fit) -> None:
    from rig.report.calls import drink_calls

    book = replace(fit.book, runs=tuple(replace(r, target="short") for r in fit.book.runs))
    assert drink_calls(replace(fit, book=book), {}) == ()
    from rig.report.calls import all_foreseen

    told = drink_calls(replace(fit, book=book), all_foreseen(fit))
    assert {d.target.name for d in told} == {"short"}


def test_the_heat_of_a_sound_run_closes_and_a_wrong_weight_shows_its_surplus(fit: Fit) -> None:
    for run in fit.book.runs:
        balance = closure(fit, run.run)
        assert balance is not None
        assert balance.least_g <= balance.most_g
        if run.run == WRONG_RUN:
            assert not balance.closes
            assert balance.surplus_g == pytest.approx(30.0, abs=8.0)
            assert "too much" in balance.sentence()
        else:
            assert balance.closes, run.run
            assert "the heat closes" in balance.sentence()


def test_the_heat_balance_says_each_part_of_its_water_and_the_parts_add_up(fit: Fit) -> None:
    for run in fit.book.runs:
        balance = closure(fit, run.run)
        assert balance is not None
        sentence = balance.sentence().split(" Its chill")[0]
        strained, drink, shown, *rest = map(int, re.findall(r"(\d+) g", sentence))
        assert run.strained_mass_g is not None
        assert strained == round(run.strained_mass_g) and shown == strained - drink
        assert "less about" in sentence and "after the stop" in sentence
        held, late, water = rest
        assert shown + held - late == water == round(balance.measured_g)
        assert f"about {held} g held back on ice and vessel" in sentence


def test_a_run_that_was_not_weighed_has_no_heat_balance(fit: Fit) -> None:
    runs = tuple(replace(r, strained_mass_g=None) if r.run == "a1" else r for r in fit.book.runs)
    assert closure(replace(fit, book=replace(fit.book, runs=runs)), "a1") is None


def test_a_set_up_is_summed_up_in_ordered_percentiles_and_sound_numbers(fit: Fit) -> None:
    found = {s.set_up: s for s in set_up_fits(fit)}
    assert tuple(found) == fit.set_ups
    for s in found.values():
        for p in (s.chill_time_s, s.ice_w_per_k, s.surface_water_pct, s.held_back_g, s.probe_lag_s):
            assert p is not None
            assert p.p05 <= p.p50 <= p.p95
        assert s.duration_s[0] <= s.spread_at_s <= s.duration_s[1]
        assert 0 < s.spread_dilution < 0.1
        assert 0 < s.chill_time_s.p50 < s.duration_s[1]
    assert [r.run for s in found.values() for r in s.doubtful] == [WRONG_RUN]


def test_stirring_chills_slower_than_shaking_the_same_ice(fit: Fit) -> None:
    time_s = {(s.set_up.technique, s.set_up.ice): s.chill_time_s for s in set_up_fits(fit)}
    assert time_s["stir", "wet cube"].p05 > 2 * time_s["shake", "wet cube"].p95


def test_no_lag_is_claimed_where_no_probe_was_in(fit: Fit) -> None:
    book = replace(
        fit.book, runs=tuple(replace(r, trace=None) for r in fit.book.runs if r.run.startswith("a"))
    )
    (s,) = set_up_fits(fit_book(book))
    assert s.probe_lag_s is None
    assert math.isfinite(s.chill_time_s.p50)
