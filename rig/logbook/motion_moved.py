"""When motion started and stopped, said anew of a run that is kept: its trace counts from the start."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

from rig.errors import BenchError, Place
from rig.logbook.changes import keep_history
from rig.logbook.edits import checked_changes, refuse_contradictions
from rig.logbook.intake import store_trace
from rig.logbook.records import blobs_from_trace, trace_digest
from rig.logbook.rows import bench_of, run_row, run_with_trace
from rig.logbook.store import Logbook

LEAST_MOVED_S = 0.05
"""A start that is moved by less stays where it is."""
_MARK = re.compile(r"mark at (-?[\d.]+) s")


def move_motion(
    logbook: Logbook, bench_name: str, run: str, start_s: float, duration_s: float | None, why: str
) -> int:
    """Say anew when a run's motion started [s of its trace as it stands] and how long it went on; its revision.

    Undone like any other change of a run.

    Raises
    ------
    BenchError
        A start outside the trace, a run without one, a duration that cannot be.
    NotFound
        No such bench or run.
    """
    with logbook._step(bench_name, why) as (connection, made):
        row = run_row(connection, made.bench_id, run, for_update=True)
        before, bench = run_with_trace(connection, row), bench_of(connection, made.bench_id)
        record = checked_changes(bench, run, {"duration_s": duration_s})
        refuse_contradictions(bench, before, record)
        if not abs(start_s) < LEAST_MOVED_S:
            if before.trace is None:
                raise BenchError(
                    "it has no trace whose start could be moved", Place(run=run), "Give it one first"
                )
            first_s, last_s = before.trace.time_s[0], before.trace.time_s[-1]
            if not first_s <= start_s < last_s:  # nor where it is no number
                raise BenchError(
                    f"its trace goes from {first_s:.1f} to {last_s:.1f} s; motion cannot start at {start_s:.1f} s",
                    Place(run=run),
                    "Give a moment within it",
                )
            trace = replace(before.trace, time_s=before.trace.time_s - start_s)
            record |= {"trace": trace_digest(trace), "extra": _marks_moved(before.extra, start_s)}
            if before.started_at is not None:
                record["started_at"] = (before.started_at + timedelta(seconds=start_s)).isoformat()
            store_trace(connection, str(record["trace"]), trace, blobs_from_trace(trace))
        return made.changed(row, keep_history(connection, row, record, made.why))


def _marks_moved(extra: Mapping[str, str], start_s: float) -> dict[str, str]:
    """What was noted of a run, with its marks at the same moments as before."""
    moved = {}
    for key, text in extra.items():
        mark = _MARK.fullmatch(key)
        moved[f"mark at {float(mark[1]) - start_s:.1f} s" if mark else key] = text
    return moved
