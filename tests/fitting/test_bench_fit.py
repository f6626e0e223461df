"""A bench is fitted whole: flaws are named, gaps are borne, and nothing is dropped in silence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import rig
from rig.errors import NotEnoughData
from rig.fitting.bench_fit import make_problem
from rig.fitting.misfit import MODES, misfit_basis
from rig.fitting.observation_model import evaluate, grids
from rig.fitting.observations import BINS, observations_of
from rig.fitting.prediction import BasisKind, predict
from rig.fitting.random_effects import EFFECTS_A_RUN, Owner, effects_of
from rig.fitting.result import Fit, Verdict
from rig.fitting.situation import Situation
from rig.runs import Run, RunBook
from tests.fitting.conftest import SAMPLES
from tests.shared_fits import fitted

TIMES = np.array([5.0, 10.0, 15.0, 20.0])


def usual(book: RunBook) -> Situation:
    run = next(r for r in book.runs if r.technique == "shake")
    return Situation.of(run)


def width(fit: Fit, situation: Situation) -> float:
    told = predict(fit, situation, TIMES, draws=256, new_run=False)
    return float(np.ptp(np.percentile(told.dilution_by_volume[:, 2], [5, 95])))


def test_every_effect_has_a_name_of_its_own(evening: RunBook) -> None:
    keys = [key for key, _ in effects_of(evening.bench, usual(evening))]
    assert len(set(keys)) == len(keys) == EFFECTS_A_RUN
    assert len({o.value for o in Owner}) == len(Owner.__members__)


def test_every_run_is_in_the_result(evening: RunBook, evening_fit: Fit) -> None:
    assert [r.run for r in evening_fit.runs] == [r.run for r in evening.runs]
    assert evening_fit.posterior.converged


def test_a_mis_keyed_weight_is_flagged_and_does_not_move_the_others(
    evening: RunBook, evening_fit: Fit
) -> None:
    good = next(
        r for r in evening_fit.runs if r.verdict is Verdict.GOOD and r.strained_residual_g is not None
    )
    spoiled = tuple(
        replace(r, strained_mass_g=(r.strained_mass_g or 0.0) + 45.0) if r.run == good.run else r
        for r in evening.runs
    )
    again = rig.fit(replace(evening, runs=spoiled))
    flagged = next(r for r in again.runs if r.run == good.run)
    assert flagged.verdict is Verdict.DOUBTFUL
    assert "strained mass" in flagged.reasons[0]
    assert "g more" in flagged.reasons[0]
    before = predict(evening_fit, usual(evening), TIMES, draws=256).dilution_by_volume.mean(axis=0)
    after = predict(again, usual(evening), TIMES, draws=256).dilution_by_volume.mean(axis=0)
    assert after == pytest.approx(before, abs=0.03)


def test_runs_set_aside_say_why(evening: RunBook) -> None:
    first, second, *rest = evening.runs
    odd = (
        replace(first, excluded_because="spilled half"),
        replace(second, trace=None, strained_mass_g=None, gross_before_g=None, gross_after_g=None),
        *rest,
    )
    runs = {r.run: r for r in rig.fit(replace(evening, runs=odd)).runs}
    assert runs[first.run].verdict is Verdict.EXCLUDED
    assert "spilled half" in runs[first.run].reasons[0]
    assert runs[second.run].verdict is Verdict.NOT_FITTED
    assert "neither a trace nor a strained mass" in runs[second.run].reasons[0]


@pytest.mark.parametrize(
    "missing",
    [
        {"trace": None},
        {"strained_mass_g": None},
        {"ice_mass_g": None},
        {"ice_temp_c": None, "vessel_temp_c": None, "room_temp_c": None},
    ],
    ids=lambda m: " and ".join(m),
)
def test_a_missing_column_still_gives_an_answer(evening: RunBook, missing: dict[str, None]) -> None:
    less = tuple(replace(r, **missing) for r in evening.runs)  # type: ignore[arg-type]
    fit = rig.fit(replace(evening, runs=less))
    told = predict(fit, usual(evening), TIMES, draws=256)
    assert np.all(np.isfinite(told.temp_c))
    assert np.all(np.diff(np.median(told.temp_c, axis=0)) < 0.05)


def test_less_evidence_is_a_wider_interval(evening: RunBook, evening_fit: Fit) -> None:
    bare = tuple(replace(r, trace=None, strained_mass_g=r.strained_mass_g) for r in evening.runs[::6])
    fit = rig.fit(replace(evening, runs=bare))
    assert width(fit, usual(evening)) > 1.2 * width(evening_fit, usual(evening))


def test_no_usable_run_says_which_runs_would_do(evening: RunBook) -> None:
    bare = tuple(
        replace(r, trace=None, strained_mass_g=None, gross_before_g=None, gross_after_g=None)
        for r in evening.runs
    )
    with pytest.raises(NotEnoughData, match="six runs of one set-up"):
        rig.fit(replace(evening, runs=bare))


def test_a_run_ends_where_the_model_has_it_at_the_fitted_estimate() -> None:
    """The last step may have gone by the slopes of the step before; what a run ended at is of the last."""
    fit = fitted(rig.open_bench(SAMPLES / "harbour"))
    names = [r.run for r in fit.runs if r.temp_c is not None]
    by_name = {r.run: r for r in fit.book.runs}
    problem, _ = make_problem(fit.bench, [by_name[name] for name in names])
    post = fit.posterior
    steps = grids(problem, post.effects, post.departures)
    at = evaluate(problem, post.effects, post.departures, steps)
    basis = misfit_basis(problem.observations.duration_s, problem.nominal.longest_s)
    warmer = np.sum(basis * problem.design.misfits(post.effects)[:, MODES:], axis=1)
    assert post.end_temp_c == pytest.approx(at.end_temp_c + warmer, abs=0.02)


def test_the_same_book_gives_the_same_fit(evening: RunBook, evening_fit: Fit) -> None:
    again = rig.fit(evening)
    assert again.fingerprint == evening_fit.fingerprint
    assert np.array_equal(again.posterior.effects, evening_fit.posterior.effects)


def test_basis_says_measured_transferred_or_prior_only(evening: RunBook, evening_fit: Fit) -> None:
    known = usual(evening)
    assert predict(evening_fit, known, TIMES, draws=64).basis.kind is BasisKind.MEASURED
    hotter = replace(known, drink_temp_c=(known.drink_temp_c or 20.0) + 40.0)
    told = predict(evening_fit, hotter, TIMES, draws=64).basis
    assert told.kind is BasisKind.TRANSFERRED
    assert "measured from" in told.extrapolated[0]


def test_a_run_not_yet_made_scatters_more_than_the_average(evening: RunBook, evening_fit: Fit) -> None:
    run = predict(evening_fit, usual(evening), TIMES, draws=512)
    mean = predict(evening_fit, usual(evening), TIMES, draws=512, new_run=False)
    assert run.temp_c.std(axis=0)[1] > mean.temp_c.std(axis=0)[1]


def test_a_gap_in_a_trace_leaves_its_bins_empty(evening: RunBook) -> None:
    run: Run = next(r for r in evening.runs if r.trace is not None and r.duration_s)
    assert run.trace is not None
    assert run.trace.probe_c is not None
    assert run.duration_s is not None
    probe = run.trace.probe_c.copy()
    time = run.trace.time_s
    probe[(time > 0.3 * run.duration_s) & (time < 0.6 * run.duration_s)] = np.nan
    holed = replace(run, trace=replace(run.trace, probes_c={"": probe}))
    seen = observations_of([run, holed], np.full(2, run.duration_s))
    assert seen.bin_temp_c.shape == (2, BINS)
    assert np.isnan(seen.bin_temp_c[1]).sum() > np.isnan(seen.bin_temp_c[0]).sum()
