"""Numbered steps from one schema to the next; each runs in a transaction of its own, once.

To change the schema: change `schema.py`, add a step here, and freeze what step 1 creates (the tables as the
tests keep them in `schema_1.sql`), so that every logbook ever written is brought along.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

import sqlalchemy as sa

from rig.errors import LogbookError
from rig.logbook import schema
from rig.logbook.connect import writing

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
    schema.calibration.create(connection)


def add_table_profiles(connection: sa.Connection) -> None:
    """Step 3: what was settled about loggers' files."""
    schema.table_profile.create(connection)


def add_known_instruments(connection: sa.Connection) -> None:
    """Step 4: how well a run's probe and scale are known."""
    for column in schema.SINCE_STEP_4:
        kind = schema.run.c[column].type.compile(connection.dialect)
        connection.exec_driver_sql(f"ALTER TABLE run ADD COLUMN {column} {kind}")


def add_calls_made(connection: sa.Connection) -> None:
    """Step 5: the calls that were made, to be held against the runs that follow."""
    schema.call_made.create(connection)


def add_deleted_runs(connection: sa.Connection) -> None:
    """Step 6: which runs are deleted."""
    schema.run_deleted.create(connection)


def add_steps(connection: sa.Connection) -> None:
    """Step 7: what was done at once, and the folder that was imported last."""
    for table in (schema.step, schema.step_run, schema.bench_put_away, schema.bench_file):
        table.create(connection)


def widen_indexes(connection: sa.Connection) -> None:
    """Step 8: indexes that answer lists, counts and the overview without the rows."""
    for name, columns in schema.WIDE_INDEXES.items():
        connection.exec_driver_sql(f"DROP INDEX {name}")
        connection.exec_driver_sql(f"CREATE INDEX {name} ON run ({', '.join(columns)})")


STEPS: tuple[Step, ...] = (
    create_first,
    add_calibrations,
    add_table_profiles,
    add_known_instruments,
    add_calls_made,
    add_deleted_runs,
    add_steps,
    widen_indexes,
)


def migrate(engine: sa.Engine, steps: Sequence[Step] = STEPS) -> int:
    """Bring the database to the newest schema and return its number.

    Raises
    ------
    LogbookError
        Where the database belongs to another program or to a newer version of this one.
    """
    current = schema_number(engine)
    if current > len(steps):
        raise LogbookError(
            f"this logbook has schema {current}, written by a newer chillrig; this one knows {len(steps)}. "
            "Update chillrig, or open another logbook"
        )
    for number, step in enumerate(steps[current:], current + 1):
        with writing(engine).begin() as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_ADVISORY_LOCK)))
            schema.schema_version.create(connection, checkfirst=True)
            if _newest(connection) >= number:  # another program was quicker
                continue
            step(connection)
            now = datetime.now(UTC).isoformat(timespec="seconds")
            connection.execute(schema.schema_version.insert(), {"version": number, "applied_at": now})
    return len(steps)


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
