"""How a change is written down: the revision of what was changed, what it was, and the step it was part of."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any
from uuid import uuid4

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from rig.errors import BenchError, Place
from rig.logbook import schema
from rig.logbook.edits import DELETED, Change, disputed, heads
from rig.logbook.records import Record, columns_of, json_text, record_from_row

TAKEN_BACK = "undo: "
"""The reason of an undo begins so, and that of what it did begins the rest."""


def now_text() -> str:
    """The present in UTC, as the logbook writes it."""
    return datetime.now(UTC).isoformat(timespec="seconds")


class Kind(StrEnum):
    """What can be new in a logbook, and travels to another."""

    BENCH = "bench"
    RUN = "run"
    CORRECTION = "correction"
    CALIBRATION = "calibration"


OUTBOX_LOCK = 20_260_310
"""Shared by all who write into PostgreSQL's outbox, and wanted alone by who reads it: see `rig.logbook.outbox`."""


def note_new(connection: sa.Connection, kind: Kind, ref: str) -> None:
    """Note that something is new, by its id (a bench by its name), for the logbooks that this one is synced with."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock_shared(OUTBOX_LOCK)))
    connection.execute(schema.outbox.insert(), {"kind": kind.value, "ref": ref, "noted_at": now_text()})


def identity(connection: sa.Connection) -> str:
    """What tells this logbook from every other: a UUID that it is given when it is first asked for."""
    table = schema.this_logbook
    found = connection.scalar(sa.select(table.c.id))
    if found is None:
        insert_unless_there(connection, table, {"one": 1, "id": str(uuid4())})
        found = connection.scalar(sa.select(table.c.id))
    return str(found)


def insert_unless_there(connection: sa.Connection, table: sa.Table, values: dict[str, Any]) -> bool:
    """Insert a row unless its key is taken; whether it was inserted."""
    insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    key = next(iter(table.primary_key.columns))
    query = insert(table).values(values).on_conflict_do_nothing().returning(key)
    return connection.scalar(query) is not None


def keep_history(
    connection: sa.Connection,
    row: sa.RowMapping,
    record: Record,
    why: str,
    *,
    settles: bool = False,
    columns: Mapping[str, Any] | None = None,
) -> int:
    """Write changed fields of a run, and what they were; the revision that makes. `columns`: what else to write.

    `settles`: where two people disagree about a field, to say once more what stands is a change that ends it.
    """
    before = record_from_row(row)
    open_ = disputed(history_of(connection, row["id"])) if settles else ()
    changes = {f: [before[f], v] for f, v in record.items() if before[f] != v or f in open_}
    values = columns_of({f: record[f] for f in changes}) | dict(columns or {})
    if values:
        connection.execute(schema.run.update().where(schema.run.c.id == row["id"]).values(values))
    return note_change(connection, row, changes, why) if changes else int(row["rev"])


def note_change(
    connection: sa.Connection, row: sa.RowMapping, changes: dict[str, list[Any]], why: str
) -> int:
    """Write [before, after] of what changed of a run into its history; the revision that makes."""
    history = history_of(connection, row["id"])
    follows = {f: tuple(c.id for c in heads(history, f)) for f in changes}
    made = {f: (was, now) for f, (was, now) in changes.items()}
    rev = int(row["rev"]) + 1
    change = Change(rev, datetime.now(UTC), why, made, str(uuid4()), follows, identity(connection))
    write_change(connection, row["id"], change)
    return rev


def write_change(connection: sa.Connection, run_id: str, change: Change) -> None:
    """Write a change into a run's history under its revision."""
    connection.execute(schema.run.update().where(schema.run.c.id == run_id).values(rev=change.rev))
    entry = {
        "run_id": run_id,
        "rev": change.rev,
        "changed_at": change.changed_at.isoformat(timespec="seconds"),
        "changes": json_text(dict(change.changes)),
        "why": change.why,
        "id": change.id,
        "follows": json_text(dict(change.follows)),
        "made_in": change.made_in,
    }
    connection.execute(schema.run_history.insert(), entry)
    note_new(connection, Kind.CORRECTION, change.id)


def change_of(entry: sa.RowMapping) -> Change:
    """The change of a row of the history."""
    return Change(
        rev=entry["rev"],
        changed_at=datetime.fromisoformat(entry["changed_at"]),
        why=entry["why"],
        changes={f: (old, new) for f, (old, new) in json.loads(entry["changes"]).items()},
        id=entry["id"],
        follows={f: tuple(ids) for f, ids in json.loads(entry["follows"]).items()},
        made_in=entry["made_in"],
    )


def history_of(connection: sa.Connection, run_id: str) -> tuple[Change, ...]:
    """Every change of a run, oldest first."""
    query = sa.select(schema.run_history).select_from(schema.run).where(schema.run.c.id == run_id)
    return changes_found(connection, query) or ()


def changes_found(connection: sa.Connection, query: sa.Select[Any]) -> tuple[Change, ...] | None:
    """The changes of the run that a query finds, oldest first; None where it finds none."""
    table = schema.run_history
    rows = query.join(table, table.c.run_id == schema.run.c.id, isouter=True).order_by(table.c.rev)
    entries = connection.execute(rows).mappings().all()
    if not entries:
        return None
    return tuple(change_of(entry) for entry in entries if entry["rev"] is not None)


def set_deleted(connection: sa.Connection, row: sa.RowMapping, why: str, *, deleted: bool) -> int:
    """Turn over whether a run is deleted; the revision that makes.

    Raises
    ------
    BenchError
        Where it is so already.
    """
    table = schema.run_deleted
    is_now = connection.scalar(sa.select(table.c.run_id).where(table.c.run_id == row["id"])) is not None
    if is_now is deleted:
        raise BenchError(f"it is {'deleted already' if deleted else 'not deleted'}", Place(run=row["run"]))
    if deleted:
        connection.execute(table.insert(), {"run_id": row["id"], "deleted_at": now_text(), "why": why})
    else:
        connection.execute(table.delete().where(table.c.run_id == row["id"]))
    return note_change(connection, row, {DELETED: [is_now, deleted]}, why)


def describe_bench(connection: sa.Connection, bench_id: int, title: str, toml: str, why: str) -> int | None:
    """Write the text that describes a bench, and keep what it was; the revision that makes, None where none."""
    table = schema.bench
    row = (
        connection.execute(sa.select(table).where(table.c.id == bench_id).with_for_update()).mappings().one()
    )
    if row["toml"] == toml:
        return None
    entry = {"bench_id": bench_id, "rev": row["rev"], "changed_at": now_text()}
    connection.execute(schema.bench_history.insert(), entry | {"toml_before": row["toml"], "why": why})
    rev: int = row["rev"] + 1
    values = {"title": title, "toml": toml, "rev": rev}
    connection.execute(table.update().where(table.c.id == bench_id).values(values))
    note_new(connection, Kind.BENCH, row["name"])
    return rev


def begin_bench_row(connection: sa.Connection, name: str, title: str, toml: str) -> bool:
    """Begin a bench unless there is one of that name; whether there was none."""
    fresh = {"name": name, "title": title, "toml": toml, "rev": 1}
    is_new = insert_unless_there(connection, schema.bench, fresh)
    if is_new:
        note_new(connection, Kind.BENCH, name)
    return is_new


@dataclass
class Step:
    """What is done at once: collected while it is done, written down at its end."""

    bench_id: int
    why: str
    is_undo: bool = False
    began_bench: bool = False
    bench_rev: int | None = None
    runs: list[tuple[str, int]] = field(default_factory=list)

    def changed(self, row: sa.RowMapping, rev: int) -> int:
        """Take in a run's revision, where it is a new one; gives it back."""
        if rev != row["rev"]:
            self.runs.append((row["id"], rev))
        return rev

    def write(self, connection: sa.Connection) -> int | None:
        """Write it down; its number, None where nothing was done."""
        if not (self.runs or self.began_bench or self.bench_rev):
            return None
        table = schema.step
        values = {
            "bench_id": self.bench_id,
            "changed_at": now_text(),
            "why": self.why,
            "is_undo": self.is_undo,
            "began_bench": self.began_bench,
            "bench_rev": self.bench_rev,
        }
        number = connection.scalar(table.insert().values(values).returning(table.c.id))
        assert number is not None
        if self.runs:
            rows = [{"step_id": number, "run_id": run, "rev": rev} for run, rev in self.runs]
            connection.execute(schema.step_run.insert(), rows)
        return int(number)


@contextmanager
def step(connection: sa.Connection, bench_id: int, why: str, *, is_undo: bool = False) -> Iterator[Step]:
    """What is done meanwhile is one step."""
    made = Step(bench_id, why, is_undo)
    yield made
    made.write(connection)
