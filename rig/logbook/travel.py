"""Runs, corrections, traces and calibrations on their way from one logbook into another: read here, taken in there.

Each has an id that is the same everywhere, so what is there already is left as it is, and nothing comes twice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from uuid import UUID, uuid5

import sqlalchemy as sa

from rig.errors import LogbookError
from rig.logbook import schema
from rig.logbook.changes import (
    Kind,
    Step,
    change_of,
    history_of,
    insert_unless_there,
    note_new,
    now_text,
    step,
    write_change,
)
from rig.logbook.edits import DELETED, Change, heads, undoes, undone_by
from rig.logbook.intake import insert_run
from rig.logbook.records import FIELDS, Record, columns_of, record_from_row

NAME = "run"
_EVER = datetime.fromtimestamp(0, UTC)
"""When a name was changed that had to be: the same in every logbook, and before anything that somebody did."""


@dataclass(frozen=True)
class ComingRun:
    """A run as it first was, before any correction; its bench by name, where it is from, what was found in it."""

    id: str
    bench: str
    record: Record
    origin: Mapping[str, Any]
    findings: Sequence[Mapping[str, Any]]


@dataclass(frozen=True)
class ComingCorrection:
    """A correction of a run; `takes_back`: the id of the correction that it undoes."""

    run_id: str
    change: Change
    takes_back: str | None


@dataclass(frozen=True)
class Coming:
    """One thing on its way: a run, a correction, or the row of a calibration; and the traces that it names."""

    what: ComingRun | ComingCorrection | Mapping[str, Any]
    traces: Sequence[tuple[Mapping[str, Any], Sequence[Mapping[str, Any]]]] = ()


_TABLES = {Kind.RUN: schema.run, Kind.CORRECTION: schema.run_history, Kind.CALIBRATION: schema.calibration}


def those_there(connection: sa.Connection, kind: Kind, refs: Sequence[str]) -> set[str]:
    """Which of some ids a logbook holds already."""
    table = _TABLES[kind]
    return set(connection.scalars(sa.select(table.c.id).where(table.c.id.in_(refs))))


def read(connection: sa.Connection, kind: Kind, ref: str) -> Coming:
    """What goes under an id, to be taken into another logbook."""
    if kind is Kind.RUN:
        run = _read_run(connection, ref)
        return Coming(run, _traces(connection, [run.record["trace"]]))
    if kind is Kind.CORRECTION:
        correction = _read_correction(connection, ref)
        return Coming(correction, _traces(connection, correction.change.changes.get("trace", ())))
    table = schema.calibration
    return Coming(dict(connection.execute(sa.select(table).where(table.c.id == ref)).mappings().one()))


def take_in(connection: sa.Connection, coming: Coming, came: Callable[[str], Step]) -> str | None:
    """Take one thing in, unless it is there; the id of the run that it is about, None where that is none.

    `came` gives the step, by a bench's name, that runs come in with; a correction is a step of its own.
    """
    for trace, channels in coming.traces:
        if insert_unless_there(connection, schema.trace, dict(trace)):
            connection.execute(schema.channel.insert(), [dict(c) for c in channels])
    what = coming.what
    if isinstance(what, ComingRun):
        _take_run(connection, what, came(what.bench))
        return what.id
    if isinstance(what, ComingCorrection):
        _take_correction(connection, what)
        return what.run_id
    if insert_unless_there(connection, schema.calibration, dict(what)):
        note_new(connection, Kind.CALIBRATION, what["id"])
    return None


def _read_run(connection: sa.Connection, run_id: str) -> ComingRun:
    table = schema.run
    row = connection.execute(sa.select(table).where(table.c.id == run_id)).mappings().one()
    bench = connection.scalar(sa.select(schema.bench.c.name).where(schema.bench.c.id == row["bench_id"]))
    record = record_from_row(row)
    for change in history_of(connection, run_id):
        first = {f: was for f, (was, _) in change.changes.items() if not change.follows.get(f)}
        record |= {f: was for f, was in first.items() if f in FIELDS}
    found, source = schema.finding, schema.source
    findings = (
        sa.select(*(c for c in found.c if c.name not in ("source_id", "position")))
        .join_from(found, source)
        .where((source.c.bench_id == row["bench_id"]) & (found.c.run == row["run"]))
        .order_by(source.c.id, found.c.position)
    )
    return ComingRun(
        run_id,
        str(bench),
        record,
        {name: row[name] for name in ("source", "imported", "fingerprint")},
        [dict(f) for f in connection.execute(findings).mappings()],
    )


def _read_correction(connection: sa.Connection, ref: str) -> ComingCorrection:
    table = schema.run_history
    row = connection.execute(sa.select(table).where(table.c.id == ref)).mappings().one()
    change = change_of(row)
    taken_back = undone_by(change)
    same = (table.c.run_id == row["run_id"]) & (table.c.rev == taken_back)
    return ComingCorrection(
        row["run_id"],
        change,
        None if taken_back is None else connection.scalar(sa.select(table.c.id).where(same)),
    )


def _traces(
    connection: sa.Connection, digests: Sequence[str | None]
) -> list[tuple[Mapping[str, Any], Sequence[Mapping[str, Any]]]]:
    """The rows of traces by their digests, each with those of its channels."""
    found: list[tuple[Mapping[str, Any], Sequence[Mapping[str, Any]]]] = []
    for digest in filter(None, digests):
        trace = sa.select(schema.trace).where(schema.trace.c.digest == digest)
        channels = sa.select(schema.channel).where(schema.channel.c.trace == digest)
        row = connection.execute(trace).mappings().one()
        found.append((dict(row), [dict(c) for c in connection.execute(channels).mappings()]))
    return found


def _take_run(connection: sa.Connection, coming: ComingRun, came: Step) -> None:
    table, record = schema.run, dict(coming.record)
    if those_there(connection, Kind.RUN, [coming.id]):
        return
    called = (table.c.bench_id == came.bench_id) & (table.c.run == record[NAME])
    other = connection.execute(sa.select(table).where(called)).mappings().one_or_none()
    yields = other is not None and _comes_first(_read_run(connection, other["id"]), coming)
    if other is not None and not yields:
        _call_otherwise(connection, other, came)
    insert_run(
        connection,
        came,
        coming.id,
        record | ({NAME: f"{record[NAME]} {coming.id}"} if yields else {}),
        coming.origin,
    )
    if yields:
        row = connection.execute(sa.select(table).where(table.c.id == coming.id)).mappings().one()
        _call_otherwise(connection, row, came, record[NAME])
    name = connection.scalar(sa.select(table.c.run).where(table.c.id == coming.id))
    _add_findings(connection, came.bench_id, coming, str(name))


def _comes_first(one: ComingRun, other: ComingRun) -> bool:
    """Of two runs that have one name, the earlier keeps it: in every logbook the same one."""
    return (one.record["started_at"] or "~", one.id) < (other.record["started_at"] or "~", other.id)


def _call_otherwise(
    connection: sa.Connection, row: sa.RowMapping, came: Step, was: str | None = None
) -> None:
    """Give a run a name of its own, made of its id, so that every logbook gives it the same one; `was`: its name."""
    table, old = schema.run, was or row[NAME]
    taken = set(connection.scalars(sa.select(table.c.run).where(table.c.bench_id == row["bench_id"])))
    marks = (row["id"].replace("-", "")[:n] for n in range(4, 33))
    new = next(name for mark in marks if (name := f"{old} ({mark})") not in taken)
    connection.execute(table.update().where(table.c.id == row["id"]).values(run=new))
    finding, mine = (
        schema.finding,
        sa.select(schema.source.c.id).where(schema.source.c.bench_id == row["bench_id"]),
    )
    if was is None:
        named = finding.c.source_id.in_(mine) & (finding.c.run == old)
        connection.execute(finding.update().where(named).values(run=new))
    change = Change(
        rev=int(row["rev"]) + 1,
        changed_at=_EVER,
        why="another run has this name, made before it",
        changes={NAME: (old, new)},
        id=str(uuid5(UUID(row["id"]), new)),
        follows={NAME: ()},
    )
    write_change(connection, row["id"], change)
    came.changed(row, change.rev)


def _add_findings(connection: sa.Connection, bench_id: int, coming: ComingRun, name: str) -> None:
    if not coming.findings:
        return
    source, finding = schema.source, schema.finding
    mine = (source.c.bench_id == bench_id) & (source.c.name == coming.origin["source"])
    fresh = {"bench_id": bench_id, "name": coming.origin["source"], "imported_at": now_text()}
    insert_unless_there(connection, source, fresh)
    source_id = connection.scalar(sa.select(source.c.id).where(mine))
    last = connection.scalar(
        sa.select(sa.func.max(finding.c.position)).where(finding.c.source_id == source_id)
    )
    first = 0 if last is None else last + 1
    rows = [
        {**found, "run": name, "source_id": source_id, "position": first + n}
        for n, found in enumerate(coming.findings)
    ]
    connection.execute(finding.insert(), rows)


def _take_correction(connection: sa.Connection, coming: ComingCorrection) -> None:
    table, change = schema.run, coming.change
    query = sa.select(table).where(table.c.id == coming.run_id).with_for_update()
    row = connection.execute(query).mappings().one_or_none()
    if row is None:
        raise LogbookError(
            "a correction came of a run that is not here. The other logbook was changed by something else than "
            "chillrig: look into it with chillrig doctor"
        )
    history = history_of(connection, coming.run_id)
    if any(c.id == change.id for c in history):
        return
    why = change.why
    if coming.takes_back is not None:
        why = next((undoes(c.rev) for c in history if c.id == coming.takes_back), why)
    mine = replace(change, rev=int(row["rev"]) + 1, why=why)
    with step(connection, row["bench_id"], why, is_undo=coming.takes_back is not None) as made:
        write_change(connection, coming.run_id, mine)
        made.changed(row, mine.rev)
    for field in change.changes:
        _let_stand(connection, row, field, heads((*history, mine), field)[-1])


def _let_stand(connection: sa.Connection, row: sa.RowMapping, field: str, change: Change) -> None:
    """Let a run say of a field what a change says."""
    value, table, gone = change.changes[field][1], schema.run, schema.run_deleted
    if field == DELETED:
        mine = gone.c.run_id == row["id"]
        is_gone = connection.scalar(sa.select(gone.c.run_id).where(mine)) is not None
        if value and not is_gone:
            at = change.changed_at.isoformat(timespec="seconds")
            connection.execute(gone.insert(), {"run_id": row["id"], "deleted_at": at, "why": change.why})
        elif is_gone and not value:
            connection.execute(gone.delete().where(mine))
        return
    if field == NAME:
        taken = (table.c.bench_id == row["bench_id"]) & (table.c.run == value)
        if connection.scalar(sa.select(table.c.id).where(taken)) is not None:
            return
    if field in FIELDS:
        connection.execute(table.update().where(table.c.id == row["id"]).values(columns_of({field: value})))
