"""The reports of many benches, each made by whoever works on it; the page travels back as text."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rig.answer_units import AnswerUnits
from rig.errors import NotEnoughData
from rig.fitting.many_benches import BenchTask, fit_of
from rig.report.page import make_report, render


@dataclass(frozen=True)
class BenchReported:
    """A bench's page as HTML text, and how many runs it tells of; `refused` says why there is none."""

    bench: str
    runs: int = 0
    page: str | None = None
    refused: str | None = None


def report_one(task: BenchTask, made_at: datetime, units: AnswerUnits) -> BenchReported:
    """The report of one bench; `made_at` is printed on it."""
    try:
        with fit_of(task) as (_, fit):
            page = render(make_report(fit), made_at, units)
    except NotEnoughData as error:
        return BenchReported(task.bench, refused=str(error))
    return BenchReported(task.bench, len(fit.runs), page)
