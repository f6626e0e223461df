"""Where no probe watches, the live stop goes by the clock and the cadence that is heard, as the fit has learned it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest

from rig.advice.live.live import LiveCall, by_the_clock, live_call
from rig.capture.recording.follow import StopWords
from rig.fitting.bench_fit import prior_fit
from rig.fitting.priors import P
from rig.fitting.random_effects import Owner
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import HEARD_HZ, RunBook
from rig.session.advisor import LiveAdvisor
from rig.session.drink import Session
from rig.session.ear import give
from rig.signals.moments import Moment, Rhythm, Source
from rig.signals.sound import HeardShake
from tests import shared_fits
from tests.cli.small_bench import small_book

USUAL_HZ = 3.4
ASK = Situation("shake", "steel tin", "freezer cube", "night shift")


@pytest.fixture(scope="module")
def counted() -> Fit:
    """A bench whose shaken runs all had their strokes counted."""
    book = small_book()
    runs = (replace(r, extra={**r.extra, HEARD_HZ: str(USUAL_HZ)}) for r in book.runs)
    return shared_fits.fitted(replace(book, runs=tuple(runs)))


def called(fit: Fit, power: float, std: float = 0.1) -> LiveCall:
    """The call where the bench has learned that heat goes as cadence to this power."""
    k = fit.random_effects.index()[P.RATE, Owner.CADENCE, ("shake",)]
    effects, covariance = fit.posterior.effects.copy(), fit.posterior.covariance.copy()
    effects[k], covariance[k, :], covariance[:, k] = power, 0.0, 0.0
    covariance[k, k] = std**2
    learned = replace(fit, posterior=replace(fit.posterior, effects=effects, covariance=covariance))
    return live_call(learned, ASK, fit.bench.target("short"))


@pytest.fixture(scope="module")
def helps(counted: Fit) -> LiveCall:
    return called(counted, 1.0)


def beat(times_usual: float, std: float = 0.01) -> Rhythm:
    return Rhythm(USUAL_HZ * times_usual, USUAL_HZ * times_usual * std)


def stop_s(call: LiveCall, rhythm: Rhythm | None) -> float:
    at = by_the_clock(call, 3.0, rhythm).stop_at_s
    assert at is not None
    return at


def test_a_quicker_hand_is_stopped_earlier_and_a_slower_one_later_and_told_so(helps: LiveCall) -> None:
    quick, slow = by_the_clock(helps, 3.0, beat(1.15)), by_the_clock(helps, 3.0, beat(0.85))
    unheard = stop_s(helps, None)
    assert quick.stop_at_s is not None and slow.stop_at_s is not None
    assert quick.stop_at_s < unheard - 0.3 and slow.stop_at_s > unheard + 0.3
    assert quick.cadence.startswith(
        f"quicker than usual (3.9 strokes a second, usually 3.4): stop {unheard - quick.stop_at_s:.1f} s earlier (±"
    )
    assert f"stop {slow.stop_at_s - unheard:.1f} s later (±" in slow.cadence
    assert by_the_clock(helps, 3.0).cadence == ""


def test_the_draws_between_are_those_of_a_call_made_for_that_hand(helps: LiveCall, counted: Fit) -> None:
    """Against the whole model asked for a hand half as far off again as where the draws were made."""
    hand = helps.hand()
    assert hand is not None
    away = 1.5 * hand.usual.log_sd
    drawn = hand.at(Rhythm(hand.usual.median_hz * np.exp(away), 1e-6))
    slope = np.median(drawn.temp_c - hand.as_usual.temp_c, axis=0)
    whole = live_call(counted, replace(ASK, cadence_log_ratio=0.0), None).rehearsal.prediction
    assert np.all(slope < 0.0)
    assert np.median(hand.as_usual.temp_c, axis=0) == pytest.approx(np.median(whole.temp_c, axis=0), abs=0.1)


def test_a_cadence_that_is_badly_heard_counts_for_less(helps: LiveCall) -> None:
    sure, unsure = stop_s(helps, beat(1.15)), stop_s(helps, beat(1.15, std=0.2))
    assert sure < unsure < stop_s(helps, None) + 0.2


def test_where_the_cadence_does_not_help_the_stop_stays_and_it_says_so(counted: Fit) -> None:
    idle = called(counted, 0.0)
    told = by_the_clock(idle, 3.0, beat(1.15))
    assert told.stop_at_s == pytest.approx(stop_s(idle, None), abs=0.25)
    assert told.cadence.endswith("on this bench the cadence does not help the call, so the stop stays")


def test_a_bench_that_never_counted_strokes_says_that_they_do_not_help_yet() -> None:
    prior = prior_fit(RunBook(small_book().bench, ()))
    call = live_call(prior, ASK, prior.bench.target("short"), draws=128)
    told = by_the_clock(call, 3.0, beat(1.2))
    assert "no earlier run here has its strokes counted" in told.cadence
    assert told.stop_at_s == by_the_clock(call, 3.0).stop_at_s


class Clocked:
    """A drink under way since 10 s."""

    started_s, started_by, stopped_by = 10.0, Source.SOUND, None
    ready_s = 5.0
    heard_rhythm: Rhythm | None = None
    done = False


def test_what_is_heard_of_the_shake_under_way_reaches_the_advisors_words(helps: LiveCall) -> None:
    drink: Any = Clocked()
    start, now = Moment(10.0, 0.1, Source.SOUND), Moment(14.0, 0.1, Source.SOUND)
    quick = USUAL_HZ * 1.15
    assert give(cast(Session, drink), HeardShake(start, now, quick, 0.02, 0.05, goes_on=True), 10.0, 14.0)
    said = LiveAdvisor(helps)(4.0, None, drink.heard_rhythm)
    assert isinstance(said, StopWords)
    assert said.note.startswith("quicker than usual (3.9 strokes a second, usually 3.4): stop ")
    assert "by the clock and the cadence of the hand" in said.note


class Told(Clocked):
    """The same, which takes down what it is told."""

    stopped_s: float | None = None

    def __init__(self) -> None:
        self.orders: list[tuple[str, float, Source]] = []

    def begin(self, at_s: float, by: Source) -> None:
        self.started_s, self.started_by = at_s, by
        self.orders.append(("start", round(at_s, 3), by))

    def ended(self, at_s: float, by: Source, **told: float) -> None:
        self.stopped_s, self.stopped_by = at_s, by
        self.orders.append(("stop", round(at_s, 3), by))


def tell(drink: Any, start_s: float, stop_s: float, goes_on: bool = False, by: Source = Source.SOUND) -> bool:
    start, stop = Moment(start_s, 0.1, by), Moment(stop_s, 0.1, by)
    return give(cast(Session, drink), HeardShake(start, stop, USUAL_HZ, 0.02, 0.05, goes_on), start_s, stop_s)


def test_a_heard_shake_lasts_as_long_as_its_own_take_says_though_its_clock_was_set_better_since() -> None:
    """By a little the start stays where it is; by more it is told anew, and the stop after it."""
    for start_s, lasted in [
        (9.95, [("stop", 17.0, Source.SOUND)]),
        (9.4, [("start", 9.4, Source.SOUND), ("stop", 16.4, Source.SOUND)]),
    ]:
        drink = Told()
        assert tell(drink, start_s, start_s + 7.0)
        assert drink.orders == lasted


def test_a_stop_heard_too_soon_is_told_anew_once_more_has_been_heard_and_not_again() -> None:
    drink = Told()
    for stop_s in (12.0, 12.02, 17.0, 17.0):
        assert tell(drink, 10.0, stop_s)
    assert drink.orders == [("stop", 12.0, Source.SOUND), ("stop", 17.0, Source.SOUND)]


def test_two_senses_do_not_correct_each_other() -> None:
    drink = Told()
    for by, off_s in (
        (Source.SOUND, 0.0),
        (Source.STRAPPED, 0.3),
        (Source.SOUND, 0.0),
        (Source.STRAPPED, 0.3),
    ):
        assert tell(drink, 10.0 + off_s, 17.0 + off_s, by=by)
    assert drink.orders == [("stop", 17.0, Source.SOUND)]


def test_a_start_that_was_heard_and_never_heard_to_stop_gives_way_to_the_shake_that_follows() -> None:
    drink = Told()
    assert tell(drink, 20.0, 24.0, goes_on=True)
    assert not tell(drink, 10.0, 24.0, goes_on=True)
    assert tell(drink, 20.0, 27.0)
    assert not tell(drink, 40.0, 47.0)
    assert drink.orders == [("start", 20.0, Source.SOUND), ("stop", 27.0, Source.SOUND)]


def test_nothing_is_told_to_a_drink_that_is_done() -> None:
    drink = Told()
    drink.done = True
    assert not tell(drink, 10.0, 17.0)
    assert drink.orders == []
