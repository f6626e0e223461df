"""A calibrated probe and scale say more: the fit takes what a calibration leaves unknown, run by run."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

import rig
from rig.fitting.bench_fit import fingerprint, make_problem, prior_fit
from rig.fitting.live_fit import given_trace, rehearse_run
from rig.fitting.prediction import predict
from rig.fitting.priors import UNCHECKED_PROBE_K, UNCHECKED_SCALE_G, P
from rig.fitting.random_effects import Owner
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, nominals
from rig.runs import Run, RunBook
from sample_logs.generator.draw import draw_world
from sample_logs.generator.folder import write_bench
from sample_logs.generator.laws import Plan
from tests.judge.worlds import (
    MEASURED_DRINKS,
    bench_text,
    fresh_runs,
    set_ups,
    sheet_rows,
    true_plan,
    usual_plan,
)

CALIBRATED_K = 0.05
WORLD = 302
RUNS_PER_SET_UP = 4
TIMES_S = np.array([6.0, 12.0])


def known_to(book: RunBook, std_k: float | None, off_by_k: float = 0.0) -> RunBook:
    """The book as calibrated probes would have recorded it: traces less `off_by_k`, known to `std_k`."""

    def corrected(run: Run) -> Run:
        if run.trace is None or run.trace.probe_c is None:
            return run
        probes = {name: values - off_by_k for name, values in run.trace.probes_c.items()}
        return replace(run, trace=replace(run.trace, probes_c=probes), probe_std_k=std_k)

    return replace(book, runs=tuple(corrected(r) for r in book.runs))


def situation_of(p: Plan) -> Situation:
    return Situation(
        *(p.setting.technique, p.setting.vessel, p.setting.ice, p.drink.name),
        drink_temp_c=p.drink_temp_c,
        ice_mass_g=p.ice_mass_g,
        ice_temp_c=p.ice_temp_c,
        vessel_temp_c=p.vessel_temp_c,
        room_temp_c=p.room_temp_c,
    )


def offset_sd_k(fit: Fit, owner: Owner, std_k: float) -> float:
    k = fit.random_effects.index()[P.OFFSET, owner, ()]
    return float(np.sqrt(fit.posterior.covariance[k, k])) * std_k


def test_a_calibration_no_better_than_none_changes_no_number(evening: RunBook, evening_fit: Fit) -> None:
    """A probe known to what any probe is known to is the same prior in other words."""
    same = rig.fit(known_to(evening, UNCHECKED_PROBE_K))
    for name in ("departures", "end_temp_c", "end_added_g", "strained_sd_g"):
        np.testing.assert_allclose(
            getattr(same.posterior, name), getattr(evening_fit.posterior, name), rtol=1e-6, atol=1e-8
        )


@pytest.mark.parametrize("std_k", [0.02, 0.1])
def test_the_better_the_probe_is_known_the_nearer_its_offset_is_to_none(
    evening: RunBook, evening_fit: Fit, std_k: float
) -> None:
    known = rig.fit(known_to(evening, std_k))
    assert offset_sd_k(known, Owner.CALIBRATION, std_k) < std_k
    assert offset_sd_k(known, Owner.CALIBRATION, std_k) < offset_sd_k(evening_fit, Owner.BENCH, 1.0)


def test_runs_with_and_without_a_calibration_fit_together(evening: RunBook) -> None:
    """Each kind has an offset of its own; what belongs to the bench otherwise is shared."""
    half = replace(
        evening,
        runs=tuple(replace(r, probe_std_k=0.05 if k % 2 else None) for k, r in enumerate(evening.runs)),
    )
    problem, _ = make_problem(half.bench, half.runs[:8])
    offsets = [k for k, (parameter, *_) in enumerate(problem.random_effects.keys) if parameter is P.OFFSET]
    assert {problem.random_effects.keys[k][1] for k in offsets} == {Owner.BENCH, Owner.CALIBRATION}
    sd = problem.random_effects.prior_sd
    place = int(np.flatnonzero(problem.design.columns == P.OFFSET)[0])
    prior = sd[problem.design.effect_index[:, place]] * problem.design.multiplier[:, place]
    assert prior == pytest.approx([0.05 if k % 2 else UNCHECKED_PROBE_K for k in range(8)])
    fit = rig.fit(half)
    assert np.isfinite(fit.posterior.covariance).all()


def test_a_weigh_in_is_as_sure_as_its_scale(evening: RunBook) -> None:
    run = next(r for r in evening.runs if r.drink_mass_g is not None)
    stated = [Situation.of(r) for r in (run, replace(run, scale_std_g=0.05), replace(run, drink_mass_g=None))]
    sd = nominals(evening.bench, stated).drink_mass_sd_g
    assert sd[:2] == pytest.approx([UNCHECKED_SCALE_G, 0.05])
    assert sd[2] > UNCHECKED_SCALE_G


def test_a_fit_is_made_anew_when_a_run_turns_out_to_be_calibrated(evening: RunBook) -> None:
    assert (
        fingerprint(known_to(evening, 0.05)) != fingerprint(evening) != fingerprint(known_to(evening, 0.06))
    )


def test_a_live_run_with_a_calibrated_probe_is_surer_of_its_offset_and_no_less_of_its_drink(
    evening: RunBook,
) -> None:
    """Before any run has taught the bench how far its probe is off; of a drink still chilling its lag hides more."""
    fit, times = prior_fit(evening), np.arange(2.0, 12.0, 1.0)
    runs = [r for r in evening.runs if r.trace is not None and r.trace.probe_c is not None][:6]
    spread: dict[float | None, list[tuple[float, float]]] = {None: [], 0.02: []}
    for std_k, found in spread.items():
        for run in runs:
            before = rehearse_run(fit, replace(Situation.of(run), probe_std_k=std_k), times, draws=4096)
            after = given_trace(before, run.trace, 8.0).prediction
            found.append((float(before.offset_k.std()), float(after.temp_c[:, 6].std())))
    unknown, calibrated = np.mean(spread[None], axis=0), np.mean(spread[0.02], axis=0)
    assert calibrated[0] < 0.5 * unknown[0]
    assert calibrated[1] < 1.05 * unknown[1]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, np.ndarray]:
    """Width of the 90 % band of temperature [K] and its coverage, of every case, without calibration and with.

    The world's probe is calibrated as a person would: to 0.05 K, and wrong by a draw of that.
    """
    out: dict[str, list[tuple[float, float, float]]] = {"unknown": [], "calibrated": []}
    world = draw_world(WORLD)
    folder = tmp_path_factory.mktemp("world")
    write_bench(folder, bench_text(world), sheet_rows(world, RUNS_PER_SET_UP))
    book = rig.open_bench(folder)
    book = replace(book, runs=tuple(r for r in book.runs if r.technique == "shake"))
    left_k = float(np.random.default_rng([WORLD, 99]).normal(0, CALIBRATED_K))
    off_by_k = world.instruments.probe_offset_k - left_k
    fits = {"unknown": rig.fit(book), "calibrated": rig.fit(known_to(book, CALIBRATED_K, off_by_k))}
    shaken = [s for s in set_ups(world) if s.technique == "shake"]
    for n, (setting, drink) in enumerate(product(shaken, MEASURED_DRINKS)):
        plan = usual_plan(setting, drink)
        truth, _ = fresh_runs(true_plan(plan), TIMES_S, 200, np.random.default_rng([WORLD, n, 1]))
        for how, fit in fits.items():
            drawn = predict(fit, situation_of(plan), TIMES_S, draws=512).temp_c
            course = predict(fit, situation_of(plan), TIMES_S, draws=512, new_run=False).temp_c
            low, high = np.percentile(drawn, [5, 95], axis=0)
            inside = (truth >= low[:, None]) & (truth <= high[:, None])
            out[how].append((np.mean(high - low), np.mean(inside), np.mean(course.std(axis=0))))
    return {how: np.array(rows) for how, rows in out.items()}


@pytest.mark.slow
def test_a_calibrated_probe_narrows_the_answers(told: dict[str, np.ndarray]) -> None:
    unknown, calibrated = told["unknown"], told["calibrated"]
    assert calibrated[:, 0].mean() < unknown[:, 0].mean()
    assert calibrated[:, 2].mean() < unknown[:, 2].mean()


@pytest.mark.slow
def test_narrower_bands_still_hold_nine_tenths(told: dict[str, np.ndarray]) -> None:
    assert 0.80 <= told["calibrated"][:, 1].mean() <= 0.99
    assert told["calibrated"][:, 1].mean() > told["unknown"][:, 1].mean() - 0.03
