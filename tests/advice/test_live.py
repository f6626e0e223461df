"""The live call follows this very run, says when to stop, and says when it should not be trusted."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import rankdata

import rig
from rig.advice.live.live import LiveCall, Word, estimate, live_call
from rig.fitting.bench_fit import prior_fit
from rig.fitting.live_fit import given_trace, rehearse_run
from rig.fitting.misfit import misfit_basis
from rig.fitting.observation_model import interpolated
from rig.fitting.prediction import BasisKind, predict
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.physics.melt import lagged
from rig.runs import RunBook, Trace
from tests.shared_fits import fitted

SAMPLES = Path(__file__).parents[2] / "sample_logs"
ASK = Situation(
    "shake", "two-piece steel", "freezer cube", "quayside black", drink_temp_c=24.0, ice_mass_g=210.0
)
COUPE = rig.Target(serve_temp_c_max=-2.0, dilution_by_volume=(0.30, 0.36))
EVERY_S = 0.2


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fitted(rig.open_bench(SAMPLES / "harbour"))


@pytest.fixture(scope="module")
def call(fit: Fit) -> LiveCall:
    return live_call(fit, ASK, COUPE, draws=512)


def shown_by(call: LiveCall, draw: int, until_s: float, seed: int = 4) -> Trace:
    """The trace that one of the call's own possible runs would leave, with the noise the fit has learned."""
    r = call.rehearsal
    nodes = np.broadcast_to(r.node_s[:, None], (r.node_s.size, 1))
    one = slice(draw, draw + 1)
    probe = lagged(nodes, r.temp_c[:, one], r.lag_s[one], r.temp_c[0, one])
    time = np.arange(-2.0, until_s + 1e-9, EVERY_S)
    moved_s = np.maximum(time, 0.0)
    moving = interpolated(nodes, probe, moved_s[None, :])[0]
    moving = moving + misfit_basis(moved_s, np.asarray(r.longest_s)) @ r.misfit_k[draw]
    noise = np.random.default_rng(seed).normal(0.0, 0.1, time.size)
    return Trace(time, {"": moving + r.offset_k[draw] + noise})


def test_before_the_start_it_says_what_the_call_says(fit: Fit, call: LiveCall) -> None:
    told = estimate(call, Trace(np.zeros(0), {"": np.zeros(0)}), 0.0)
    assert told.word is Word.KEEP_GOING
    assert told.readings == 0
    advice = rig.advise(fit, technique=ASK.technique, vessel=ASK.vessel, ice=ASK.ice, recipe=ASK.recipe,
                        drink_temp_c=24.0, ice_mass_g=210.0, target=COUPE, with_levers=False)  # fmt: skip
    assert told.stop_at_s == pytest.approx(advice.duration_s - call.reaction_s, abs=0.6)


def test_only_what_was_shown_by_now_counts(call: LiveCall) -> None:
    whole, part = shown_by(call, 7, 12.0), shown_by(call, 7, 6.0)
    assert estimate(call, whole, 6.0) == estimate(call, part, 6.0)


def test_bands_of_the_run_hold_the_run(call: LiveCall) -> None:
    """Runs drawn from the call itself lie within its 90 % bands about nine times in ten, and closer than before."""
    p = call.rehearsal.drawn
    inside, narrower = [], []
    for draw in range(0, 120, 3):
        after = given_trace(call.rehearsal, shown_by(call, draw, 8.0, seed=draw), 8.0).prediction
        k = int(np.searchsorted(p.duration_s, 8.0))
        for name in ("temp_c", "added_g"):
            low, high = np.percentile(getattr(after, name)[:, k], [5, 95])
            inside.append(low <= getattr(p, name)[draw, k] <= high)
        narrower.append(np.std(after.temp_c[:, k]) / np.std(p.temp_c[:, k]))
    assert 0.80 <= np.mean(inside) <= 0.99
    assert np.median(narrower) < 0.7


def test_a_slower_hand_is_told_to_go_on_for_longer(call: LiveCall) -> None:
    p = call.rehearsal.prediction
    at = int(np.searchsorted(p.duration_s, 6.0))
    # a quick hand has both chilled and watered more: a cold drink alone may have started cold
    order = np.argsort(rankdata(p.temp_c[:, at]) - rankdata(p.dilution_by_volume[:, at]))
    quick, slow = (
        [estimate(call, shown_by(call, int(k), 8.0), 8.0).stop_at_s for k in some]
        for some in (order[10:40:3], order[-40:-10:3])
    )
    assert np.median([s for s in quick if s is not None]) + 0.5 < np.median(
        [s for s in slow if s is not None]
    )


def test_words_follow_the_clock(call: LiveCall) -> None:
    p = call.rehearsal.prediction
    middle = float(np.interp(8.0, p.duration_s, p.dilution_by_volume[11]))
    assert p.dilution_by_volume[11, -1] > middle + 0.03
    narrow = replace(call, target=rig.Target(dilution_by_volume=(middle - 0.015, middle + 0.015)))
    trace = shown_by(call, 11, 40.0)
    words = [estimate(narrow, trace, now).word for now in np.arange(1.0, 30.0, 0.5)]
    order = [Word.KEEP_GOING, Word.GET_READY, Word.STOP, Word.PAST]
    places = [order.index(w) for w in words]
    assert set(words) == set(order)
    assert np.mean(np.diff(places) >= 0) > 0.9


def test_a_trace_of_something_else_is_called_odd(call: LiveCall) -> None:
    time = np.arange(-2.0, 8.0, EVERY_S)
    told = estimate(call, Trace(time, {"": np.full(time.size, 24.0)}), 8.0)
    assert "probe is in the drink" in told.note


def test_without_any_run_it_rests_on_priors_and_says_so(fit: Fit) -> None:
    bare = prior_fit(RunBook(fit.bench, ()))
    told = live_call(bare, ASK, COUPE, draws=512)
    assert told.basis.kind is BasisKind.PRIOR_ONLY
    assert "rests on what is usual" in estimate(told, shown_by(told, 3, 5.0), 5.0).note
    times = np.array([10.0])
    wide, narrow = (np.std(predict(f, ASK, times, draws=256).temp_c) for f in (bare, fit))
    assert wide > 1.5 * narrow


def test_without_a_target_it_estimates_and_makes_no_call(fit: Fit, call: LiveCall) -> None:
    told = estimate(replace(call, target=None), shown_by(call, 5, 6.0), 6.0)
    assert told.stop_at_s is None and told.odds_now is None
    assert told.temp_c[0] < told.temp_c[1] < told.temp_c[2]
    json.dumps(told.to_dict())


def test_a_target_out_of_reach_is_said_to_have_no_good_moment(fit: Fit) -> None:
    hopeless = rig.Target(serve_temp_c_max=-9.0, dilution_by_volume=(0.05, 0.08))
    told = live_call(fit, ASK, hopeless, draws=256)
    assert estimate(told, shown_by(told, 2, 5.0), 5.0).word is Word.NO_MOMENT


def test_the_same_trace_gives_the_same_answer(fit: Fit) -> None:
    one, two = (
        given_trace(
            rehearse_run(fit, ASK, np.arange(0.5, 20.0, 0.5), draws=128),
            Trace(np.array([0.0, 1.0, 2.0]), {"": np.array([24.0, 18.0, 12.0])}),
            2.0,
        )
        for _ in range(2)
    )
    assert np.array_equal(one.prediction.temp_c, two.prediction.temp_c)
