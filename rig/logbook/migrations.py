"""Numbered steps from one schema to the next; each runs in a transaction of its own, once.

To change the schema: change `schema.py`, add a step here, and freeze what step 1 creates (the tables as the
tests keep them in `schema_1.sql`), so that every logbook ever written is brought along.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from uuid import UUID, uuid5

import sqlalchemy as sa

from rig.errors import LogbookError
from rig.logbook import schema
from rig.logbook.connect import writing
from rig.logbook.venues import create_table, keep_apart

Step = Callable[[sa.Connection], None]

_ADVISORY_LOCK = 20_260_309  # any fixed number: keeps two programs from migrating at once


_FIRST_TABLES = (
    "schema_version", "bench", "bench_history", "trace", "channel", "run", "run_history", "source", "finding",
    "fit_cache",
)  # fmt: skip


def create_first(connection: sa.Connection) -> None:
    """Step 1: the first tables."""
    schema.metadata.create_all(connection, tables=[schema.metadata.tables[name] for name in _FIRST_TABLES])


def add_calibrations(connection: sa.Connection) -> None:
    """Step 2: calibrations of probes, scales and measures."""
    create_table(connection, schema.calibration)


def add_table_profiles(connection: sa.Connection) -> None:
    """Step 3: what was settled about loggers' files."""
    create_table(connection, schema.table_profile)


def add_known_instruments(connection: sa.Connection) -> None:
    """Step 4: how well a run's probe and scale are known."""
    for column in schema.SINCE_STEP_4:
        kind = schema.run.c[column].type.compile(connection.dialect)
        connection.exec_driver_sql(f"ALTER TABLE run ADD COLUMN {column} {kind}")


def add_calls_made(connection: sa.Connection) -> None:
    """Step 5: the calls that were made, to be held against the runs that follow."""
    create_table(connection, schema.call_made)


def add_deleted_runs(connection: sa.Connection) -> None:
    """Step 6: which runs are deleted."""
    create_table(connection, schema.run_deleted)


def add_steps(connection: sa.Connection) -> None:
    """Step 7: what was done at once, and the folder that was imported last."""
    for table in (schema.step, schema.step_run, schema.bench_put_away, schema.bench_file):
        create_table(connection, table)


def add_outbox(connection: sa.Connection) -> None:
    """Step 8: what is new since when, for other logbooks, with an id for every correction."""
    for table in (schema.this_logbook, schema.outbox, schema.peer, schema.peer_bench, schema.peer_refused):
        create_table(connection, table)
    history, run = schema.run_history, schema.run
    for column in ("id", "follows", "made_in"):
        connection.exec_driver_sql(f"ALTER TABLE run_history ADD COLUMN {column} TEXT")
    connection.exec_driver_sql("CREATE INDEX correction_by_id ON run_history (id)")
    last: dict[tuple[str, str], str] = {}
    rows = sa.select(history.c.run_id, history.c.rev, history.c.changes)
    for run_id, rev, changes in connection.execute(rows.order_by(history.c.run_id, history.c.rev)).all():
        id_ = str(uuid5(UUID(run_id), str(rev)))
        follows = {f: [last[run_id, f]] if (run_id, f) in last else [] for f in json.loads(changes)}
        last |= {(run_id, f): id_ for f in follows}
        entry = (history.c.run_id == run_id) & (history.c.rev == rev)
        values = {"id": id_, "follows": json.dumps(follows), "made_in": ""}
        connection.execute(history.update().where(entry).values(values))
    for kind, refs in (
        ("bench", sa.select(schema.bench.c.name).order_by(schema.bench.c.id)),
        ("calibration", sa.select(schema.calibration.c.id).order_by(schema.calibration.c.made_at)),
        ("run", sa.select(run.c.id).order_by(run.c.bench_id, run.c.position)),
        (
            "correction",
            sa.select(history.c.id).order_by(history.c.changed_at, history.c.run_id, history.c.rev),
        ),
    ):
        now = datetime.now(UTC).isoformat(timespec="seconds")
        new = [{"kind": kind, "ref": ref, "noted_at": now} for ref in connection.scalars(refs)]
        if new:
            connection.execute(schema.outbox.insert(), new)


def widen_indexes(connection: sa.Connection) -> None:
    """Step 9: indexes that answer lists, counts and the overview without the rows."""
    for name, columns in schema.WIDE_INDEXES.items():
        connection.exec_driver_sql(f"DROP INDEX {name}")
        connection.exec_driver_sql(f"CREATE INDEX {name} ON run ({', '.join(columns)})")


def add_memory(connection: sa.Connection) -> None:
    """Step 10: what benches say without their names, and what was learned of it."""
    for table in (schema.bench_statistics, schema.statistics_shared, schema.learned_prior):
        create_table(connection, table)


STEPS: tuple[Step, ...] = (
    create_first,
    add_calibrations,
    add_table_profiles,
    add_known_instruments,
    add_calls_made,
    add_deleted_runs,
    add_steps,
    add_outbox,
    widen_indexes,
    add_memory,
)


@dataclass(frozen=True)
class Taken:
    """A step that was taken: its number, what it is for, and the statements that changed something."""

    number: int
    words: str
    statements: tuple[str, ...]


def migrate(engine: sa.Engine, steps: Sequence[Step] = STEPS) -> int:
    """Bring the database to the newest schema, each step for itself, and return its number.

    Raises
    ------
    LogbookError
        Where the database belongs to another program or to a newer version of this one.
    """
    for number, step in _due(engine, steps):
        with writing(engine).begin() as connection:
            _take(connection, number, step)
    return len(steps)


def rehearsed(engine: sa.Engine, steps: Sequence[Step] = STEPS) -> tuple[Taken, ...]:
    """Take every step that is due on the logbook itself, and take all of it back: what `migrate` would do.

    Raises
    ------
    LogbookError
        As `migrate` does.
    """
    taken: list[Taken] = []
    with writing(engine).connect() as connection, connection.begin() as whole:
        for number, step in _due(engine, steps):
            said: list[str] = []
            with _heard(connection, said):
                _take(connection, number, step)
            words = " ".join((step.__doc__ or step.__name__).split()).partition(": ")[2]
            taken.append(Taken(number, words.rstrip("."), tuple(said)))
        whole.rollback()
    return tuple(taken)


def _due(engine: sa.Engine, steps: Sequence[Step]) -> list[tuple[int, Step]]:
    current = schema_number(engine)
    if current > len(steps):
        raise LogbookError(
            f"this logbook has schema {current}, written by a newer chillrig; this one knows {len(steps)}. "
            "Update chillrig, or open another logbook"
        )
    return list(enumerate(steps[current:], current + 1))


def _take(connection: sa.Connection, number: int, step: Step) -> None:
    """Take a step, unless another program was quicker."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_ADVISORY_LOCK)))
    schema.schema_version.create(connection, checkfirst=True)
    if _newest(connection) >= number:
        return
    step(connection)
    keep_apart(connection)
    now = datetime.now(UTC).isoformat(timespec="seconds")
    connection.execute(schema.schema_version.insert(), {"version": number, "applied_at": now})


@contextmanager
def _heard(connection: sa.Connection, said: list[str]) -> Iterator[None]:
    """Note every statement that changes something meanwhile."""

    def note(_c: object, _cursor: object, statement: str, *_rest: object) -> None:
        text = " ".join(statement.split())
        if text.partition(" ")[0].upper() not in ("SELECT", "PRAGMA", "SHOW"):
            said.append(text)

    sa.event.listen(connection, "before_cursor_execute", note)
    yield
    sa.event.remove(connection, "before_cursor_execute", note)


def schema_number(engine: sa.Engine) -> int:
    """The schema the database has; 0 where it is empty."""
    with engine.connect() as connection:
        tables = set(sa.inspect(connection).get_table_names())
        if schema.schema_version.name in tables:
            return _newest(connection)
        ours = set(schema.metadata.tables)
        foreign = tables if connection.dialect.name == "sqlite" else tables & ours
        if foreign:
            listed = ", ".join(sorted(foreign)[:5])
            raise LogbookError(
                f"this database is not a logbook: it holds the tables {listed}. Name a new file or database"
            )
        return 0


def _newest(connection: sa.Connection) -> int:
    return connection.scalar(sa.select(sa.func.max(schema.schema_version.c.version))) or 0
