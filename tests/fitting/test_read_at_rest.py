"""A thermometer that is read once the drink has come to rest has settled: it lags behind nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.fitting.bench_fit import make_problem
from rig.fitting.observation_model import expected, linearise
from rig.fitting.observations import BINS
from rig.fitting.priors import P
from rig.runs import RunBook, Trace

OFFSET_K = 0.3


def book_read_at_rest(evening: RunBook, *, before: bool) -> RunBook:
    """The same shaken runs read by a thermometer: at the end, and before the ice or not."""
    runs = []
    for run in evening.runs:
        if run.technique == "shake" and run.duration_s is not None:
            at = [0.0, run.duration_s] if before else [run.duration_s]
            runs.append(replace(run, trace=Trace(np.array(at), {"": np.array([22.0, -3.0][-len(at) :])})))
    return replace(evening, runs=tuple(runs))


@pytest.mark.parametrize("before", [True, False])
def test_what_it_reads_is_the_drink_however_slow_the_benchs_probe_is(evening: RunBook, before: bool) -> None:
    problem, _ = make_problem(evening.bench, book_read_at_rest(evening, before=before).runs)
    assert problem.observations.at_rest.all()
    rows = np.arange(len(problem))
    parameters = np.zeros((len(problem), len(P)))
    parameters[:, P.LAG], parameters[:, P.OFFSET] = np.log(6.0), OFFSET_K
    shown, course = expected(problem, parameters, rows, 200)
    assert shown[:, BINS - 1] == pytest.approx(course.temp_c[-1] + OFFSET_K, abs=1e-6)
    slopes = linearise(problem, np.zeros(len(problem.random_effects)), np.zeros((len(problem), len(P))))
    assert np.all(slopes.by_parameter[:, BINS - 1, P.LAG] == 0.0)
    assert slopes.by_parameter[:, BINS - 1, P.OFFSET] == pytest.approx(1.0)


def test_a_probe_that_is_read_all_along_lags(evening: RunBook) -> None:
    runs = [
        r for r in evening.runs if r.technique == "shake" and r.trace is not None and len(r.trace.time_s) > 20
    ]
    problem, _ = make_problem(evening.bench, runs)
    assert not problem.observations.at_rest.any()
    slow = np.zeros((len(problem), len(P)))
    slow[:, P.LAG] = np.log(6.0)
    shown, course = expected(problem, slow, np.arange(len(problem)), 200)
    assert np.all(shown[:, BINS - 1] > course.temp_c[-1] + 0.1)
