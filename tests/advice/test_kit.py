"""What a part of a kit would buy is what a refit of runs made with it then brings."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest

from rig.advice.call.calling import call_for
from rig.advice.call.slopes import Known, known_effects
from rig.advice.evidence.noise import observation_noise
from rig.advice.plan.candidates import Candidate, problem_of
from rig.advice.plan.gain import choose, with_runs
from rig.advice.plan.kit import (
    KitWorth,
    experiments_with,
    kit_of,
    kit_worth,
    observed_with,
    runs_with,
)
from rig.advice.plan.kit_parts import Kit, Part, ladder
from rig.advice.plan.kit_words import basis, figures, rows, summary
from rig.advice.plan.plan import question_of, wanted_of
from rig.bench import Target
from rig.fitting.bench_fit import fit, prior_fit
from rig.fitting.observation_model import STRAINED, expected, grids, misfit_slopes
from rig.fitting.observations import BINS
from rig.fitting.prediction import run_spread
from rig.fitting.priors import P
from rig.fitting.result import Fit
from rig.fitting.situation import NOT_NOTED, Situation
from rig.runs import HEARD, Run, RunBook, Trace
from tests import shared_fits
from tests.cli.small_bench import small_book

DRINK = Situation("shake", "steel tin", "freezer cube", "night shift")
STIRRED = Situation("stir", "mixing glass", "wet cube", "night shift")


@pytest.fixture(scope="module")
def fitted() -> Fit:
    return shared_fits.fitted(small_book())


@pytest.fixture(scope="module")
def short(fitted: Fit) -> Target:
    return fitted.bench.target("short")


@pytest.fixture(scope="module")
def before_any_run(short: Target) -> KitWorth:
    return kit_worth(prior_fit(RunBook(small_book().bench, ())), DRINK, short)


@pytest.fixture(scope="module")
def on_the_bench(fitted: Fit, short: Target) -> KitWorth:
    return kit_worth(fitted, DRINK, short)


@pytest.mark.parametrize("which", ["before_any_run", "on_the_bench"])
def test_more_to_measure_with_never_tells_less(which: str, request: pytest.FixtureRequest) -> None:
    told: KitWorth = request.getfixturevalue(which)
    for n in range(2):
        odds = [told.call.odds, *(p.gains[n].odds for p in told.parts)]
        assert all(later >= earlier - 0.015 for earlier, later in pairwise(odds))
    for part in told.parts:
        assert part.gains[0].odds <= part.gains[1].odds + 0.005
        assert part.gains[1].off_s < told.off_s
        assert part.gains[-1].odds <= told.odds_at_most + 0.01


def test_parts_come_in_their_order_and_only_what_knocks_is_heard(
    on_the_bench: KitWorth, fitted: Fit, short: Target
) -> None:
    assert [p.kit.part for p in on_the_bench.parts] == list(Part)[1:]
    stirred = kit_worth(fitted, STIRRED, short)
    assert Part.EAR not in [p.kit.part for p in stirred.parts]
    assert [p.live_odds is not None for p in stirred.parts] == [False, False, True, True]


def test_with_nothing_known_the_next_part_is_named_with_what_it_brings(before_any_run: KitWorth) -> None:
    chosen = before_any_run.next_part
    assert before_any_run.has is Part.NOTHING and chosen is not None
    assert chosen.best_odds > before_any_run.call.odds + 0.2
    now, then = (f"{100 * x:.0f} %" for x in (before_any_run.call.odds, chosen.best_odds))
    assert f"{now} → {then}" in summary(before_any_run)
    assert summary(before_any_run).startswith("For this drink the next thing worth having is ")


def test_what_is_had_already_is_not_sold_again(fitted: Fit, short: Target, on_the_bench: KitWorth) -> None:
    assert on_the_bench.has is Part.PROBE
    assert on_the_bench.next_part is None
    assert "You have what helps (probe)" in summary(on_the_bench)
    all_had = kit_worth(fitted, DRINK, short, Part.CALIBRATION)
    assert all_had.next_part is None


def test_where_nothing_more_helps_it_says_so(fitted: Fit) -> None:
    easy = kit_worth(fitted, DRINK, fitted.bench.target("coupe"))
    assert "Nothing more to measure with would move this call" in summary(easy)
    never = kit_worth(fitted, DRINK, Target(-25.0, name="never"))
    assert never.next_part is None
    assert "Nothing you could measure with helps this drink into this target" in summary(never)


def test_the_call_is_the_one_that_is_asked_anywhere(
    fitted: Fit, short: Target, on_the_bench: KitWorth
) -> None:
    call = call_for(fitted, DRINK, short, None)
    assert (on_the_bench.call.odds, on_the_bench.call.duration_s) == (call.odds, call.duration_s)
    assert f"lands {100 * call.odds:.0f} %" in basis(on_the_bench)
    assert [r[0] for r in rows(on_the_bench)][-2:] == ["+ probe (yours)", "+ calibration"]


def test_every_figure_names_its_source_or_says_that_it_has_none(on_the_bench: KitWorth) -> None:
    told = figures(on_the_bench)
    assert len(told) == len(set(told)) > 8
    assert all(f.source for p in on_the_bench.parts for f in p.kit.figures)


def test_what_a_bench_has_is_told_from_its_runs() -> None:
    book = small_book()
    plain = [replace(r, trace=None) for r in book.runs]
    one_reading = Trace(np.array([9.0]), {"": np.array([-1.0])})

    def of(*runs: Run) -> Part:
        return kit_of(RunBook(book.bench, runs))

    assert of() is Part.NOTHING
    assert of(*plain) is Part.SCALE
    assert of(*plain, replace(plain[0], trace=one_reading)) is Part.THERMOMETER
    assert of(*plain, replace(plain[0], extra={HEARD: "start heard; stop heard"})) is Part.EAR
    assert of(*book.runs) is Part.PROBE
    assert of(replace(book.runs[0], probe_std_k=0.1)) is Part.CALIBRATION


def test_seconds_noted_by_hand_blur_what_is_weighed(fitted: Fit, short: Target) -> None:
    """What timing adds to the noise is how fast the mass rises, times how far the clock is off."""
    kit = ladder(heard=True)[0]
    call = call_for(fitted, DRINK, short, None)
    (c, *_) = runs_with(kit, fitted, call)
    known = known_effects(fitted, [call.situation, c.situation])
    late = Candidate(c.situation, c.duration_s + 0.5)
    sharp = replace(kit, start_std_s=0.0, stop_std_s=0.0)
    noise = [experiments_with(k, fitted, [c], known).noise[0, STRAINED, STRAINED] for k in (kit, sharp)]
    at = []
    for each in (c, late):
        problem = problem_of(
            fitted, [each], known, observed_with(kit, np.array([22.0]), np.array([each.duration_s]))
        )
        parameters = problem.design.parameters(known.mean)
        steps = int(grids(problem, known.mean, np.zeros((1, len(P)))).max())
        at.append(expected(problem, parameters, np.array([0]), steps)[0][0, STRAINED])
    rate_g_per_s = (at[1] - at[0]) / 0.5
    off_s = np.hypot(kit.start_std_s, kit.stop_std_s)
    assert noise[0] - noise[1] == pytest.approx((rate_g_per_s * off_s) ** 2, rel=0.15)


# --- against refits of runs made with a kit ------------------------------------------------------------


def made_with(
    kit: Kit, fitted: Fit, known: Known, c: Candidate, truth: np.ndarray, rng: np.random.Generator, name: str
) -> Run:
    """A run of the called drink in the world `truth` (effects,), as somebody with this kit would note it."""
    s, d = c.situation, c.duration_s
    seen = observed_with(kit, np.array([s.drink_temp_c or 0.0]), np.array([d]))
    off = rng.normal(0.0, [kit.start_std_s, kit.stop_std_s])
    ends = seen.bin_time_s + off[0] if kit.traced else seen.bin_time_s + off.sum()
    really = replace(seen, duration_s=seen.duration_s + off.sum(), bin_time_s=ends)
    problem = problem_of(fitted, [c], known, really)
    departures = rng.normal(size=(1, len(P))) * run_spread(fitted, s, problem.nominal)
    steps = int(grids(problem, truth, departures).max())
    shown = expected(problem, problem.design.parameters(truth) + departures, np.array([0]), steps)[0][0]
    shown = shown + misfit_slopes(problem)[0] @ problem.design.misfits(truth)[0]
    observed = np.isfinite(np.concatenate([seen.bin_time_s[0], [0.0, np.nan]]))[None]
    noise = observation_noise(fitted, [s.technique], problem.nominal, seen.bin_time_s, observed)[0]
    noise[STRAINED, STRAINED] += max(2.0 * kit.weigh_std_g**2 - problem.nominal.drink_mass_sd_g[0] ** 2, 0.0)
    if kit.end_std_k is not None:
        noise[BINS - 1, BINS - 1] += kit.end_std_k**2
    shown += np.linalg.cholesky(noise) @ rng.normal(size=len(shown))
    there = np.isfinite(seen.bin_time_s[0])
    time, temp = seen.bin_time_s[0][there], shown[:BINS][there]
    if kit.traced:
        time, temp = np.append(0.0, time), np.append(seen.probe_start_c, temp)
    noted = {f.name: getattr(s, f.name) for f in fields(Situation) if f.name not in NOT_NOTED}
    if not kit.measures_start:
        noted |= dict.fromkeys(("drink_temp_c", "ice_temp_c", "vessel_temp_c"))
    trace = Trace(time, {"": temp}) if time.size else None
    return Run(name, **noted, duration_s=d, strained_mass_g=float(shown[STRAINED]), trace=trace)


@pytest.mark.slow
@pytest.mark.parametrize("part", [Part.SCALE, Part.THERMOMETER, Part.PROBE])
def test_a_refit_of_six_runs_knows_as_much_as_was_promised(part: Part, fitted: Fit, short: Target) -> None:
    """Standard deviation of the average drink at the call, the middle one of three worlds drawn from the priors, within
    a third: a refit learns its spreads anew, which the promise takes as known, and bends with what it finds. The odds
    that the refits then say are on average within 15 points of those promised, about as well as three worlds can tell.
    """
    kit = next(k for k in ladder(heard=True) if k.part is part)
    book = small_book()
    prior = prior_fit(RunBook(book.bench, ()))
    call = call_for(prior, DRINK, short, None)
    runs = runs_with(kit, prior, call)
    known = known_effects(prior, [call.situation, *(c.situation for c in runs)])
    q = question_of(prior, Candidate(call.situation, call.duration_s), short, known)
    made = experiments_with(kit, prior, runs, known)
    picked, _ = choose(made, wanted_of(q), 6, 2)
    at = q.by_effect[q.call, :2]
    promised = np.sqrt(np.einsum("re,ef,rf->r", at, with_runs(made, picked), at))
    now = np.sqrt(np.einsum("re,ef,rf->r", at, known.covariance, at))
    worth = next(x for x in kit_worth(prior, DRINK, short).parts if x.kit.part is part)
    found, said = [], []
    for world in range(3):
        rng = np.random.default_rng(world)
        truth = known.mean + np.linalg.cholesky(
            known.covariance + 1e-12 * np.eye(len(known.mean))
        ) @ rng.normal(size=len(known.mean))
        shaken = tuple(
            made_with(kit, prior, known, runs[k], truth, rng, f"k{n}") for n, k in enumerate(picked)
        )
        again = fit(RunBook(book.bench, shaken))
        then = known_effects(again, [call.situation, *(c.situation for c in runs)])
        order = then.random_effects.index()
        rank = [order[key] for key in known.random_effects.keys]
        found.append(np.sqrt(np.einsum("re,ef,rf->r", at, then.covariance[np.ix_(rank, rank)], at)))
        said.append(call_for(again, call.situation, short, None).odds)
    refitted = np.median(found, axis=0)
    assert np.all(promised < 0.9 * now)
    assert refitted == pytest.approx(promised, rel=0.34)
    assert np.mean(said) == pytest.approx(worth.gains[-1].odds, abs=0.15)
