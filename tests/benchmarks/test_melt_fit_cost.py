"""A thousand runs fitted at once, against SciPy one run at a time with the same cost function.

The baseline fits a run's parameters with `scipy.optimize.least_squares`, each trial integrated by
`scipy.integrate.solve_ivp` (LSODA) over the same right-hand side. It is timed on two runs and scaled.
Ratios are printed, and only the memory and the sanity of the baseline are asserted.
"""

from __future__ import annotations

import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares

import rig
from rig.fitting.bench_fit import make_problem
from rig.fitting.evidence import BINS
from rig.fitting.melt_fit import fit_melt
from rig.fitting.observing import Problem, expected
from rig.fitting.priors import LAG_MEDIAN_S, LATE_G, P
from rig.fitting.situation import inputs_for
from rig.physics.melt import _Lane, lagged

BENCH = Path(__file__).parents[2] / "sample_logs" / "harbour"
RUNS = 1000
SPREAD = np.array(
    [0.3, 0.5, 0.4, 0.35, 0.4, 0.2, 0.6, 0.6, 0.8, 0.03, 0.4, 1.0, 0.01, 1.0, 0.8, 0.25, 0.8, 0.6]
)


@pytest.fixture(scope="module")
def problem() -> Problem:
    book = rig.open_bench(BENCH)
    runs = [r for r in book.runs if r.trace is not None and r.duration_s and r.strained_mass_g]
    return make_problem(book.bench, runs)[0]


def one_by_one(problem: Problem, row: int) -> tuple[np.ndarray, float]:
    """Fit one run as SciPy would; the parameters and the CPU seconds it took."""
    rows = np.array([row])
    seen = np.isfinite(problem.evidence.bin_temp_c[row])
    observed = np.append(problem.evidence.bin_temp_c[row][seen], problem.evidence.strained_g[row])
    duration = float(problem.evidence.duration_s[row])
    noise = np.append(np.full(seen.sum(), 0.2), 0.9)

    def residuals(p: np.ndarray) -> np.ndarray:
        parameters = p[None, :]
        lane = _Lane(problem.nominal.curves.take(rows), inputs_for(problem.nominal, parameters, rows))
        course = solve_ivp(
            lambda t, s: lane.rate(np.array([t]), s[:, None])[0][:, 0],
            (0.0, duration),
            lane.start()[:, 0],
            method="LSODA",
            dense_output=True,
            rtol=1e-6,
            atol=1e-6,
        )
        nodes = np.linspace(0.0, duration, 60)
        state = course.sol(nodes)
        temp = np.array([lane.rate(nodes[k : k + 1], state[:, k : k + 1])[1][0] for k in range(60)])
        start = problem.evidence.probe_start_c[rows] - p[P.OFFSET]
        lag = np.array([LAG_MEDIAN_S * np.exp(p[P.LAG])])
        shown = lagged(nodes[:, None], temp[:, None], lag, start)[:, 0] + p[P.OFFSET]
        expected = _expected_strained(problem, row, p, float(state[1, -1]))
        told = np.append(np.interp(problem.evidence.bin_time_s[row][seen], nodes, shown), expected)
        return np.append((told - observed) / noise, p / SPREAD)

    before = time.process_time()
    found = least_squares(residuals, np.zeros(len(P)), x_scale=SPREAD, diff_step=1e-3, max_nfev=30)
    return found.x, time.process_time() - before


def _expected_strained(problem: Problem, row: int, p: np.ndarray, melt_g: float) -> float:
    n = problem.nominal
    wet = float(n.wet_fraction[row] * np.exp(p[P.WET]) * n.inputs.ice_mass_g[row] * np.exp(p[P.ICE_MASS]))
    held = float(n.held_back_g[row] + p[P.HELD])
    return float(n.drink_mass_g[row]) + melt_g + wet + LATE_G + float(p[P.LATE]) - held


def tiled(problem: Problem, runs: int) -> Problem:
    return problem.subset(np.resize(np.arange(len(problem)), runs))


@pytest.mark.slow
def test_a_thousand_runs_at_once_against_one_at_a_time(problem: Problem) -> None:
    fits = [one_by_one(problem, row) for row in (0, len(problem) // 2)]
    alone_s = float(np.mean([seconds for _, seconds in fits]))
    many = tiled(problem, RUNS)
    before = time.process_time()
    posterior = fit_melt(many)
    together_s = time.process_time() - before
    print(
        f"\n{RUNS} runs at once {together_s:.1f} s; SciPy {alone_s:.2f} s a run; "
        f"ratio {alone_s * RUNS / together_s:.0f} (goal 100)"
    )
    assert np.all(np.isfinite(posterior.effects))
    # the baseline solves the same problem: its fit explains its run
    x, _ = fits[0]
    told, _ = expected(problem, x[None, :], np.array([0]))
    seen = np.isfinite(problem.evidence.bin_temp_c[0])
    assert np.std(told[0, :BINS][seen] - problem.evidence.bin_temp_c[0][seen]) < 1.0


@pytest.mark.slow
def test_memory_beyond_the_data_does_not_grow_with_the_runs(problem: Problem) -> None:
    def peak(runs: int) -> float:
        many = tiled(problem, runs)
        tracemalloc.start()
        fit_melt(many)
        top = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return top / 1e6

    small, large = peak(100), peak(400)
    # what is kept per run: slopes by parameter and effect, covariances; some 60 kB
    per_run_mb = (large - small) / 300
    print(f"\npeak {small:.0f} MB at 100 runs, {large:.0f} MB at 400: {per_run_mb * 1000:.0f} kB a run")
    assert per_run_mb < 0.25
