"""What benches say without their names, and what was learned of it: kept beside the fits, lent to other venues.

Where venues share a logbook, what a bench says is shown to the others only while an owner of its venue shares it; they
then see kinds and numbers, never a name, a recipe or a run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from rig.logbook import schema
from rig.logbook.changes import identity, now_text
from rig.logbook.rows import bench_id_of
from rig.logbook.store import Logbook
from rig.population import Population


@dataclass(frozen=True)
class Said:
    """What a bench said: its name where it is one of this logbook, else None; at which venue; the statistics' bytes."""

    bench: str | None
    venue: str
    content: bytes


def keep_statistics(logbook: Logbook, bench_name: str, content: bytes | None) -> None:
    """Keep what a bench says in place of what it said before; None: it says nothing any more."""
    table = schema.bench_statistics
    with logbook._writing() as connection:
        bench_id = bench_id_of(connection, bench_name)
        mine = (table.c.bench_id == bench_id) & (table.c.venue == identity(connection))
        connection.execute(table.delete().where(mine))
        if content is not None:
            at_venue = {"venue": identity(connection), "made_at": now_text()}
            connection.execute(table.insert(), {"bench_id": bench_id, "payload": content, **at_venue})


def statistics(logbook: Logbook) -> tuple[Said, ...]:
    """What all benches say, those of other venues that share it among them, in an order of their own."""
    table, bench, away = schema.bench_statistics, schema.bench, schema.bench_put_away
    with logbook._writing() as connection:
        mine = identity(connection)
        named = (bench.c.id == table.c.bench_id) & (table.c.venue == mine)
        query = (
            sa.select(bench.c.name, table.c.venue, table.c.payload)
            .join_from(table, bench, named, isouter=True)
            .where(sa.or_(table.c.venue != mine, table.c.bench_id.not_in(sa.select(away.c.bench_id))))
            .order_by(table.c.venue, table.c.bench_id)
        )
        return tuple(Said(row.name, row.venue, bytes(row.payload)) for row in connection.execute(query))


def keep_populations(logbook: Logbook, by_bench: Mapping[str, Population | None]) -> None:
    """Keep what was learned for each bench in place of all that was learned before; None: published priors."""
    table = schema.learned_prior
    rows = [
        {
            "bench_name": name,
            "population": None if population is None else population.to_json(),
            "learned_at": now_text(),
        }
        for name, population in by_bench.items()
    ]
    with logbook._writing() as connection:
        connection.execute(table.delete())
        if rows:
            connection.execute(table.insert(), rows)


def set_shared(logbook: Logbook, shared: bool) -> None:
    """Show other venues of the database what the benches here say, or no longer; only an owner may."""
    table = schema.statistics_shared
    with logbook._writing() as connection:
        connection.execute(table.delete().where(table.c.venue == identity(connection)))
        if shared:
            connection.execute(table.insert(), {"venue": identity(connection), "shared_at": now_text()})


def is_shared(logbook: Logbook) -> bool:
    """Whether other venues of the database are shown what the benches here say."""
    table = schema.statistics_shared
    with logbook._writing() as connection:
        mine = sa.select(table.c.venue).where(table.c.venue == identity(connection))
        return connection.scalar(mine) is not None
