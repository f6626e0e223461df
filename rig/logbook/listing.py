"""Runs as a list: filtered, searched and paged where they are kept, so that ten thousand stay quick."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import sqlalchemy as sa

from rig.errors import NotFound
from rig.logbook import schema
from rig.logbook.connect import engine_for, reading, shown, url_from
from rig.logbook.records import record_from_row, run_from_record
from rig.runs import Run, RunBook

PARTS = ("technique", "vessel", "ice", "recipe", "session")
_SEARCHED = ("run", "operator", "session", "notes")
_COLUMNS = tuple(c for c in schema.run.c if c.name not in ("imported", "fingerprint"))


@dataclass(frozen=True)
class RunFilter:
    """Which runs to list: those that match all that is given; empty text gives nothing.

    `words` are looked for in the run's name, operator, session and notes. `names`: only these runs.
    """

    technique: str = ""
    vessel: str = ""
    ice: str = ""
    recipe: str = ""
    session: str = ""
    words: str = ""
    excluded: bool | None = None
    names: frozenset[str] | None = None


@dataclass(frozen=True)
class RunPage:
    """Some of the runs that pass a filter, newest first and without their traces, and how many pass it."""

    total: int
    runs: tuple[Run, ...]


@dataclass(frozen=True)
class Tally:
    """How many runs a bench has, how many of them are excluded, and a number that grows with every change."""

    runs: int
    excluded: int
    revisions: int


Facets = Mapping[str, tuple[str, ...]]
"""The values there are of each of PARTS, sorted."""


class Listing(Protocol):
    """Lists of the runs of benches."""

    def tally(self, bench: str) -> Tally:
        """How many runs there are."""
        ...

    def facets(self, bench: str) -> Facets:
        """What runs can be filtered by."""
        ...

    def page(self, bench: str, wanted: RunFilter, first: int, count: int) -> RunPage:
        """`count` of the runs that pass, from the `first`, newest first."""
        ...


@dataclass(frozen=True)
class BookListing:
    """Lists of a book in memory."""

    book: RunBook

    def tally(self, bench: str) -> Tally:
        """How many runs there are."""
        runs = self.book.runs
        return Tally(len(runs), sum(r.excluded_because is not None for r in runs), len(runs))

    def facets(self, bench: str) -> Facets:
        """What runs can be filtered by."""
        return {part: tuple(sorted({v for r in self.book.runs if (v := getattr(r, part))})) for part in PARTS}

    def page(self, bench: str, wanted: RunFilter, first: int, count: int) -> RunPage:
        """`count` of the runs that pass, from the `first`, newest first."""
        passing = [r for r in reversed(self.book.runs) if _passes(r, wanted)]
        return RunPage(len(passing), tuple(passing[first : first + count]))


def _passes(run: Run, wanted: RunFilter) -> bool:
    searched = "\n".join(getattr(run, part) or "" for part in _SEARCHED)
    return (
        all(getattr(wanted, part) in ("", getattr(run, part)) for part in PARTS)
        and wanted.words.casefold() in searched.casefold()
        and wanted.excluded in (None, run.excluded_because is not None)
        and (wanted.names is None or run.run in wanted.names)
    )


class LogbookListing:
    """Lists of the runs in a logbook, made by its database."""

    def __init__(self, url_or_file: str) -> None:
        """Nothing is opened before the first question."""
        url = url_from(url_or_file)
        self._engine, self._where = engine_for(url), shown(url)

    def close(self) -> None:
        """Close all connections."""
        self._engine.dispose()

    def tally(self, bench: str) -> Tally:
        """How many runs there are."""
        table = schema.run
        with reading(self._engine, self._where) as connection:
            bench_id, bench_rev = _bench(connection, bench)
            query = sa.select(sa.func.count(), sa.func.count(table.c.excluded_because))
            # a deleted run counts no more, but that it was deleted changes what is seen
            every = sa.select(sa.func.sum(table.c.rev)).where(table.c.bench_id == bench_id)
            revisions = connection.scalar(every)
            runs, excluded = connection.execute(
                query.where(table.c.bench_id == bench_id, schema.present())
            ).one()
            # a bench's own changes weigh more than any number of runs could
            return Tally(runs, excluded, int(revisions or 0) + 10**9 * bench_rev)

    def facets(self, bench: str) -> Facets:
        """What runs can be filtered by."""
        with reading(self._engine, self._where) as connection:
            bench_id, _ = _bench(connection, bench)
            return {part: _values(connection, bench_id, part) for part in PARTS}

    def page(self, bench: str, wanted: RunFilter, first: int, count: int) -> RunPage:
        """`count` of the runs that pass, from the `first`, newest first."""
        table = schema.run
        with reading(self._engine, self._where) as connection:
            bench_id, _ = _bench(connection, bench)
            passing = _condition(bench_id, wanted)
            total = connection.scalar(sa.select(sa.func.count()).select_from(table).where(passing))
            query = sa.select(*_COLUMNS).where(passing).order_by(table.c.position.desc())
            rows = connection.execute(query.limit(count).offset(first)).mappings()
            return RunPage(total or 0, tuple(run_from_record(record_from_row(row)) for row in rows))

    def newest_of_each(self, bench: str, most: int) -> tuple[str, ...]:
        """Names of the newest runs of each drink on each set-up, `most` in all or a few more; none excluded."""
        table = schema.run
        group = (table.c.technique, table.c.vessel, table.c.ice, table.c.recipe)
        rank = sa.func.row_number().over(partition_by=group, order_by=table.c.position.desc())
        with reading(self._engine, self._where) as connection:
            bench_id, _ = _bench(connection, bench)
            used = (table.c.bench_id == bench_id) & table.c.excluded_because.is_(None) & schema.present()
            ranked = sa.select(table.c.run, rank.label("place"), table.c.position).where(used).subquery()
            # the newest of every group before the second newest of any
            query = sa.select(ranked.c.run).order_by(ranked.c.place, ranked.c.position.desc()).limit(most)
            return tuple(connection.scalars(query))


def _bench(connection: sa.Connection, name: str) -> tuple[int, int]:
    table = schema.bench
    row = connection.execute(sa.select(table.c.id, table.c.rev).where(table.c.name == name)).one_or_none()
    if row is None:
        raise NotFound("bench", name, connection.scalars(sa.select(table.c.name)))
    return int(row[0]), int(row[1])


def _values(connection: sa.Connection, bench_id: int, part: str) -> tuple[str, ...]:
    column = schema.run.c[part]
    query = (
        sa.select(column)
        .distinct()
        .where(schema.run.c.bench_id == bench_id, column.is_not(None), schema.present())
    )
    return tuple(sorted(connection.scalars(query)))


def _condition(bench_id: int, wanted: RunFilter) -> sa.ColumnElement[bool]:
    table = schema.run
    parts = [table.c[p] == value for p in PARTS if (value := getattr(wanted, p))]
    if wanted.words:
        parts.append(sa.or_(*(table.c[p].icontains(wanted.words, autoescape=True) for p in _SEARCHED)))
    if wanted.excluded is not None:
        column = table.c.excluded_because
        parts.append(column.is_not(None) if wanted.excluded else column.is_(None))
    if wanted.names is not None:
        parts.append(table.c.run.in_(sorted(wanted.names)))
    return sa.and_(table.c.bench_id == bench_id, schema.present(), *parts)
