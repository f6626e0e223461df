"""Many benches of a logbook, one task each; whoever works on one opens the logbook, and its fit is kept there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar

from rig.errors import NotEnoughData, RigError
from rig.fitting.kept_fit import fit_or_kept
from rig.fitting.result import Fit, Verdict
from rig.fitting.version import model_version
from rig.logbook.store import Logbook, open_logbook
from rig.work import Opening, each_done

R = TypeVar("R")


@dataclass(frozen=True)
class BenchTask:
    """Which bench is to be worked on, where, and by which version of the model."""

    logbook: str
    bench: str
    version: str


@dataclass(frozen=True)
class BenchFitted:
    """What came of a bench: how many runs its fit has, how many are doubted; `refused` says why there is none."""

    bench: str
    runs: int = 0
    doubtful: int = 0
    converged: bool = True
    fingerprint: str | None = None
    refused: str | None = None


def each_bench(
    work: Callable[[BenchTask], R],
    logbook: str,
    benches: Sequence[str],
    workers: Opening,
    progress: Callable[[float], None],
) -> Iterator[R]:
    """What the work comes to for each of these benches of the logbook at an address, in the order they get done.

    Raises
    ------
    RigError
        Where a worker cannot open the logbook, or is of another version.
    """
    tasks = [BenchTask(logbook, bench, model_version()) for bench in benches]
    for _, found in each_done(workers, work, tasks, progress):
        yield found


@contextmanager
def fit_of(task: BenchTask) -> Iterator[tuple[Logbook, Fit]]:
    """The task's logbook, open meanwhile, and the fit of its bench; kept there as soon as it is made.

    Raises
    ------
    NotEnoughData
        Where no run of it can be fitted.
    RigError
        Where this is another version than that of whoever asks.
    """
    if task.version != model_version():
        raise RigError("a worker has another version of chillrig than you. Install the same one everywhere")
    with open_logbook(task.logbook) as logbook:
        yield logbook, fit_or_kept(logbook.book(task.bench), logbook, task.bench)


def fit_one(task: BenchTask) -> BenchFitted:
    """Fit a bench."""
    try:
        with fit_of(task) as (_, fit):
            verdicts = [run.verdict for run in fit.runs]
    except NotEnoughData as error:
        return BenchFitted(task.bench, refused=str(error))
    doubtful = verdicts.count(Verdict.DOUBTFUL)
    return BenchFitted(
        task.bench,
        runs=verdicts.count(Verdict.GOOD) + doubtful,
        doubtful=doubtful,
        converged=fit.posterior.converged,
        fingerprint=fit.fingerprint,
    )
