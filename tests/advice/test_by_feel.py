"""Stops by feel: how far off, how often they land, and the one thing to practise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from rig.advice.evidence.hit_rate import hit_rate
from rig.advice.live.verdict import (
    LANDED,
    MISSED,
    RESTS_ON,
    SENTENCE,
    WINDOW,
    how_it_landed,
    is_told,
    with_landing,
)
from rig.advice.rehearsal.by_feel import ByFeel, by_feel
from rig.advice.rehearsal.rehearsal import rehearse
from rig.fitting.result import Fit
from rig.runs import BLIND, YES, Run
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted


@pytest.fixture(scope="module")
def known() -> Fit:
    return fitted(small_book())


@pytest.fixture(scope="module")
def told(known: Fit) -> Run:
    run = replace(known.book.runs[2], target="coupe")
    found = how_it_landed(known, run, known.bench.targets["coupe"])
    return with_landing(run, found)


def _made(told: Run, name: str, off_s: float, missed: str = "", *, blind: bool = True) -> Run:
    """A run that was kept with this verdict: a window from 10 to 12 s, stopped so far from its middle."""
    run = replace(told, run=name, duration_s=11.0 + off_s)
    verdict = {
        LANDED: "no" if missed else "yes",
        SENTENCE: "as told",
        WINDOW: "10.00 to 12.00",
        MISSED: missed,
    }
    rests = with_landing(run, None).extra | {
        RESTS_ON: told.extra[RESTS_ON].replace(f"{told.duration_s}", f"{run.duration_s}")
    }
    extra = rests | verdict | ({BLIND: YES} if blind else {})
    return replace(run, extra={k: v for k, v in extra.items() if v})


def _score(known: Fit, runs: Sequence[Run]) -> ByFeel:
    assert all(is_told(r) for r in runs)
    found = by_feel(known, runs)
    assert found is not None
    return found


def test_a_verdict_keeps_its_window_and_what_it_missed(told: Run) -> None:
    low, high = (float(t) for t in told.extra[WINDOW].split(" to "))
    assert 0.0 < low <= high


def test_early_and_late_are_told_from_the_window_that_would_have_done(known: Fit, told: Run) -> None:
    found = _score(known, [_made(told, "a", -2.0), _made(told, "b", 0.5), _made(told, "c", 3.0)])
    assert [s.words for s in found.stops] == ["1.0 s early", "in the window", "2.0 s late"]
    assert found.timing_words == "1 early, 1 in the window, 1 late"


def test_one_rate_with_one_interval_and_the_guided_beside_it(known: Fit, told: Run) -> None:
    blind = [_made(told, f"b{k}", 0.2 * k, "too warm" if k == 2 else "") for k in range(4)]
    guided = [_made(told, f"g{k}", 0.0, blind=False) for k in range(5)]
    found = _score(known, [*blind, *guided])
    assert found.rate == hit_rate(3, 4) and found.guided == hit_rate(5, 5)
    assert found.missed_words == "temperature missed once, dilution never"


@pytest.mark.parametrize(
    ("off_s", "missed", "says"),
    [
        ([1.8, 2.1, 2.4, 2.0], "", "Practise stopping earlier: you stop 2.1 s late on average"),
        ([-2.6, -3.0, -2.8, -3.2], "", "Practise stopping later: you stop 2.9 s early on average"),
        ([-3.5, 3.4, -3.0, 3.1], "", "Practise an even count: your stops scatter by 3.8 s"),
        ([0.1, -0.2, 0.3, 0.0], "too warm", "4 of 4 were too warm all the same"),
        ([0.1, -0.2, 0.3, 0.0], "", "as good as the call"),
        ([0.1, 2.0], "", "1 more blind stop,"),
    ],
)
def test_what_to_practise_is_one_sentence_about_what_is_worst(
    known: Fit, told: Run, off_s: list[float], missed: str, says: str
) -> None:
    found = _score(known, [_made(told, f"b{k}", off, missed) for k, off in enumerate(off_s)])
    assert says in found.practise


def test_nothing_is_said_where_nobody_stopped_by_feel(known: Fit, told: Run) -> None:
    assert by_feel(known, [_made(told, "g", 0.0, blind=False)]) is None


def test_a_corrected_drink_is_judged_anew(known: Fit, told: Run) -> None:
    blind = replace(told, extra={**told.extra, BLIND: YES, LANDED: "yes", MISSED: ""})
    heavier = replace(blind, strained_mass_g=(blind.strained_mass_g or 0.0) + 40.0)
    found = by_feel(known, [heavier])
    assert found is not None and found.stops[0].landed is False and found.rate == hit_rate(0, 1)


def test_a_rehearsal_sets_the_blind_drinks_beside_the_guided(known: Fit) -> None:
    target = known.bench.targets["coupe"]

    def marked(run: Run) -> Run:
        blind = run.run in ("a2", "a4")
        return replace(run, target="coupe", extra={BLIND: YES} if blind else {})

    runs = tuple(marked(r) for r in known.book.runs)
    of = replace(known, book=replace(known.book, runs=runs))
    found = rehearse(of, set_up=runs[0].set_up, target=target)
    assert found.by_feel is not None
    assert {s.run for s in found.by_feel.stops} == {"a2", "a4"}
    landed = {r.run: r.landed for r in found.runs}
    assert found.by_feel.rate == hit_rate(sum(bool(landed[r]) for r in ("a2", "a4")), 2)
    guided = [did for name, did in landed.items() if name not in ("a2", "a4")]
    assert found.by_feel.guided == hit_rate(sum(map(bool, guided)), len(guided))
    assert found.to_dict()["by_feel"]["blind"]["runs"] == 2
    assert rehearse(known, set_up=runs[0].set_up, target=target).by_feel is None
