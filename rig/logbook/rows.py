"""What the rows of a logbook stand for: benches, runs and their traces, by name or by number."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from itertools import groupby

import sqlalchemy as sa

from rig.bench import Bench, parse_bench
from rig.errors import LogbookError, NotFound
from rig.logbook import schema
from rig.logbook.records import record_from_row, run_from_record, trace_from_blobs
from rig.population import Population
from rig.runs import Run, Trace


def bench_id_of(connection: sa.Connection, name: str) -> int:
    """The number of a bench; NotFound where there is none of that name."""
    found = connection.scalar(sa.select(schema.bench.c.id).where(schema.bench.c.name == name))
    if found is None:
        known = connection.scalars(sa.select(schema.bench.c.name).order_by(schema.bench.c.name))
        raise NotFound("bench", name, known.all())
    return int(found)


def bench_of(connection: sa.Connection, bench_id: int) -> Bench:
    """What is on a bench."""
    name, toml = connection.execute(
        sa.select(schema.bench.c.name, schema.bench.c.toml).where(schema.bench.c.id == bench_id)
    ).one()
    return parse_bench(toml, f"the logbook's bench {name}")[0]


NEW_BENCH = ""
"""The name under which the prior of a bench that is new is kept."""


def bench_and_population(connection: sa.Connection, bench_name: str) -> tuple[Bench, Population | None]:
    """What is on a bench, and what was learned last as its prior or a new one's, by one statement.

    Raises
    ------
    NotFound
        There is no such bench.
    """
    bench, prior = schema.bench, schema.learned_prior
    begins = prior.c.bench_name.in_((bench_name, NEW_BENCH))
    query = sa.select(bench.c.toml, prior.c.population).join_from(bench, prior, begins, isouter=True)
    row = connection.execute(
        query.where(bench.c.name == bench_name).order_by(prior.c.bench_name.desc()).limit(1)
    ).one_or_none()
    if row is None:
        return bench_of(
            connection, bench_id_of(connection, bench_name)
        ), None  # which says that there is none
    found = parse_bench(row.toml, f"the logbook's bench {bench_name}")[0]
    return found, None if row.population is None else Population.from_json(row.population)


def run_row(connection: sa.Connection, bench_id: int, run: str, *, for_update: bool = False) -> sa.RowMapping:
    """The row of a run; NotFound names runs like it."""
    table = schema.run
    query = sa.select(table).where((table.c.bench_id == bench_id) & (table.c.run == run))
    row = connection.execute(query.with_for_update() if for_update else query).mappings().one_or_none()
    if row is None:
        known = connection.scalars(sa.select(table.c.run).where(table.c.bench_id == bench_id)).all()
        raise NotFound("run", run, get_close_matches(run, known, n=5) or sorted(known)[:5])
    return row


def run_of(row: sa.RowMapping, traces: Mapping[str, Trace] | None = None) -> Run:
    """The run of a row, with its trace where traces are given."""
    trace = None
    if traces is not None and row["trace"] is not None:
        trace = traces.get(row["trace"])
        if trace is None:
            raise LogbookError(f"the trace of run {row['run']!r} is gone. Restore a copy of the logbook")
    return run_from_record(record_from_row(row), trace)


def traces_of(connection: sa.Connection, chosen: sa.ColumnElement[bool]) -> dict[str, Trace]:
    """The traces of the chosen runs by digest."""
    table = schema.channel
    wanted = sa.select(schema.run.c.trace).where(chosen)
    rows = connection.execute(
        sa.select(table.c.trace, table.c.name, table.c.codec, table.c.data)
        .where(table.c.trace.in_(wanted))
        .order_by(table.c.trace, table.c.position)
    )
    return {
        digest: trace_from_blobs((name, codec, data) for _, name, codec, data in channels)
        for digest, channels in groupby(rows, key=lambda row: str(row[0]))
    }


def run_with_trace(connection: sa.Connection, row: sa.RowMapping) -> Run:
    """The run of a row with its trace."""
    return run_of(row, traces_of(connection, schema.run.c.id == row["id"]))
