"""Work comes out the same wherever it is done, and whoever dies over it."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from fcntl import LOCK_EX, LOCK_SH, LOCK_UN, flock
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from distributed import Client, LocalCluster, Scheduler

from rig.advice.check.bench_checks import check_one
from rig.advice.check.self_check import check_own_runs
from rig.answer_units import LAB_UNITS
from rig.errors import NotFound, RigError
from rig.fitting.kept_fit import fit_from_bytes
from rig.fitting.many_benches import BenchTask, each_bench, fit_one
from rig.importing.bench_folder import open_bench
from rig.logbook.store import open_logbook
from rig.report.bench_reports import report_one
from rig.report.page import make_report, render
from rig.work import Workers, each_done, is_cluster, workers_on
from tests.cli.small_bench import small_bench
from tests.shared_fits import fitted

HOLD = "hold"
TASKS = [(n, "") for n in range(12)]
BENCHES = ("corner", "pier")

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """A real Dask cluster of two worker processes on this computer."""
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as cluster:
        yield cluster.scheduler_address


@pytest.fixture(params=["here", "processes", "cluster"])
def place(request: pytest.FixtureRequest) -> str:
    return request.getfixturevalue("scheduler") if request.param == "cluster" else request.param


@pytest.fixture(params=["processes", "cluster"])
def elsewhere(request: pytest.FixtureRequest) -> str:
    return request.getfixturevalue("scheduler") if request.param == "cluster" else request.param


def squared(task: tuple[int, str]) -> int:
    return task[0] ** 2


def squared_after_a_death(task: tuple[int, str]) -> int:
    """The fifth kills the process that works on it, the first time it is tried."""
    once = Path(task[1]) / "died"
    if task[0] == 5 and not once.exists():
        once.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return task[0] ** 2


def deadly(task: tuple[int, str]) -> int:
    os.kill(os.getpid(), signal.SIGKILL)
    return task[0]


def refusing(task: tuple[int, str]) -> int:
    """The first refuses, with an error that cannot be put together again from its words; the others may be held."""
    if task[0] == 0:
        raise NotFound("bench", "pier", ["harbour"])
    with (Path(task[1]) / HOLD).open("rb") as gate:
        flock(gate, LOCK_SH)
        (Path(task[1]) / str(task[0])).touch()
    return task[0]


@contextmanager
def held_until_taken_back(place: str, folder: Path) -> Iterator[Workers]:
    """Workers whose tasks are held until those not begun are known to have been taken back."""
    with (folder / HOLD).open("wb") as gate, workers_on(place)() as workers:
        flock(gate, LOCK_EX)
        try:
            yield workers
        finally:
            if is_cluster(place):
                with Client(place) as other:
                    other.run_on_scheduler(_taken_back)
            flock(gate, LOCK_UN)


async def _taken_back(dask_scheduler: Scheduler) -> None:
    while len(dask_scheduler.tasks) > 1:  # whoever asked still holds the refusal
        await asyncio.sleep(0.01)


def test_every_task_comes_back_with_its_result(place: str) -> None:
    shares: list[float] = []
    found = dict(each_done(workers_on(place), squared, TASKS, shares.append))
    assert found == {task: task[0] ** 2 for task in TASKS}
    assert shares == sorted(shares)
    assert len(shares) == len(TASKS)
    assert shares[-1] == 1.0


def test_a_worker_killed_half_way_changes_nothing(elsewhere: str, tmp_path: Path) -> None:
    tasks = [(n, str(tmp_path)) for n, _ in TASKS]
    found = dict(each_done(workers_on(elsewhere), squared_after_a_death, tasks))
    assert (tmp_path / "died").exists()
    assert found == {task: task[0] ** 2 for task in tasks}


def test_a_task_that_kills_whoever_works_on_it_is_not_tried_for_ever() -> None:
    with pytest.raises(RigError, match="workers died 3 times in a row and 2 of 2 tasks"):
        list(each_done(workers_on("processes"), deadly, TASKS[:2]))


def test_what_is_refused_is_said_in_its_own_words_and_ends_the_rest(place: str, tmp_path: Path) -> None:
    tasks = [(n, str(tmp_path)) for n in range(400)]
    with pytest.raises(RigError, match="no bench 'pier'"):
        list(each_done(lambda: held_until_taken_back(place, tmp_path), refusing, tasks))
    assert len([n for n in tmp_path.iterdir() if n.name != HOLD]) < len(tasks) // 10


def test_who_stops_listening_takes_back_what_has_not_begun(tmp_path: Path) -> None:
    (tmp_path / HOLD).touch()
    tasks = [(n, str(tmp_path)) for n in range(1, 4000)]
    done = each_done(workers_on("here"), refusing, tasks)
    next(done)
    done.close()  # type: ignore[attr-defined]
    assert len([n for n in tmp_path.iterdir() if n.name != HOLD]) < len(tasks)


def test_a_place_that_is_none_is_refused_with_what_to_say() -> None:
    with pytest.raises(RigError, match="--on processes"):
        workers_on("the cellar")


@pytest.fixture(scope="module")
def logbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two benches, none fitted."""
    folder = tmp_path_factory.mktemp("two")
    book = open_bench(small_bench(folder / "corner"))
    file = folder / "bars.sqlite"
    with open_logbook(file) as opened:
        opened.add(book, "corner", "test")
        opened.add(replace(book, runs=book.runs[:-3]), "pier", "test")
    return file


def test_benches_are_fitted_and_kept_alike_wherever_it_is_done(
    logbook: Path, place: str, tmp_path: Path
) -> None:
    own = tmp_path / "own.sqlite"
    own.write_bytes(logbook.read_bytes())
    found = {f.bench: f for f in each_bench(fit_one, str(own), BENCHES, workers_on(place), lambda _: None)}
    with open_logbook(own) as opened:
        for name in BENCHES:
            book = opened.book(name)
            kept, alone = fit_from_bytes(opened.last_cached(name), book), fitted(book)
            assert kept is not None
            assert found[name].fingerprint == alone.fingerprint
            assert np.array_equal(kept.posterior.effects, alone.posterior.effects)
            assert kept.runs == alone.runs


def test_checks_and_reports_are_alike_wherever_they_are_made(
    logbook: Path, place: str, tmp_path: Path
) -> None:
    own = tmp_path / "own.sqlite"
    own.write_bytes(logbook.read_bytes())
    made_at = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
    report = partial(report_one, made_at=made_at, units=LAB_UNITS)
    checked, reported = (
        {f.bench: f for f in each_bench(work, str(own), BENCHES, workers_on(place), lambda _: None)}
        for work in (check_one, report)
    )
    with open_logbook(own) as opened:
        for name in BENCHES:
            alone = fitted(opened.book(name))
            check = checked[name].check
            assert check is not None
            assert check.to_dict() == check_own_runs(alone, opened, name).to_dict()
            assert reported[name].page == render(make_report(alone), made_at)


def test_a_worker_of_another_version_says_so(logbook: Path) -> None:
    with pytest.raises(RigError, match="another version"):
        fit_one(BenchTask(str(logbook), "corner", "older"))
