"""How a change is written down: the revision of what was changed, what it was, and the step it was part of."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from rig.errors import BenchError, Place
from rig.logbook import schema
from rig.logbook.edits import DELETED, Change
from rig.logbook.records import Record, columns_of, json_text, record_from_row

TAKEN_BACK = "undo: "
"""The reason of an undo begins so, and that of what it did begins the rest."""


def now_text() -> str:
    """The present in UTC, as the logbook writes it."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def insert_unless_there(connection: sa.Connection, table: sa.Table, values: dict[str, Any]) -> bool:
    """Insert a row unless its key is taken; whether it was inserted."""
    insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    key = next(iter(table.primary_key.columns))
    query = insert(table).values(values).on_conflict_do_nothing().returning(key)
    return connection.scalar(query) is not None


def keep_history(
    connection: sa.Connection, row: sa.RowMapping, record: Record, why: str, **columns: Any
) -> int:
    """Write changed fields of a run, and what they were; the revision that makes."""
    before = record_from_row(row)
    changes = {f: [before[f], v] for f, v in record.items() if before[f] != v}
    values = columns_of({f: record[f] for f in changes}) | columns
    if values:
        connection.execute(schema.run.update().where(schema.run.c.id == row["id"]).values(values))
    return note_change(connection, row, changes, why) if changes else int(row["rev"])


def note_change(
    connection: sa.Connection, row: sa.RowMapping, changes: dict[str, list[Any]], why: str
) -> int:
    """Write [before, after] of what changed of a run into its history; the revision that makes."""
    rev: int = row["rev"] + 1
    connection.execute(schema.run.update().where(schema.run.c.id == row["id"]).values(rev=rev))
    entry = {"run_id": row["id"], "rev": rev, "changed_at": now_text(), "why": why}
    connection.execute(schema.run_history.insert(), entry | {"changes": json_text(changes)})
    return rev


def keep_past(connection: sa.Connection, run_id: str, changes: Iterable[Change]) -> None:
    """Write changes that a run went through elsewhere into its history."""
    rows = [
        {
            "run_id": run_id,
            "rev": change.rev,
            "changed_at": change.changed_at.isoformat(),
            "why": change.why,
            "changes": json_text(change.changes),
        }
        for change in changes
    ]
    connection.execute(schema.run_history.insert(), rows)


def history_of(connection: sa.Connection, run_id: str) -> tuple[Change, ...]:
    """Every change of a run, oldest first."""
    query = (
        sa.select(schema.run.c.id, schema.run_history)
        .select_from(schema.run)
        .where(schema.run.c.id == run_id)
    )
    return changes_found(connection, query) or ()


def changes_found(connection: sa.Connection, query: sa.Select[Any]) -> tuple[Change, ...] | None:
    """The changes of the run that a query finds, oldest first; None where it finds none."""
    table = schema.run_history
    rows = query.join(table, table.c.run_id == schema.run.c.id, isouter=True).order_by(table.c.rev)
    entries = connection.execute(rows).mappings().all()
    if not entries:
        return None
    return tuple(
        Change(
            rev=entry["rev"],
            changed_at=datetime.fromisoformat(entry["changed_at"]),
            why=entry["why"],
            changes={f: (old, new) for f, (old, new) in json.loads(entry["changes"]).items()},
        )
        for entry in entries
        if entry["rev"] is not None
    )


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
    return rev


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
