"""What a fit costs and where it ends, against SciPy's least squares on the same cost; printed as ratios."""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import curve_fit, least_squares

import rig
from rig.arrays import FloatArray
from rig.fitting.bench_fit import make_problem
from rig.fitting.linear_solve import State, cost, effect_sd, noise, run_variance
from rig.fitting.melt_fit import climb, fit_melt
from rig.fitting.observation_model import evaluate, linearise
from rig.fitting.priors import P
from rig.runs import RunBook
from tests.benchmarks.processes import peak_mib
from tests.judge.bench import FAMILIES, Bench, bench_text, sheet_rows

SAMPLES = Path(__file__).parents[2] / "sample_logs"
FEW = 6


@pytest.mark.slow
def test_scipy_finds_no_better_summit_of_the_same_cost_and_takes_longer() -> None:
    """Effects and departures of a few runs under the spreads that our fit learned, by a trust-region method.

    Both start at the priors, ours with scouts and spreads to learn; both are converged. SciPy takes its slopes by
    differences, ours come from lanes of one integration.
    """
    book = rig.open_bench(SAMPLES / "evening_class")
    problem, _ = make_problem(book.bench, book.runs[:FEW])
    post = fit_melt(problem)
    learned = replace(State.start(problem), spreads=post.spreads, weight=post.weight)
    reached = replace(learned, effects=post.effects, departures=post.departures)
    before = time.process_time()
    fit_melt(problem)
    ours, *_ = climb(problem, reached, most=12, learn_after=12)
    ours_s = time.process_time() - before
    linear = linearise(problem, ours.effects, ours.departures)
    variance = run_variance(problem, learned)
    row, column = np.nonzero(variance > 0.0)
    free = row.size
    sd, effects_sd = np.sqrt(variance[row, column]), effect_sd(problem, learned)
    whiten = np.linalg.cholesky(np.linalg.inv(noise(problem, learned, linear.observed)))

    def state(x: FloatArray) -> State:
        departures = np.zeros((FEW, len(P)))
        departures[row, column] = x[:free] * sd
        effects = problem.random_effects.prior_mean + x[free:] * effects_sd
        return replace(learned, effects=effects, departures=departures)

    def whitened(x: FloatArray) -> FloatArray:
        at = state(x)
        left = evaluate(problem, at.effects, at.departures, linear.steps).residual
        return np.concatenate([np.einsum("roq,ro->rq", whiten, left).ravel(), x])

    before = time.process_time()
    found = least_squares(whitened, np.zeros(free + effects_sd.size), method="trf", xtol=1e-6, ftol=1e-6)
    theirs_s = time.process_time() - before

    def cost_at(at: State) -> float:
        return cost(problem, at, evaluate(problem, at.effects, at.departures, linear.steps).residual)

    print(
        f"\n{FEW} runs, {free + effects_sd.size} unknowns: ours {ours_s:.2f} s of CPU, SciPy {theirs_s:.2f} s "
        f"({found.njev} Jacobians), ratio {theirs_s / ours_s:.1f}; cost {cost_at(ours):.3f} against {found.cost:.3f}"
    )
    assert found.status > 0
    assert found.cost == pytest.approx(cost_at(state(found.x)), rel=1e-6)
    assert cost_at(ours) < found.cost + 0.5


@pytest.mark.slow
def test_a_fit_grows_no_faster_than_its_runs() -> None:
    book = rig.open_bench(SAMPLES / "evening_class")
    rng = np.random.default_rng(4)

    def cpu_s(count: int) -> float:
        made = [book.runs[k % len(book.runs)] for k in range(count)]
        weighed = [replace(r, run=f"m{k}") for k, r in enumerate(made)]
        scattered = [
            r
            if r.strained_mass_g is None
            else replace(r, strained_mass_g=r.strained_mass_g + rng.normal(0, 1))
            for r in weighed
        ]
        before = time.process_time()
        rig.fit(RunBook(book.bench, tuple(scattered)))
        return time.process_time() - before

    few, many = cpu_s(150), cpu_s(600)
    print(
        f"\n150 runs {few:.1f} s of CPU, 600 runs {many:.1f} s: {many / few:.1f} times for four times the runs"
    )
    assert many < 6.0 * few


@dataclass(frozen=True)
class Cost:
    """CPU time [s] and the most memory [MiB] that a process of its own took for one job, and what the job said."""

    cpu_s: float
    peak_mib: float
    told: float


def cost_of(job: Callable[[Path], float], folder: Path) -> Cost:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as alone:
        return alone.submit(_costed, job, folder).result()


def _costed(job: Callable[[Path], float], folder: Path) -> Cost:
    told = job(folder)
    used = resource.getrusage(resource.RUSAGE_SELF)
    return Cost(used.ru_utime + used.ru_stime, peak_mib(), told)


def open_only(folder: Path) -> float:
    return float(len(rig.open_bench(folder).runs))


def fit_all(folder: Path) -> float:
    return float(rig.fit(rig.open_bench(folder)).posterior.converged)


def curve_each(folder: Path) -> float:
    """A saturating exponential through each run's probe, by SciPy: the plain way, which joins no two runs."""

    def course(t: FloatArray, start: float, end: float, per_s: float) -> FloatArray:
        return np.asarray(end + (start - end) * np.exp(-per_s * t))

    count = 0
    for run in rig.open_bench(folder).runs:
        if run.trace is not None and run.trace.probe_c is not None:
            known = np.isfinite(run.trace.probe_c) & (run.trace.time_s >= 0.0)
            t, y = run.trace.time_s[known], run.trace.probe_c[known]
            with suppress(RuntimeError):  # through some runs no such curve goes
                curve_fit(course, t, y, p0=(y[0], y[-1], 0.2), maxfev=400)
            count += 1
    return float(count)


@pytest.mark.slow
def test_three_thousand_runs_settle_in_little_time_and_memory(tmp_path: Path) -> None:
    world = FAMILIES["lumped"](310)
    each = 3000 // len(world.set_ups)
    Bench(world, bench_text(world), {each: sheet_rows(world, each)}, []).write(tmp_path, each)
    opened, ours, plain = (cost_of(job, tmp_path) for job in (open_only, fit_all, curve_each))
    print(
        f"\n3,000 runs: fit {ours.cpu_s - opened.cpu_s:.1f} s of CPU, {ours.peak_mib:.0f} MiB at most "
        f"(opened only: {opened.peak_mib:.0f} MiB); a curve through each by SciPy "
        f"{plain.cpu_s - opened.cpu_s:.1f} s: {(ours.cpu_s - opened.cpu_s) / (plain.cpu_s - opened.cpu_s):.1f} times"
    )
    assert ours.told == 1.0, "not settled"
    assert plain.told == 3000
    assert ours.peak_mib < 400.0


@pytest.mark.slow
def test_one_run_added_costs_little_of_a_whole_fit() -> None:
    """Against the fit from nothing, in the same run."""
    book = rig.open_bench(SAMPLES / "harbour")
    before = rig.fit(replace(book, runs=book.runs[:-1]))

    def cpu_s(warm: rig.Fit | None) -> float:
        start = time.process_time()
        rig.fit(book, warm=warm)
        return time.process_time() - start

    added, anew = cpu_s(before), cpu_s(None)
    print(
        f"\none run added to {len(book.runs) - 1}: {added:.2f} s of CPU, anew {anew:.1f} s: {anew / added:.0f} times"
    )
    assert added < 0.25 * anew
