"""How long the dashboard's own work takes on 10,000 runs and on a million samples; printed, sanity alone asserted.

Goal for both: far enough below a second that a page with its drawing in the browser is ready within one.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.figures.traces import trace_figure
from dashboard.page import Here
from dashboard.pages import runs
from dashboard.params import params_of_query
from dashboard.service import Service
from dashboard.sources import logbook_source
from rig.logbook.listing import RunFilter
from rig.report.look import LIGHT
from rig.report.thinning import MOST_POINTS, thinned
from rig.runs import Run, Trace
from tests.benchmarks.long_logbook import long_logbook

RUNS = 10_000
QUERIES = (
    "",
    "page=100",
    "ice=cracked&recipe=night+shift",
    "words=slipped",
    "session=evening+7",
    "verdict=excluded",
)


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return long_logbook(tmp_path_factory.mktemp("long") / "long.sqlite", RUNS)


def best_ms(work: Callable[[], Any], times: int = 5) -> float:
    """The quickest of several, which a busy machine disturbs least."""
    taken = []
    for _ in range(times):
        before = time.perf_counter()
        work()
        taken.append(time.perf_counter() - before)
    return 1000 * min(taken)


@pytest.mark.slow
def test_a_list_of_ten_thousand_runs_is_made_by_the_database(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = logbook_source(str(file))
    listing = source.listing("long")
    print()
    for name, work in (
        ("stamp", lambda: source.stamp("long")),
        ("facets", lambda: listing.facets("long")),
        ("first page", lambda: listing.page("long", RunFilter(), 0, 40)),
        ("last page", lambda: listing.page("long", RunFilter(), RUNS - 40, 40)),
        ("search", lambda: listing.page("long", RunFilter(words="slipped"), 0, 40)),
        ("one run with its trace", lambda: source.run("long", "r05000")),
    ):
        print(f"{name:>24}: {best_ms(work):7.1f} ms")
    service = Service(source)
    monkeypatch.setattr(
        service, "look", lambda name: runs.Working(name, 0.0)
    )  # a page of runs waits for no fit
    for query in QUERIES:
        here = Here(service, "long", None, "", params_of_query(query))
        print(f"{query or 'all runs':>32}: {best_ms(lambda here=here: runs.layout(here), 3):7.1f} ms of page")
    assert listing.page("long", RunFilter(), 0, 40).total == RUNS
    assert listing.page("long", RunFilter(words="slipped"), 0, 40).total == len(range(0, RUNS, 97))
    source.lists.close()
    source.logbook.close()


@pytest.mark.slow
def test_the_runs_to_fit_of_a_long_bench_are_read_without_the_rest(file: Path) -> None:
    source = logbook_source(str(file))
    print(f"\nbook to fit: {best_ms(lambda: source.book('long'), 1):7.1f} ms")
    assert len(source.book("long").runs) == source.most_fitted
    source.lists.close()
    source.logbook.close()


@pytest.mark.slow
def test_a_million_samples_are_drawn_with_few_points() -> None:
    rng = np.random.default_rng(5)
    time_s = np.linspace(0.0, 3600.0, 1_000_000)
    values = np.cumsum(rng.normal(0, 0.01, time_s.size))
    values[654_321] = 60.0  # one spike among a million
    run = Run("long", "shake", "tin", "cube", "night shift", trace=Trace(time_s, {"": values}))
    whole = thinned(time_s, values)
    print(f"\nthinned whole: {best_ms(lambda: thinned(time_s, values)):6.1f} ms, {whole.size} points")
    near = (2000.0, 2400.0)
    print(f"thinned close: {best_ms(lambda: thinned(time_s, values, between_s=near)):6.1f} ms")
    print(f"figure: {best_ms(lambda: trace_figure(run, None, LIGHT).to_json()):6.1f} ms")
    assert whole.size <= MOST_POINTS
    assert 654_321 in whole
