"""How the drinks of one hand and session have landed so far."""

from __future__ import annotations

from datetime import date

from rig.advice.verdict import kept_landed
from rig.logbook.store import Logbook
from rig.runs import Run


def tally_words(logbook: Logbook, bench_name: str, run: Run) -> str:
    """How many of the drinks like this one, by the same hands in the same session on the same day, landed."""
    listed = logbook.list_runs(bench_name, session=run.session, recipe=run.recipe, technique=run.technique)
    alike = [
        r.run
        for r in listed
        if (r.run.operator, r.run.session, r.run.target) == (run.operator, run.session, run.target)
        and _day(r.run) == _day(run)
    ]
    told = [landed for r in alike if (landed := kept_landed(r)) is not None]
    if not told:
        return ""
    whose = f" · {run.operator}" if run.operator else ""
    where = f" · {run.session}" if run.session else ""
    return f"{sum(told)} of {len(told)} landed{whose}{where}"


def _day(run: Run) -> date | None:
    return None if run.started_at is None else run.started_at.astimezone().date()
