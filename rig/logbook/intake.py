"""Bring a book of runs into the logbook: what is new, what has changed since, what is there already."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import islice
from typing import Any
from uuid import uuid4

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from rig.bench import Bench, parse_bench
from rig.bench_toml import bench_toml
from rig.errors import BenchError, Place
from rig.logbook import schema
from rig.logbook.connect import writing
from rig.logbook.records import (
    CODEC,
    Record,
    blobs_from_trace,
    columns_of,
    fingerprint,
    json_text,
    record_from_row,
    record_from_run,
)
from rig.names import refuse_unclear
from rig.runs import Finding, Run, RunBook

Progress = Callable[[int, int], None]

_BATCH = 20  # runs a commit: short enough that a recorder need not wait, long enough to be quick
_SHELVES = {
    "vessels": schema.run.c.vessel,
    "ice": schema.run.c.ice,
    "recipes": schema.run.c.recipe,
    "targets": schema.run.c.target,
    "techniques": schema.run.c.technique,
}


@dataclass(frozen=True)
class Added:
    """How many runs an import found new, as they were, or changed.

    `from_elsewhere` names the changed runs whose last import came from another source.
    """

    new: int = 0
    unchanged: int = 0
    changed: int = 0
    from_elsewhere: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Arrival:
    """A run on its way in, ready to be stored."""

    record: Record
    imported: str
    fingerprint: str
    run: Run


def add_book(
    engine: sa.Engine, book: RunBook, bench_name: str, source: str, progress: Progress | None = None
) -> Added:
    """Store the runs of a book, in batches that are each stored whole or not at all.

    A run is known by its name on its bench. Where the source has changed since the last import, the fields
    that changed there are taken over and the rest, with what was edited by hand, stays. Another source than
    the last may give values and change them, but what it lacks it does not take away. Runs and bench entries
    that the source no longer has stay too.

    `progress` is called with (runs done, runs in all) after each batch is on disk.

    Raises
    ------
    BenchError
        Where two runs of the book have one name, or a name cannot be told from another.
    """
    twice = [name for name, count in Counter(r.run for r in book.runs).items() if count > 1]
    if twice:
        raise BenchError("two runs have this name", Place(run=twice[0]), "Give each a name of its own")
    with writing(engine).begin() as connection:
        _refuse_unclear_names(connection, book, bench_name)
        bench_id = _store_bench(connection, book.bench, bench_name, source)
        known = _fingerprints(connection, bench_id)
        # a run that is there already stays within reach, whatever it is called
        refuse_unclear("run", [r.run for r in book.runs if r.run not in known], known)
    added = Added()
    done = 0
    for batch in _batches(book.runs):
        arrivals = [_arrival(run) for run in batch]
        changed = [(a, _blobs(a)) for a in arrivals if known.get(a.record["run"]) != a.fingerprint]
        added = replace(added, unchanged=added.unchanged + len(arrivals) - len(changed))
        if changed:
            with writing(engine).begin() as connection:
                _lock(connection, bench_id)
                for arrival, blobs in changed:
                    _store_trace(connection, arrival.record["trace"], arrival.run, blobs)
                    added = _store_run(connection, arrival, bench_id, source, added)
        done += len(batch)
        if progress is not None:
            progress(done, len(book.runs))
    with writing(engine).begin() as connection:
        _store_findings(connection, bench_id, source, book.findings)
    return added


def _refuse_unclear_names(connection: sa.Connection, book: RunBook, bench_name: str) -> None:
    benches = list(connection.scalars(sa.select(schema.bench.c.name)))
    if bench_name not in benches:  # what is there already was taken once, and stays within reach
        refuse_unclear("bench", [bench_name], benches)
    for kind, names in (
        ("vessel", book.bench.vessels),
        ("ice", book.bench.ice),
        ("recipe", book.bench.recipes),
        ("target", book.bench.targets),
        ("technique", book.bench.techniques),
    ):
        refuse_unclear(kind, names)


def complete_row(
    connection: sa.Connection, row: sa.RowMapping, book: RunBook, bench_id: int, source: str
) -> int:
    """Give a stored run what `book`, which holds it alone, has more of it; the run's revision.

    What its last import held stays on record as it was: to import that source again takes nothing away.
    """
    (run,) = book.runs
    arrival = _arrival(run)
    _store_trace(connection, arrival.record["trace"], run, _blobs(arrival))
    rev = keep_history(connection, row, arrival.record, _why(source))
    _store_findings(connection, bench_id, source, book.findings)
    return rev


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


def _batches(runs: Sequence[Run]) -> Iterator[tuple[Run, ...]]:
    rest = iter(runs)
    while batch := tuple(islice(rest, _BATCH)):
        yield batch


def _arrival(run: Run) -> _Arrival:
    record = record_from_run(run)
    # As an older logbook wrote it down, so that the same run is not taken for a changed one.
    imported = json_text({f: v for f, v in record.items() if v is not None or f not in schema.SINCE_STEP_4})
    return _Arrival(record, imported, fingerprint(imported), run)


def _blobs(arrival: _Arrival) -> list[tuple[str, bytes]]:
    return blobs_from_trace(arrival.run.trace) if arrival.run.trace is not None else []


def _fingerprints(connection: sa.Connection, bench_id: int) -> dict[str, str]:
    """The fingerprint of each stored run by its name."""
    columns = schema.run.c.run, schema.run.c.fingerprint
    rows = connection.execute(sa.select(*columns).where(schema.run.c.bench_id == bench_id))
    return {row.run: row.fingerprint for row in rows}


def _lock(connection: sa.Connection, bench_id: int) -> None:
    """Let no other import write to this bench meanwhile (SQLite's writers queue anyway)."""
    connection.execute(sa.select(schema.bench.c.id).where(schema.bench.c.id == bench_id).with_for_update())


def _store_bench(connection: sa.Connection, bench: Bench, name: str, source: str) -> int:
    """Store a new bench, or bring the stored one up to date; its id."""
    table = schema.bench
    fresh = {"name": name, "title": bench.title, "toml": bench_toml(bench), "rev": 1}
    is_new = insert_unless_there(connection, table, fresh)
    row = connection.execute(sa.select(table).where(table.c.name == name).with_for_update()).mappings().one()
    bench_id: int = row["id"]
    if is_new:
        return bench_id
    text = bench_toml(_merged(connection, bench_id, parse_bench(row["toml"], name)[0], bench))
    if text != row["toml"]:
        entry = {"bench_id": bench_id, "rev": row["rev"], "changed_at": now_text()}
        history = entry | {"toml_before": row["toml"], "why": _why(source)}
        connection.execute(schema.bench_history.insert(), history)
        values = {"title": bench.title, "toml": text, "rev": row["rev"] + 1}
        connection.execute(table.update().where(table.c.id == bench_id).values(values))
    return bench_id


def _merged(connection: sa.Connection, bench_id: int, stored: Bench, new: Bench) -> Bench:
    """The new bench, with those entries of the stored one that stored runs still need."""
    shelves: dict[str, Any] = {}
    for shelf, column in _SHELVES.items():
        used = set(connection.scalars(sa.select(column).where(schema.run.c.bench_id == bench_id).distinct()))
        old, fresh = getattr(stored, shelf), getattr(new, shelf)
        shelves[shelf] = {**fresh, **{n: e for n, e in old.items() if n not in fresh and n in used}}
    return replace(new, **shelves)


def _store_trace(
    connection: sa.Connection, digest: str | None, run: Run, blobs: Iterable[tuple[str, bytes]]
) -> None:
    if digest is None or run.trace is None:
        return
    if insert_unless_there(connection, schema.trace, {"digest": digest, "samples": run.trace.time_s.size}):
        rows = [
            {"trace": digest, "position": n, "name": name, "codec": CODEC, "data": data}
            for n, (name, data) in enumerate(blobs)
        ]
        connection.execute(schema.channel.insert(), rows)


def _store_run(
    connection: sa.Connection, arrival: _Arrival, bench_id: int, source: str, added: Added
) -> Added:
    table, record = schema.run, arrival.record
    mine = (table.c.bench_id == bench_id) & (table.c.run == record["run"])
    row = connection.execute(sa.select(table).where(mine)).mappings().one_or_none()
    origin = {"source": source, "imported": arrival.imported, "fingerprint": arrival.fingerprint}
    if row is None:
        last = sa.select(sa.func.max(table.c.position)).where(table.c.bench_id == bench_id)
        place = {"id": str(uuid4()), "bench_id": bench_id, "position": (connection.scalar(last) or 0) + 1}
        connection.execute(table.insert(), columns_of(record) | place | origin | {"rev": 1})
        return replace(added, new=added.new + 1)
    if row["fingerprint"] == arrival.fingerprint:  # another import was quicker
        return replace(added, unchanged=added.unchanged + 1)
    before = json.loads(row["imported"])
    taken = {f: v for f, v in record.items() if before.get(f) != v}
    elsewhere = (record["run"],) if row["source"] != source else ()
    if elsewhere:  # what this source never knew is no value taken back
        taken = {f: v for f, v in taken.items() if v not in (None, {})}
    keep_history(connection, row, taken, _why(source), **origin)
    return replace(added, changed=added.changed + 1, from_elsewhere=(*added.from_elsewhere, *elsewhere))


def _store_findings(
    connection: sa.Connection, bench_id: int, source: str, findings: Iterable[Finding]
) -> None:
    """Keep what was found in this source, in place of what was found in it before."""
    table = schema.source
    mine = (table.c.bench_id == bench_id) & (table.c.name == source)
    insert_unless_there(connection, table, {"bench_id": bench_id, "name": source, "imported_at": now_text()})
    connection.execute(table.update().where(mine).values(imported_at=now_text()))
    source_id = connection.scalar(sa.select(table.c.id).where(mine))
    connection.execute(schema.finding.delete().where(schema.finding.c.source_id == source_id))
    rows = [
        {
            "source_id": source_id,
            "position": n,
            "gravity": str(f.gravity),
            "what": f.what,
            "cure": f.cure,
            "file": f.place.file,
            "line": f.place.line,
            "column_name": f.place.column,
            "run": f.place.run,
        }
        for n, f in enumerate(findings)
    ]
    if rows:
        connection.execute(schema.finding.insert(), rows)


def _why(source: str) -> str:
    return f"import from {source}"
