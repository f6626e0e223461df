"""Tables joined into one run: their trace on a common clock, where motion began, and what the run keeps of it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from rig.arrays import FloatArray
from rig.bench import Bench
from rig.consistency.judging import judged
from rig.errors import ModelRangeError, Place, RigError, TableRefused
from rig.importing.proposal import Proposal
from rig.importing.tables import Table
from rig.importing.tabular.as_trace import trace_from_tables
from rig.runs import Finding, Run, RunBook, Trace

READ_FROM, READ_AS, LEFT_OUT = "read from", "read as", "left out while reading"
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?", re.ASCII)
_NOISE_STEPS = 4.0
_LEAST_FALL_K = 0.5
_FEWEST_BEFORE = 3
_MOST_SAID = 1500


@dataclass(frozen=True)
class Joined:
    """Tables on one clock: the trace from the start of motion, and the moment of that start where known."""

    trace: Trace
    motion_at_s: float
    started_at: datetime | None


def join(
    tables: Sequence[Table], *, marks_s: Mapping[str, float] | None = None, motion: float | None = None
) -> Joined:
    """Join tables into one trace whose time 0 is the start of motion.

    Parameters
    ----------
    tables : one or more
    marks_s : by file name, the moment in its own time (from its time 0) that is the same in all files [s];
        without marks the tables' own clocks align them
    motion : when motion began, after the first table's time 0 [s]; None finds it in the trace

    Raises
    ------
    TableRefused
        Where the tables have no common clock, or no start of motion can be found.
    """
    starts = None
    if marks_s:
        missing = [t.file for t in tables if t.file not in marks_s]
        if missing and len(tables) > 1:
            raise TableRefused(f"{missing[0]} has no mark", missing[0], cure="Give each file a mark, or none")
        starts = [-marks_s.get(t.file, 0.0) for t in tables]
    trace = trace_from_tables(tables, starts_s=starts)
    if motion is None:
        motion = motion_start_s(trace)
        if motion is None:
            raise TableRefused(
                "no start of motion stands out in the readings", tables[0].file, cure="Say when it was"
            )
    shifted = replace(trace, time_s=trace.time_s - motion)
    first = tables[0].started_at
    return Joined(shifted, motion, None if first is None else first + timedelta(seconds=motion))


def moment_s(text: str, file: str, table: Table | None) -> float:
    """A moment after a table's time 0 [s], written as seconds of the file's own time or as a time of day.

    Raises
    ------
    RigError, ModelRangeError
        Where the file holds no time of day; where the text is neither.
    """
    if clock := _CLOCK.fullmatch(text.strip()):
        if table is None or table.clock_s is None:
            raise RigError(f"{file} holds no time of day. Give seconds instead of {text!r}")
        hours, minutes, seconds = clock.groups()
        moment = int(hours) * 3600 + int(minutes) * 60 + float(seconds or 0)
        return float((moment - table.clock_s) % 86400.0)
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise ModelRangeError(f"{text!r} is neither seconds nor a time of day")
    return value - ((table.own_zero_s or 0.0) if table else 0.0)


def own_motion_s(table: Table) -> float | None:
    """When motion began by the file's own time, which then counts from it [s]; None where it does not."""
    zero = table.own_zero_s
    return -zero if zero is not None and zero < 0 else None


def motion_start_s(trace: Trace) -> float | None:
    """When motion began [s]: the first stroke of a cadence, else where the main probe begins to fall for good.

    A probe's start is the last reading within four standard deviations (at least 0.5 K) of the level before
    the steepest fall. None where neither is there, or the fall stands at the very beginning.
    """
    if trace.cadence_hz is not None:
        moving = np.flatnonzero(np.nan_to_num(trace.cadence_hz) > 0)
        return float(trace.time_s[moving[0]]) if len(moving) else None
    if trace.probe_c is None:
        return None
    read = np.isfinite(trace.probe_c)
    return _fall_start_s(trace.time_s[read], trace.probe_c[read])


def _fall_start_s(time_s: FloatArray, temp_c: FloatArray) -> float | None:
    if len(time_s) < 2 * _FEWEST_BEFORE:
        return None
    steepest = int(np.argmin(np.diff(temp_c) / np.diff(time_s)))
    before = temp_c[: steepest + 1]
    for _ in range(2):  # the level from the readings before the fall, then again without its first slope
        level = float(np.median(before))
        spread = 1.4826 * float(np.median(np.abs(before - level)))
        near = np.flatnonzero(temp_c[: steepest + 1] >= level - max(_NOISE_STEPS * spread, _LEAST_FALL_K))
        if not len(near):
            return None
        before = temp_c[: near[-1] + 1]
    if len(before) < _FEWEST_BEFORE or temp_c[near[-1]] - float(temp_c[near[-1] :].min()) < 2 * _LEAST_FALL_K:
        return None
    return float(time_s[near[-1]])


def with_trace(run: Run, joined: Joined, proposals: Sequence[Proposal]) -> Run:
    """The run with a joined trace, its start where it had none, and what the files were taken for."""
    said = {
        READ_FROM: "; ".join(
            f"{p.file} (SHA-256 {hashlib.sha256(p.raw).hexdigest()[:16]})" for p in proposals
        ),
        READ_AS: "; ".join(
            f"{p.file} column {c.position}{f' {c.header!r}' if c.header else ''}: {c.taken_for}"
            for p in proposals
            for c in p.columns
        ),
        LEFT_OUT: "; ".join(f"{p.file}: {d}" for p in proposals for d in p.dropped),
    }
    return replace(
        run,
        trace=joined.trace,
        trace_file=None,
        started_at=run.started_at or joined.started_at,
        extra={**run.extra, **{k: v[:_MOST_SAID] for k, v in said.items() if v}},
    )


def judged_book(bench: Bench, run: Run, proposals: Sequence[Proposal]) -> RunBook:
    """The run as a book: without values that cannot be, with what was found in it and in its files."""
    (one,) = judged(bench, [run])
    return RunBook(bench, (one.run,), (*findings_of(proposals, run.run), *one.findings(Place())))


def findings_of(proposals: Sequence[Proposal], run: str) -> tuple[Finding, ...]:
    """What was left out or assumed in the files, as findings on the run."""
    return tuple(
        replace(f, place=replace(f.place, run=run))
        for p in proposals
        if p.table is not None
        for f in p.table.report.findings()
    )
