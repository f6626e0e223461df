"""How the drinks of a session did so far: how many landed, and how near those by feel were to the best moment."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from rig.advice.live.verdict import kept_landed
from rig.advice.rehearsal.by_feel import by_feel
from rig.fitting.result import Fit
from rig.logbook.store import Logbook
from rig.runs import Run


def alike(logbook: Logbook, bench_name: str, run: Run) -> Sequence[Run]:
    """The drinks like this one, by the same hands in the same session on the same day."""
    listed = logbook.list_runs(bench_name, session=run.session, recipe=run.recipe, technique=run.technique)
    return [
        r.run
        for r in listed
        if (r.run.operator, r.run.session, r.run.target) == (run.operator, run.session, run.target)
        and _day(r.run) == _day(run)
    ]


def tally_words(runs: Sequence[Run], run: Run) -> str:
    """How many of the drinks like this one landed."""
    told = [landed for r in runs if (landed := kept_landed(r)) is not None]
    if not told:
        return ""
    whose = f" · {run.operator}" if run.operator else ""
    where = f" · {run.session}" if run.session else ""
    return f"{sum(told)} of {len(told)} landed{whose}{where}"


def score_of(fit: Fit, runs: Sequence[Run], run: Run) -> dict[str, str] | None:
    """How near the drinks by feel were, in words; None where this one was guided, or could not be judged."""
    found = by_feel(fit, runs) if run.is_blind else None
    if found is None:
        return None
    last = next((s.words for s in found.stops if s.run == run.run), "")
    return {
        "last": last,
        "timing": found.timing_words,
        "missed": found.missed_words,
        "rate": found.rate_words,
        "practise": found.practise,
    }


def _day(run: Run) -> date | None:
    return None if run.started_at is None else run.started_at.astimezone().date()
