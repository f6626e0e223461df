"""Runs as a list: filtered, searched and paged where they are kept, so that ten thousand stay quick."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol, TypeVar

import sqlalchemy as sa

from rig.errors import NotFound
from rig.logbook import schema
from rig.logbook.connect import engine_for, reading, shown, url_from
from rig.logbook.edits import DeletedRun
from rig.logbook.leaving import Leaving
from rig.logbook.records import record_from_row, run_from_record
from rig.runs import Run, RunBook

T = TypeVar("T")
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


@dataclass(frozen=True)
class BenchState:
    """A bench of the logbook as one look finds it: its name there, what describes it, how many runs it has."""

    name: str
    toml: str
    tally: Tally


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

    def deleted(self, bench: str) -> tuple[DeletedRun, ...]:
        """The runs that were deleted, the last first."""
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

    def deleted(self, bench: str) -> tuple[DeletedRun, ...]:
        """None: a book holds no deleted run."""
        return ()

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
        self._leaving = Leaving(self._engine)
        self._looked: ContextVar[dict[str, Any] | None] = ContextVar("looked", default=None)

    def close(self) -> None:
        """Close all connections."""
        self._engine.dispose()

    def left(self) -> AbstractContextManager[None]:
        """While nothing has the logbook's file open through this; whoever asks it meanwhile waits."""
        return self._leaving.left()

    @contextmanager
    def one_look(self) -> Iterator[None]:
        """Meanwhile, in this thread, the benches are asked for once and stay as they were found."""
        if self._looked.get() is not None:  # a look within a look is the same
            yield
            return
        token = self._looked.set({})
        try:
            yield
        finally:
            self._looked.reset(token)

    def states(self) -> Mapping[str, BenchState]:
        """The benches that were not put away, by name."""
        return self._once("benches", lambda connection: {s.name: s for s in _states(connection)})

    def _once(self, what: str, ask: Callable[[sa.Connection], T]) -> T:
        """An answer of the database, asked for once within one look."""
        looked = self._looked.get()
        if looked is not None and what in looked:
            found: T = looked[what]
            return found
        with reading(self._engine, self._where) as connection:
            found = ask(connection)
        if looked is not None:
            looked[what] = found
        return found

    def state(self, bench: str) -> BenchState:
        """One of them; NotFound where there is none of that name."""
        states = self.states()
        if bench not in states:
            raise NotFound("bench", bench, states)
        return states[bench]

    def tally(self, bench: str) -> Tally:
        """How many runs there are."""
        return self.state(bench).tally

    def facets(self, bench: str) -> Facets:
        """What runs can be filtered by."""
        return self._sides(bench)[0]

    def deleted(self, bench: str) -> tuple[DeletedRun, ...]:
        """The runs that were deleted, the last first."""
        return self._sides(bench)[1]

    def _sides(self, bench: str) -> tuple[Facets, tuple[DeletedRun, ...]]:
        """What stands beside a list, by one statement."""

        def ask(connection: sa.Connection) -> tuple[Facets, tuple[DeletedRun, ...]]:
            gone, used = [], Counter[tuple[str | None, ...]]()
            for runs, name, at, why, *parts in connection.execute(_beside(bench)):
                used[tuple(parts)] += runs
                if at is not None:
                    gone.append(DeletedRun(name, datetime.fromisoformat(at), why))
            gone.sort(key=lambda run: run.deleted_at, reverse=True)
            there = [parts for parts, runs in used.items() if runs > 0]
            facets = {
                part: tuple(sorted({value for parts in there if (value := parts[n])}))
                for n, part in enumerate(PARTS)
            }
            return facets, tuple(gone)

        return self._once(f"beside {bench}", ask)

    def page(self, bench: str, wanted: RunFilter, first: int, count: int) -> RunPage:
        """`count` of the runs that pass, from the `first`, newest first."""
        matching = _condition(bench, wanted)
        passing, gone = matching & schema.present(), schema.run_deleted
        # deleted runs are few: to count them apart is quicker than to ask of every run
        counted = sa.select(sa.func.count()).select_from(schema.run).where(matching)
        lost = sa.select(sa.func.count()).join_from(gone, schema.run).where(matching)
        total = counted.scalar_subquery() - lost.scalar_subquery()
        # the rows of the page are found by the index alone, and only they are read
        chosen = (
            sa.select(schema.run.c.id)
            .where(passing)
            .order_by(schema.run.c.position.desc())
            .limit(count)
            .offset(first)
            .subquery()
        )
        query = (
            sa.select(total.label("total"), *_COLUMNS)
            .join_from(schema.run, chosen, chosen.c.id == schema.run.c.id)
            .order_by(schema.run.c.position.desc())
        )
        with reading(self._engine, self._where) as connection:
            rows = connection.execute(query).mappings().all()
            if not rows:
                return RunPage(connection.scalar(sa.select(total)) or 0, ())
            return RunPage(rows[0]["total"], tuple(run_from_record(record_from_row(row)) for row in rows))

    def newest_of_each(self, bench: str, most: int) -> tuple[str, ...]:
        """Names of the newest runs of each drink on each set-up, `most` in all or a few more; none excluded."""
        table = schema.run
        group = (table.c.technique, table.c.vessel, table.c.ice, table.c.recipe)
        rank = sa.func.row_number().over(partition_by=group, order_by=table.c.position.desc())
        with reading(self._engine, self._where) as connection:
            used = (table.c.bench_id == _id_of(bench)) & table.c.excluded_because.is_(None) & schema.present()
            ranked = sa.select(table.c.run, rank.label("place"), table.c.position).where(used).subquery()
            # the newest of every group before the second newest of any
            query = sa.select(ranked.c.run).order_by(ranked.c.place, ranked.c.position.desc()).limit(most)
            return tuple(connection.scalars(query))


def _states(connection: sa.Connection) -> Iterator[BenchState]:
    """Every bench with what is counted of its runs, by indexes alone."""
    bench, run, gone, away = schema.bench, schema.run, schema.run_deleted, schema.bench_put_away
    runs, excluded = sa.func.count().label("runs"), sa.func.count(run.c.excluded_because).label("excluded")
    every = (
        sa.select(run.c.bench_id, runs, excluded, sa.func.sum(run.c.rev).label("revisions"))
        .group_by(run.c.bench_id)
        .subquery()
    )
    # a deleted run counts no more, but that it was deleted changes what is seen
    lost = sa.select(run.c.bench_id, runs, excluded).join_from(gone, run).group_by(run.c.bench_id).subquery()
    query = (
        sa.select(bench.c.name, bench.c.toml, bench.c.rev, every, lost.c.runs, lost.c.excluded)
        .join_from(bench, every, every.c.bench_id == bench.c.id, isouter=True)
        .join(lost, lost.c.bench_id == bench.c.id, isouter=True)
        .where(bench.c.id.not_in(sa.select(away.c.bench_id)))
        .order_by(bench.c.name)
    )
    for name, toml, rev, _, held, held_out, revisions, no_more, no_more_out in connection.execute(query):
        # a bench's own changes weigh more than any number of runs could
        changes = int(revisions or 0) + 10**9 * rev
        counted = Tally((held or 0) - (no_more or 0), (held_out or 0) - (no_more_out or 0), changes)
        yield BenchState(name, toml, counted)


def _id_of(bench: str) -> sa.ScalarSelect[int]:
    """The number of a bench, to be found within a statement."""
    return sa.select(schema.bench.c.id).where(schema.bench.c.name == bench).scalar_subquery()


def _beside(bench: str) -> sa.CompoundSelect[Any]:
    """How many runs a bench has of each set-up, drink and session; and its deleted runs, each as one less."""
    run, gone = schema.run, schema.run_deleted
    parts = [run.c[part] for part in PARTS]
    nothing = sa.cast(sa.null(), sa.Text)
    mine = run.c.bench_id == _id_of(bench)
    return sa.union_all(
        # grouped in the order of an index, so that none needs to be made
        sa.select(sa.func.count(), nothing, nothing, nothing, *parts).where(mine).group_by(*parts),
        sa.select(sa.literal(-1), run.c.run, gone.c.deleted_at, gone.c.why, *parts)
        .join_from(gone, run)
        .where(mine),
    )


def _condition(bench: str, wanted: RunFilter) -> sa.ColumnElement[bool]:
    table = schema.run
    parts = [table.c[p] == value for p in PARTS if (value := getattr(wanted, p))]
    if wanted.words:
        parts.append(sa.or_(*(table.c[p].icontains(wanted.words, autoescape=True) for p in _SEARCHED)))
    if wanted.excluded is not None:
        column = table.c.excluded_because
        parts.append(column.is_not(None) if wanted.excluded else column.is_(None))
    if wanted.names is not None:
        parts.append(table.c.run.in_(sorted(wanted.names)))
    return sa.and_(table.c.bench_id == _id_of(bench), *parts)
