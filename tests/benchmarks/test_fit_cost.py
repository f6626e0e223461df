"""What a fit costs and where it ends, against SciPy's least squares on the same cost; printed as ratios."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

import rig
from rig.arrays import FloatArray
from rig.fitting.bench_fit import make_problem
from rig.fitting.linear_solve import State, cost, effect_sd, noise, run_variance
from rig.fitting.melt_fit import climb, fit_melt
from rig.fitting.observation_model import linearise, residuals
from rig.fitting.priors import P
from rig.runs import RunBook

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
    steps = linearise(problem, ours.effects, ours.departures).steps
    variance = run_variance(problem, learned)
    row, column = np.nonzero(variance > 0.0)
    free = row.size
    sd, effects_sd = np.sqrt(variance[row, column]), effect_sd(problem, learned)
    seen = residuals(problem, ours.effects, ours.departures, steps)
    whiten = np.linalg.cholesky(np.linalg.inv(noise(problem, learned, np.isfinite(seen))))

    def state(x: FloatArray) -> State:
        departures = np.zeros((FEW, len(P)))
        departures[row, column] = x[:free] * sd
        effects = problem.random_effects.prior_mean + x[free:] * effects_sd
        return replace(learned, effects=effects, departures=departures)

    def whitened(x: FloatArray) -> FloatArray:
        at = state(x)
        left = np.nan_to_num(residuals(problem, at.effects, at.departures, steps))
        return np.concatenate([np.einsum("roq,ro->rq", whiten, left).ravel(), x])

    before = time.process_time()
    found = least_squares(whitened, np.zeros(free + effects_sd.size), method="trf", xtol=1e-6, ftol=1e-6)
    theirs_s = time.process_time() - before

    def cost_of(at: State) -> float:
        return cost(problem, at, np.nan_to_num(residuals(problem, at.effects, at.departures, steps)))

    print(
        f"\n{FEW} runs, {free + effects_sd.size} unknowns: ours {ours_s:.2f} s of CPU, SciPy {theirs_s:.2f} s "
        f"({found.njev} Jacobians), ratio {theirs_s / ours_s:.1f}; cost {cost_of(ours):.3f} against {found.cost:.3f}"
    )
    assert found.status > 0
    assert found.cost == pytest.approx(cost_of(state(found.x)), rel=1e-6)
    assert cost_of(ours) < found.cost + 0.5


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
