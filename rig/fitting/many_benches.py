"""The fits of many benches of a logbook, each made and kept by a worker that opens the logbook itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from rig.errors import NotEnoughData, RigError
from rig.fitting.kept_fit import fit_or_kept
from rig.fitting.result import Verdict
from rig.fitting.version import model_version
from rig.logbook.store import open_logbook
from rig.work import Opening, each_done


@dataclass(frozen=True)
class BenchTask:
    """Which bench a worker is to fit, where, and by which version of the model."""

    logbook: str
    bench: str
    version: str

    def refuse_other_version(self) -> None:
        """Refuse to work for another version of the model, whose answers would be others."""
        if self.version != model_version():
            raise RigError(
                "a worker has another version of chillrig than you. Install the same one everywhere"
            )


@dataclass(frozen=True)
class BenchFitted:
    """What came of a bench: how many runs its fit has, how many are doubted; `refused` says why there is none."""

    bench: str
    runs: int = 0
    doubtful: int = 0
    converged: bool = True
    fingerprint: str | None = None
    refused: str | None = None


def fit_benches(
    logbook: str, benches: Sequence[str], workers: Opening, progress: Callable[[float], None]
) -> Iterator[BenchFitted]:
    """Fit these benches of the logbook at an address, as they get done; each fit is kept in it as soon as it is made.

    Raises
    ------
    RigError
        Where a worker cannot open the logbook, or is of another version.
    """
    tasks = [BenchTask(logbook, bench, model_version()) for bench in benches]
    for _, found in each_done(workers, fit_one, tasks, progress):
        yield found


def fit_one(task: BenchTask) -> BenchFitted:
    """The task of one worker."""
    task.refuse_other_version()
    with open_logbook(task.logbook) as logbook:
        try:
            fit = fit_or_kept(logbook.book(task.bench), logbook, task.bench)
        except NotEnoughData as error:
            return BenchFitted(task.bench, refused=str(error))
    verdicts = [run.verdict for run in fit.runs]
    doubtful = verdicts.count(Verdict.DOUBTFUL)
    return BenchFitted(
        task.bench,
        runs=verdicts.count(Verdict.GOOD) + doubtful,
        doubtful=doubtful,
        converged=fit.posterior.converged,
        fingerprint=fit.fingerprint,
    )
