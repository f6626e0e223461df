"""Tables joined into one run: their trace on a common clock, where motion began, and what the run keeps of it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from rig.bench import Bench
from rig.consistency.judging import judged
from rig.errors import ModelRangeError, Place, RigError, StartUnclear, TableRefused
from rig.importing.proposal import Proposal
from rig.importing.tables import Table
from rig.importing.tabular.as_trace import trace_from_tables
from rig.runs import Finding, Gravity, Run, RunBook, Trace
from rig.signals.moments import Moment, Source
from rig.signals.motion import APART_S, start_of_motion
from rig.units import typed

READ_FROM, READ_AS, LEFT_OUT = "read from", "read as", "left out while reading"
MOTION_START = "start of motion"
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?", re.ASCII)
_MOST_SAID = 1500


@dataclass(frozen=True)
class Joined:
    """Tables on one clock: the trace from the start of motion, that start after the first table's time 0, its date.

    `doubts` are what is not clear about the start.
    """

    trace: Trace
    start: Moment
    started_at: datetime | None
    first: Table
    doubts: tuple[str, ...] = ()

    @property
    def own_start_s(self) -> float:
        """Where motion starts in the first file's own time [s]."""
        return self.start.time_s + (self.first.own_zero_s or 0.0)

    @property
    def start_words(self) -> str:
        """That, how well it is known, and on what grounds."""
        band = f" ± {2.0 * self.start.uncertainty_s:.1f} s" if self.start.uncertainty_s else ""
        return f"motion starts at {self.own_start_s:.1f} s{band} of {self.first.file}: {self.start.grounds}"


def join(
    tables: Sequence[Table], *, marks_s: Mapping[str, float] | None = None, start: Moment | None = None
) -> Joined:
    """Join tables into one trace whose time 0 is the start of motion.

    Parameters
    ----------
    tables : one or more
    marks_s : by file name, the moment in its own time (from its time 0) that is the same in all files [s];
        without marks the tables' own clocks align them
    start : when motion began, after the first table's time 0; None finds it in the readings

    Raises
    ------
    TableRefused
        Where the tables have no common clock; where the start of motion is not clear.
    """
    starts = None
    if marks_s:
        missing = [t.file for t in tables if t.file not in marks_s]
        if missing and len(tables) > 1:
            raise TableRefused(f"{missing[0]} has no mark", missing[0], cure="Give each file a mark, or none")
        starts = [-marks_s.get(t.file, 0.0) for t in tables]
    trace = trace_from_tables(tables, starts_s=starts)
    first = tables[0]
    moment, doubts = _start_in(trace, first, start)
    shifted = replace(trace, time_s=trace.time_s - moment.time_s)
    began = None if first.started_at is None else first.started_at + timedelta(seconds=moment.time_s)
    return Joined(shifted, moment, began, first, doubts)


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
        value = typed(text, "s")
    except ModelRangeError as error:
        raise ModelRangeError(f"{text!r} is neither seconds nor a time of day") from error
    return value - ((table.own_zero_s or 0.0) if table else 0.0)


def own_start(table: Table) -> Moment | None:
    """The start of motion by the file's own time, which then counts from it; None where it does not."""
    zero = table.own_zero_s
    if zero is None or zero >= 0:
        return None
    return Moment(-zero, 0.0, Source.FILE, "the file's own time counts from it")


def told_start(at_s: float) -> Moment:
    """The start of motion as somebody says it."""
    return Moment(at_s, 0.0, Source.OPERATOR, "as told")


def _start_in(trace: Trace, first: Table, told: Moment | None) -> tuple[Moment, tuple[str, ...]]:
    """The start that was told, else as the readings show it, and what is doubtful about it."""
    if told is not None and told.source is Source.OPERATOR:
        return told, ()
    probe, cadence, scale = (
        None if values is None else (trace.time_s, values)
        for values in (trace.probe_c, trace.cadence_hz, trace.scale_g)
    )
    shown = start_of_motion(cadence=cadence, probe=probe, scale=scale)
    if told is not None:
        apart_s = shown.start.time_s - told.time_s if shown.start else 0.0
        if shown.start is None or abs(apart_s) <= APART_S + 3.0 * shown.start.uncertainty_s:
            return told, ()
        return told, (f"the {shown.start.source} shows the start {apart_s:+.1f} s from the file's own zero",)
    own_s = first.own_zero_s or 0.0
    if shown.start is None:
        why = "; ".join(shown.doubts)
        candidates_s = [round(m.time_s + own_s, 1) for m in shown.candidates]
        raise StartUnclear(f"the start of motion is not clear: {why}", first.file, candidates_s)
    return shown.start, shown.doubts


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
        MOTION_START: joined.start_words,
    }
    return replace(
        run,
        trace=joined.trace,
        trace_file=None,
        started_at=run.started_at or joined.started_at,
        extra={**run.extra, **{k: v[:_MOST_SAID] for k, v in said.items() if v}},
    )


def judged_book(
    bench: Bench, run: Run, proposals: Sequence[Proposal], joined: Joined | None = None
) -> RunBook:
    """The run as a book: without values that cannot be, with what was found in it, in its files and its start."""
    (one,) = judged(bench, [run])
    return RunBook(bench, (one.run,), (*findings_of(proposals, run.run, joined), *one.findings(Place())))


def findings_of(proposals: Sequence[Proposal], run: str, joined: Joined | None = None) -> tuple[Finding, ...]:
    """What was left out or assumed in the files, and what is doubtful about the start, as findings on the run."""
    found = [f for p in proposals if p.table is not None for f in p.table.report.findings()]
    if joined is not None:
        place = Place(file=joined.first.file)
        found += [Finding(Gravity.DOUBT, f"{joined.start_words}. {d}", place) for d in joined.doubts]
    return tuple(replace(f, place=replace(f.place, run=run)) for f in found)
