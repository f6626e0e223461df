"""The logbook: every run of every bench, found again by bench, set-up, recipe and session."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypedDict, Unpack

import sqlalchemy as sa

from rig.arrays import FloatArray
from rig.bench import Bench
from rig.errors import LogbookError, NotFound
from rig.logbook import schema
from rig.logbook.changes import (
    Step,
    changes_found,
    insert_unless_there,
    keep_history,
    set_deleted,
    step,
)
from rig.logbook.connect import (
    engine_for,
    explained,
    file_at,
    let_readers_in,
    reading,
    shown,
    url_from,
    venue_asked,
    writing,
)
from rig.logbook.edits import (
    DELETED,
    JUDGED,
    Change,
    DeletedRun,
    checked_changes,
    refuse_contradictions,
    refuse_strangers,
    to_undo,
    undoes,
)
from rig.logbook.intake import Added, Progress, add_book, complete_row
from rig.logbook.leaving import Leaving
from rig.logbook.mended import still_standing
from rig.logbook.migrations import STEPS, migrate, schema_number
from rig.logbook.records import record_from_row, run_from_record, samples, trace_from_blobs
from rig.logbook.restoring import finish_restoring
from rig.logbook.rows import (
    bench_and_population,
    bench_id_of,
    bench_of,
    run_of,
    run_row,
    run_with_trace,
    traces_of,
)
from rig.logbook.venues import settle_venue
from rig.population import Population
from rig.runs import Run, RunBook

MOST_CACHED = 4
"""Results kept of a bench: the last, and those that a correction taken back asks for again."""
_LISTED = tuple(c for c in schema.run.c if c.name not in ("imported", "fingerprint"))


class Selection(TypedDict, total=False):
    """Which runs of a bench: those that have every value given; None selects all."""

    technique: str | None
    vessel: str | None
    ice: str | None
    recipe: str | None
    session: str | None


@dataclass(frozen=True)
class StoredBench:
    """A bench in the logbook: its name there, its title, how many runs it holds."""

    name: str
    title: str
    runs: int


@dataclass(frozen=True)
class ListedRun:
    """A run as a list shows it: without its trace, with its bench and revision."""

    bench: str
    run: Run
    rev: int
    has_trace: bool


def open_logbook(url_or_file: str | Path | None) -> Logbook:
    """Open a logbook, a new one where there is none, and bring it to the newest schema.

    A path is a SQLite file, which belongs on a disk of this computer, not on a network share; None is a logbook in
    memory that is gone when closed. `postgresql://…` is a database shared by venues: `?venue=NAME` at its end says
    which, for those who belong to several, and `chillrig logbook migrate` alone brings it to a newer schema.

    Raises
    ------
    LogbookError
        Where it cannot be opened: the message names the logbook, the reason and the cure.
    """
    url = url_from(url_or_file)
    if (file := file_at(url)) is not None:
        finish_restoring(file)
    engine = engine_for(url)
    try:
        with explained(shown(url)):
            _refuse_older(engine)
            migrate(engine)  # which refuses a database of another program before anything is changed in it
            let_readers_in(engine)
            settle_venue(engine, venue_asked(url))
    except BaseException:
        engine.dispose()
        raise
    return Logbook(engine, shown(url))


def _refuse_older(engine: sa.Engine) -> None:
    """Bring along no database that others work with, by the way: a file is one's own."""
    if engine.dialect.name == "postgresql" and 0 < (found := schema_number(engine)) < len(STEPS):
        raise LogbookError(
            f"this logbook has schema {found}, and this chillrig works with {len(STEPS)}. Update chillrig at all "
            "venues, then bring it along: chillrig logbook migrate, first with --dry-run"
        )


class Logbook:
    """An open logbook; a context manager that closes it.

    Threads may share one, except where it lives in memory.
    """

    def __init__(self, engine: sa.Engine, where: str) -> None:
        self._engine, self.where = engine, where
        self._leaving = Leaving(engine)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close all connections."""
        self._engine.dispose()

    def left(self) -> AbstractContextManager[None]:
        """While nothing has its file open through this; whoever asks it meanwhile waits."""
        return self._leaving.left()

    @property
    def identity(self) -> str:
        """What tells the logbook's file from another one that takes its place; empty where it is no file."""
        file = file_at(self._engine.url)
        return str(file.stat().st_ino) if file is not None and file.exists() else ""

    def add(self, book: RunBook, bench_name: str, source: str, progress: Progress | None = None) -> Added:
        """Store a book's bench, runs, traces and findings under a bench name; see `intake.add_book`."""
        with explained(self.where):
            return add_book(self._engine, book, bench_name, source, progress)

    def complete(self, book: RunBook, bench_name: str, source: str) -> int:
        """Give the run that is there what the book's only run has more, such as a trace; the run's revision.

        A later import of where the run came from leaves that in place. NotFound where there is no such run.
        """
        (run,) = book.runs
        with self._step(bench_name, f"import from {source}") as (connection, made):
            row = run_row(connection, made.bench_id, run.run, for_update=True)
            return made.changed(row, complete_row(connection, row, book, made.bench_id, source))

    def benches(self) -> tuple[StoredBench, ...]:
        """The benches, by name."""
        count = sa.func.count(schema.run.c.id)
        query = (
            sa.select(schema.bench.c.name, schema.bench.c.title, count)
            .join_from(
                schema.bench,
                schema.run,
                (schema.run.c.bench_id == schema.bench.c.id) & schema.present(),
                isouter=True,
            )
            .where(schema.bench.c.id.not_in(sa.select(schema.bench_put_away.c.bench_id)))
            .group_by(schema.bench.c.id, schema.bench.c.name, schema.bench.c.title)
            .order_by(schema.bench.c.name)
        )
        with self._reading() as connection:
            return tuple(StoredBench(*row) for row in connection.execute(query))

    def bench(self, bench_name: str) -> Bench:
        """What is on a bench; NotFound where the logbook holds none of that name."""
        with self._reading() as connection:
            return bench_of(connection, bench_id_of(connection, bench_name))

    def book(self, bench_name: str, *, with_traces: bool = True, **selection: Unpack[Selection]) -> RunBook:
        """A bench with its runs, in the order they came, and what was found at their import."""
        with self._reading() as connection:
            bench_id = bench_id_of(connection, bench_name)
            chosen = _chosen(bench_id, selection)
            query = sa.select(*_LISTED).where(chosen).order_by(schema.run.c.position)
            found = connection.execute(query).mappings().all()
            traces = traces_of(connection, chosen) if with_traces else None
            runs = tuple(run_of(row, traces) for row in found)
            bench, population = bench_and_population(connection, bench_name)
            findings = still_standing(
                connection,
                bench_id,
                bench,
                lambda named: traces_of(connection, schema.run.c.trace.in_(named)),
            )
            if any(v is not None for v in selection.values()):
                names = {r.run for r in runs}
                findings = tuple(f for f in findings if f.place.run is None or f.place.run in names)
            return RunBook(bench, runs, findings, population=population)

    def bench_to_fit(self, bench_name: str) -> tuple[Bench, Population | None]:
        """What is on a bench, and what the others know as its prior; None where nothing was learned."""
        with self._reading() as connection:
            return bench_and_population(connection, bench_name)

    def run(self, bench_name: str, run: str) -> Run:
        """One run with its trace; NotFound names runs like it."""
        mine = (schema.bench.c.name == bench_name) & (schema.run.c.run == run)
        channel = schema.channel
        query = (
            sa.select(*_LISTED, channel.c.name, channel.c.codec, channel.c.data)
            .join(schema.bench)
            .join(channel, channel.c.trace == schema.run.c.trace, isouter=True)
            .where(mine)
            .order_by(channel.c.position)
        )
        with self._reading() as connection:
            rows = connection.execute(query).mappings().all()
            if not rows:  # which of the two there is not
                return run_with_trace(
                    connection, run_row(connection, bench_id_of(connection, bench_name), run)
                )
        blobs = [(row["name"], row["codec"], row["data"]) for row in rows if row["name"] is not None]
        return run_of(rows[0], {rows[0]["trace"]: trace_from_blobs(blobs)} if blobs else {})

    def channel(self, bench_name: str, run: str, name: str) -> tuple[FloatArray, FloatArray]:
        """When and what one channel of a run's trace read; the others are not touched.

        Raises
        ------
        NotFound
            No such bench or run, or no such channel of it.
        """
        mine = (schema.bench.c.name == bench_name) & (schema.run.c.run == run)
        table = schema.channel
        query = (
            sa.select(table.c.name, table.c.codec, table.c.data)
            .join_from(schema.run, schema.bench)
            .join(table, table.c.trace == schema.run.c.trace)
            .where(mine & table.c.name.in_(("time_s", name)))
        )
        with self._reading() as connection:
            found = {row.name: samples(*row) for row in connection.execute(query)}
            if name not in found:
                row = run_row(connection, bench_id_of(connection, bench_name), run)
                known = (
                    sa.select(table.c.name).where(table.c.trace == row["trace"]).order_by(table.c.position)
                )
                raise NotFound(f"channel of run {run}", name, connection.scalars(known).all())
            return found["time_s"], found[name]

    def runs(self, bench_name: str, names: Sequence[str]) -> tuple[Run, ...]:
        """Those of these runs that there are, with their traces, in the order they came; by two statements."""
        mine = schema.bench.c.name == bench_name
        with self._reading() as connection:
            chosen = schema.run.c.id.in_(
                sa.select(schema.run.c.id)
                .join(schema.bench)
                .where(mine & schema.run.c.run.in_(names) & schema.present())
            )
            query = sa.select(*_LISTED).where(chosen).order_by(schema.run.c.position)
            found = connection.execute(query).mappings().all()
            traces = traces_of(connection, chosen)
            return tuple(run_of(row, traces) for row in found)

    def list_runs(
        self, bench_name: str | None = None, **selection: Unpack[Selection]
    ) -> tuple[ListedRun, ...]:
        """Runs of one bench or of all, without opening a trace."""
        table = schema.run
        query = sa.select(schema.bench.c.name.label("bench_name"), *_LISTED).join_from(schema.bench, table)
        with self._reading() as connection:
            bench_id = None if bench_name is None else bench_id_of(connection, bench_name)
            chosen = query.where(_chosen(bench_id, selection)).order_by(table.c.bench_id, table.c.position)
            return tuple(
                ListedRun(
                    row["bench_name"],
                    run_from_record(record_from_row(row)),
                    row["rev"],
                    row["trace"] is not None,
                )
                for row in connection.execute(chosen).mappings()
            )

    def edit_run(self, bench_name: str, run: str, changes: Mapping[str, Any], why: str) -> int:
        """Change fields of a run and keep what they were; returns the run's revision.

        Raises
        ------
        NotFound
            Where there is no such bench, run or field, or no such vessel, ice, recipe or target on the bench.
        BenchError
            Where a value cannot be, by itself or beside the run's other values.
        """
        with self._step(bench_name, why) as (connection, made):
            return change_run(connection, made, run, changes)

    def exclude(self, bench_name: str, run: str, because: str) -> int:
        """Leave a run out of fits, for a reason; `include` takes it back. Returns the run's revision."""
        return self.edit_run(bench_name, run, {"excluded_because": because}, because)

    def include(self, bench_name: str, run: str, why: str) -> int:
        """Take an excluded run back. Returns the run's revision."""
        return self.edit_run(bench_name, run, {"excluded_because": None}, why)

    def delete_run(self, bench_name: str, run: str, why: str) -> int:
        """Take a run out of every list and fit; nothing of it is lost. Gives its revision."""
        return self._set_deleted(bench_name, run, why, deleted=True)

    def restore_run(self, bench_name: str, run: str, why: str) -> int:
        """Take back that a run was deleted. Returns its revision."""
        return self._set_deleted(bench_name, run, why, deleted=False)

    def deleted_runs(self, bench_name: str) -> tuple[DeletedRun, ...]:
        """The runs of a bench that were deleted, the last first."""
        table = schema.run_deleted
        with self._reading() as connection:
            query = (
                sa.select(schema.run.c.run, table.c.deleted_at, table.c.why)
                .join_from(table, schema.run)
                .where(schema.run.c.bench_id == bench_id_of(connection, bench_name))
                .order_by(table.c.deleted_at.desc(), schema.run.c.position.desc())
            )
            found = connection.execute(query).all()
            return tuple(DeletedRun(name, datetime.fromisoformat(at), why) for name, at, why in found)

    def undo(self, bench_name: str, run: str) -> Change:
        """Take back a run's last change that was not undone yet, whatever it was; the change.

        Raises
        ------
        NotFound, BenchError
            Where there is no such run, or nothing to undo.
        """
        change = to_undo(self.history(bench_name, run), run)
        with self._step(bench_name, undoes(change.rev), is_undo=True) as (connection, made):
            row = run_row(connection, made.bench_id, run, for_update=True)
            made.changed(row, put_back(connection, row, change))
        return change

    def _set_deleted(self, bench_name: str, run: str, why: str, *, deleted: bool) -> int:
        with self._step(bench_name, why) as (connection, made):
            row = run_row(connection, made.bench_id, run, for_update=True)
            return made.changed(row, turn_deleted(connection, row, why, deleted=deleted))

    def history(self, bench_name: str, run: str) -> tuple[Change, ...]:
        """Every change of a run since it came in, oldest first."""
        with self._reading() as connection:
            mine = (schema.bench.c.name == bench_name) & (schema.run.c.run == run)
            found = changes_found(
                connection,
                sa.select(schema.run_history).join_from(schema.run, schema.bench).where(mine),
            )
            if found is None:  # which of the two there is not
                run_row(connection, bench_id_of(connection, bench_name), run)
            return found or ()

    def cached(self, fingerprint: str) -> bytes | None:
        """What was cached under a fingerprint, or None."""
        table = schema.fit_cache
        with self._reading() as connection:
            payload = connection.scalar(sa.select(table.c.payload).where(table.c.fingerprint == fingerprint))
            return None if payload is None else bytes(payload)

    def last_cached(self, bench_name: str) -> bytes | None:
        """What was cached last for a bench, or None."""
        table = schema.fit_cache
        query = sa.select(table.c.payload).where(table.c.kind == bench_name)
        with self._reading() as connection:
            payload = connection.scalar(query.order_by(table.c.cached_at.desc()).limit(1))
            return None if payload is None else bytes(payload)

    def cache(self, fingerprint: str, payload: bytes, bench_name: str) -> None:
        """Keep a result under the fingerprint of all that it follows from; of a bench's the last few are kept."""
        table = schema.fit_cache
        at = datetime.now(UTC).isoformat(timespec="microseconds")
        values = {"kind": bench_name, "payload": payload, "cached_at": at}
        newest = sa.select(table.c.fingerprint).where(table.c.kind == bench_name)
        with self._writing() as connection:
            if not insert_unless_there(connection, table, {"fingerprint": fingerprint, **values}):
                connection.execute(table.update().where(table.c.fingerprint == fingerprint).values(values))
            older = connection.scalars(newest.order_by(table.c.cached_at.desc()).offset(MOST_CACHED)).all()
            connection.execute(table.delete().where(table.c.fingerprint.in_(older)))

    @contextmanager
    def _reading(self) -> Iterator[sa.Connection]:
        with reading(self._engine, self.where) as connection:
            yield connection

    @contextmanager
    def _snapshot(self) -> Iterator[sa.Connection]:
        """A connection that sees the logbook as it is now, however long it reads."""
        with self._reading() as connection:
            if connection.dialect.name == "postgresql":  # SQLite's readers see nothing else
                connection = connection.execution_options(isolation_level="REPEATABLE READ")
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        with explained(self.where), writing(self._engine).begin() as connection:
            yield connection

    @contextmanager
    def _step(
        self, bench_name: str, why: str, *, is_undo: bool = False
    ) -> Iterator[tuple[sa.Connection, Step]]:
        """A transaction in which all that is done is one step."""
        with self._writing() as connection:
            bench_id = bench_id_of(connection, bench_name)
            with step(connection, bench_id, why, is_undo=is_undo) as made:
                yield connection, made


def change_run(connection: sa.Connection, made: Step, run: str, changes: Mapping[str, Any]) -> int:
    """Change fields of a run as part of a step; its revision. Raises as `Logbook.edit_run` does."""
    row = run_row(connection, made.bench_id, run, for_update=True)
    bench = bench_of(connection, made.bench_id)
    record = checked_changes(bench, run, changes)
    if not JUDGED.isdisjoint(record):
        refuse_contradictions(bench, run_with_trace(connection, row), record)
    return made.changed(row, keep_history(connection, row, record, made.why, settles=True))


def turn_deleted(connection: sa.Connection, row: sa.RowMapping, why: str, *, deleted: bool) -> int:
    """Delete a run, or bring it back where the bench still holds what it names; its revision."""
    if not deleted:
        refuse_strangers(bench_of(connection, row["bench_id"]), record_from_row(row))
    return set_deleted(connection, row, why, deleted=deleted)


def put_back(connection: sa.Connection, row: sa.RowMapping, change: Change) -> int:
    """Take back a change of a run; the revision that makes."""
    before = {f: old for f, (old, _) in change.changes.items()}
    if DELETED in before:
        return turn_deleted(connection, row, undoes(change.rev), deleted=bool(before[DELETED]))
    return keep_history(connection, row, before, undoes(change.rev))


def _chosen(bench_id: int | None, selection: Selection) -> sa.ColumnElement[bool]:
    wanted = [schema.run.c[name] == value for name, value in selection.items() if value is not None]
    wanted.append(schema.present())
    if bench_id is not None:
        wanted.append(schema.run.c.bench_id == bench_id)
    return sa.and_(sa.true(), *wanted)
