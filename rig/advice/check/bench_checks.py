"""The fits of many benches, each held against its own runs by whoever works on it."""

from __future__ import annotations

from dataclasses import dataclass

from rig.advice.check.self_check import SelfCheck, check_own_runs
from rig.errors import NotEnoughData
from rig.fitting.many_benches import BenchTask, fit_of


@dataclass(frozen=True, eq=False)
class BenchChecked:
    """What a bench's own runs say of its fit; `refused` says why there is no fit."""

    bench: str
    title: str = ""
    fingerprint: str | None = None
    check: SelfCheck | None = None
    refused: str | None = None


def check_one(task: BenchTask) -> BenchChecked:
    """Hold a bench's fit against its own runs, each foretold without itself, and its kept calls against what came."""
    try:
        with fit_of(task) as (logbook, fit):
            check = check_own_runs(fit, logbook, task.bench)
    except NotEnoughData as error:
        return BenchChecked(task.bench, refused=str(error))
    return BenchChecked(task.bench, fit.bench.title, fit.fingerprint, check)
