"""Bring a book of runs into the logbook: what is new, what has changed since, what is there already."""

from __future__ import annotations

import json
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any, TypeVar
from uuid import UUID, uuid5

import sqlalchemy as sa

from rig.bench import BENCH_FILE, Bench, parse_bench
from rig.bench_text import merged, tables_of
from rig.bench_toml import bench_toml
from rig.consistency.judging import Judged
from rig.errors import BenchError, Place
from rig.logbook import schema
from rig.logbook.changes import (
    TAKEN_BACK,
    Kind,
    Step,
    begin_bench_row,
    describe_bench,
    insert_unless_there,
    keep_history,
    note_new,
    now_text,
    set_deleted,
    write_change,
)
from rig.logbook.connect import writing
from rig.logbook.edits import Change
from rig.logbook.records import (
    CODEC,
    Record,
    blobs_from_trace,
    columns_of,
    fingerprint,
    json_text,
    record_from_row,
    record_from_run,
    trace_digest,
)
from rig.names import refuse_unclear
from rig.runs import Finding, Run, RunBook, Trace

Progress = Callable[[int, int], None]
T = TypeVar("T")

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
class Past:
    """What a run went through elsewhere: its revision, where it came from, what that said, each change since."""

    rev: int
    source: str | None
    imported: str | None
    changes: tuple[Change, ...]


@dataclass(frozen=True)
class Delivery:
    """A bench and its runs on their way in, a few at a time, so that no more need be in memory.

    `names` are those of all runs to come. `findings` is asked once they have come. `files` as in a `RunBook`.
    """

    bench: Bench
    names: Sequence[str]
    batches: Iterable[Sequence[tuple[Run, Past | None]]]
    findings: Callable[[], Iterable[Finding]]
    files: Mapping[str, bytes]


@dataclass(frozen=True)
class _Arrival:
    """A run on its way in, ready to be stored."""

    record: Record
    imported: str
    fingerprint: str
    run: Run
    past: Past | None = None


def add_book(
    engine: sa.Engine, book: RunBook, bench_name: str, source: str, progress: Progress | None = None
) -> Added:
    """Store the runs of a book; see `add_delivery`."""
    batches = ([(run, None) for run in batch] for batch in in_batches(book.runs))
    names = [r.run for r in book.runs]
    delivery = Delivery(book.bench, names, batches, lambda: book.findings, book.files)
    return add_delivery(engine, delivery, bench_name, source, progress)


def add_delivery(
    engine: sa.Engine, coming: Delivery, bench_name: str, source: str, progress: Progress | None = None
) -> Added:
    """Store runs as they come, in batches that are each stored whole or not at all.

    A run is known by its name on its bench. Where the source has changed since the last import, the fields
    that changed there are taken over and the rest, with what was edited by hand, stays. Another source than
    the last may give values and change them, but what it lacks it does not take away. Runs and bench entries
    that the source no longer has stay too. A run that is new keeps the past it came with.

    `progress` is called with (runs done, runs in all) after each batch is on disk.

    Raises
    ------
    BenchError
        Where two runs have one name, or a name cannot be told from another.
    """
    twice = [name for name, count in Counter(coming.names).items() if count > 1]
    if twice:
        raise BenchError("two runs have this name", Place(run=twice[0]), "Give each a name of its own")
    with writing(engine).begin() as connection:
        _refuse_unclear_names(connection, coming.bench, bench_name)
        step = _store_bench(connection, coming, bench_name, source)
        bench_id = step.bench_id
        known = _fingerprints(connection, bench_id)
        # a run that is there already stays within reach, whatever it is called
        refuse_unclear("run", [name for name in coming.names if name not in known], known)
    added = Added()
    done = 0
    for batch in coming.batches:
        arrivals = [_arrival(run, past) for run, past in batch]
        changed = [(a, _blobs(a)) for a in arrivals if known.get(a.record["run"]) != a.fingerprint]
        added = replace(added, unchanged=added.unchanged + len(arrivals) - len(changed))
        if changed:
            with writing(engine).begin() as connection:
                lock_bench(connection, bench_id)
                for arrival, blobs in changed:
                    store_trace(connection, arrival.record["trace"], arrival.run.trace, blobs)
                    added = _store_run(connection, arrival, step, source, added)
        back = _bring_back(engine, step, [a.record["run"] for a in arrivals])
        added = replace(added, new=added.new + back, unchanged=added.unchanged - back)
        done += len(batch)
        if progress is not None:
            progress(done, len(coming.names))
    with writing(engine).begin() as connection:
        _store_findings(connection, bench_id, source, coming.findings())
        step.write(connection)
    return added


def add_by_hand(connection: sa.Connection, step: Step, told: Sequence[Judged]) -> None:
    """Add runs that somebody wrote down, none of which is there, with what was found in them."""
    source = f"run sheet, {now_text()}"
    for one in told:
        _store_run(connection, _arrival(one.run), step, source, Added())
    if told:
        findings = [f for one in told for f in one.findings(Place())]
        _store_findings(connection, step.bench_id, source, findings)


def _bring_back(engine: sa.Engine, step: Step, names: Sequence[str]) -> int:
    """Let runs come in again that are gone only because the step that brought them was taken back; how many."""
    gone, run = schema.run_deleted, schema.run
    with writing(engine).begin() as connection:
        query = (
            sa.select(run)
            .join_from(run, gone)
            .where(
                (run.c.bench_id == step.bench_id) & run.c.run.in_(names) & gone.c.why.startswith(TAKEN_BACK)
            )
        )
        rows = connection.execute(query).mappings().all()
        for row in rows:
            step.changed(row, set_deleted(connection, row, step.why, deleted=False))
        return len(rows)


def _refuse_unclear_names(connection: sa.Connection, bench: Bench, bench_name: str) -> None:
    benches = list(connection.scalars(sa.select(schema.bench.c.name)))
    if bench_name not in benches:  # what is there already was taken once, and stays within reach
        refuse_unclear("bench", [bench_name], benches)
    for kind, names in (
        ("vessel", bench.vessels),
        ("ice", bench.ice),
        ("recipe", bench.recipes),
        ("target", bench.targets),
        ("technique", bench.techniques),
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
    store_trace(connection, arrival.record["trace"], run.trace, _blobs(arrival))
    rev = keep_history(connection, row, arrival.record, _why(source))
    _store_findings(connection, bench_id, source, book.findings)
    return rev


def in_batches(runs: Iterable[T]) -> Iterator[tuple[T, ...]]:
    """As many at a time as are stored in one commit."""
    rest = iter(runs)
    while batch := tuple(islice(rest, _BATCH)):
        yield batch


def _arrival(run: Run, past: Past | None = None) -> _Arrival:
    record = record_from_run(run)
    # As an older logbook wrote it down, so that the same run is not taken for a changed one.
    imported = json_text({f: v for f, v in record.items() if v is not None or f not in schema.SINCE_STEP_4})
    return _Arrival(record, imported, fingerprint(imported), run, past)


def _blobs(arrival: _Arrival) -> list[tuple[str, bytes]]:
    return blobs_from_trace(arrival.run.trace) if arrival.run.trace is not None else []


def _fingerprints(connection: sa.Connection, bench_id: int) -> dict[str, str]:
    """The fingerprint of each stored run by its name."""
    columns = schema.run.c.run, schema.run.c.fingerprint
    rows = connection.execute(sa.select(*columns).where(schema.run.c.bench_id == bench_id))
    return {row.run: row.fingerprint for row in rows}


def lock_bench(connection: sa.Connection, bench_id: int) -> None:
    """Let nobody else bring runs to this bench meanwhile (SQLite's writers queue anyway)."""
    connection.execute(sa.select(schema.bench.c.id).where(schema.bench.c.id == bench_id).with_for_update())


def _store_bench(connection: sa.Connection, coming: Delivery, name: str, source: str) -> Step:
    """Store a new bench, or bring the stored one up to date: the beginning of the import's step."""
    table = schema.bench
    lay_there = _text_of(coming.files.get(BENCH_FILE))
    theirs = bench_toml(coming.bench) if lay_there is None else lay_there
    is_new = begin_bench_row(connection, name, coming.bench.title, theirs)
    row = connection.execute(sa.select(table).where(table.c.name == name).with_for_update()).mappings().one()
    step = Step(row["id"], _why(source), began_bench=is_new or take_out(connection, row["id"]))
    if is_new:
        _store_files(connection, step.bench_id, coming.files or {BENCH_FILE: zlib.compress(theirs.encode())})
        return step
    base, mine = kept_text(connection, step.bench_id), row["toml"]
    if lay_there is None and parse_bench(mine)[0] == coming.bench:
        return step
    by_hand = base is not None and tables_of(base) != tables_of(mine)
    needed = named_by_runs(connection, step.bench_id)
    text = merged(base, mine, theirs, needed=needed, yields=lay_there is None)
    title = parse_bench(text)[0].title
    step.bench_rev = describe_bench(connection, step.bench_id, title, text, step.why)
    if coming.files:
        _store_files(connection, step.bench_id, coming.files)
    elif not by_hand:
        keep_text(connection, step.bench_id, text)
    return step


def named_by_runs(connection: sa.Connection, bench_id: int) -> dict[str, set[str]]:
    """What a bench's runs name, by shelf: its entries that cannot go."""
    mine = schema.run.c.bench_id == bench_id
    return {s: set(connection.scalars(sa.select(c).where(mine).distinct())) for s, c in _SHELVES.items()}


def take_out(connection: sa.Connection, bench_id: int) -> bool:
    """Take a bench out again that had been put away; whether it had been."""
    table = schema.bench_put_away
    mine = table.c.bench_id == bench_id
    if connection.scalar(sa.select(table.c.bench_id).where(mine)) is None:
        return False  # asked first: not everybody may take one out
    connection.execute(table.delete().where(mine))
    return True


def kept_text(connection: sa.Connection, bench_id: int) -> str | None:
    """The bench.toml as it came in last; None where that was never kept."""
    table = schema.bench_file
    mine = (table.c.bench_id == bench_id) & (table.c.name == BENCH_FILE)
    return _text_of(connection.scalar(sa.select(table.c.data).where(mine)))


def keep_text(connection: sa.Connection, bench_id: int, text: str) -> None:
    """Keep a bench.toml as what came in last, in place of the one before."""
    table = schema.bench_file
    connection.execute(table.delete().where((table.c.bench_id == bench_id) & (table.c.name == BENCH_FILE)))
    row = {"bench_id": bench_id, "name": BENCH_FILE, "data": zlib.compress(text.encode())}
    connection.execute(table.insert(), row)


def _text_of(data: bytes | None) -> str | None:
    return None if data is None else zlib.decompress(data).decode("utf-8-sig")


def _store_files(connection: sa.Connection, bench_id: int, files: Mapping[str, bytes]) -> None:
    """Keep a folder's files in place of those kept before."""
    table = schema.bench_file
    there = connection.execute(sa.select(table.c.name, table.c.data).where(table.c.bench_id == bench_id))
    if {name: bytes(data) for name, data in there} == dict(files):
        return
    connection.execute(table.delete().where(table.c.bench_id == bench_id))
    rows = [{"bench_id": bench_id, "name": name, "data": data} for name, data in files.items()]
    connection.execute(table.insert(), rows)


def keep_traces(engine: sa.Engine, traces: Iterable[Trace]) -> None:
    """Store traces that no run has any more, but a correction that may be taken back."""
    for trace in traces:
        blobs = blobs_from_trace(trace)
        with writing(engine).begin() as connection:
            store_trace(connection, trace_digest(trace), trace, blobs)


def store_trace(
    connection: sa.Connection, digest: str | None, trace: Trace | None, blobs: Iterable[tuple[str, bytes]]
) -> None:
    """Keep a trace under its digest, where it is not kept yet."""
    if digest is None or trace is None:
        return
    if insert_unless_there(connection, schema.trace, {"digest": digest, "samples": trace.time_s.size}):
        rows = [
            {"trace": digest, "position": n, "name": name, "codec": CODEC, "data": data}
            for n, (name, data) in enumerate(blobs)
        ]
        connection.execute(schema.channel.insert(), rows)


def _store_run(connection: sa.Connection, arrival: _Arrival, step: Step, source: str, added: Added) -> Added:
    table, record, bench_id = schema.run, arrival.record, step.bench_id
    mine = (table.c.bench_id == bench_id) & (table.c.run == record["run"])
    row = connection.execute(sa.select(table).where(mine)).mappings().one_or_none()
    origin = {"source": source, "imported": arrival.imported, "fingerprint": arrival.fingerprint}
    run_id = _run_id(connection, bench_id, arrival)
    if row is None:
        insert_run(connection, step, run_id, record, origin | _past(arrival.past))
        for change in () if arrival.past is None else arrival.past.changes:
            write_change(connection, run_id, change)
        return replace(added, new=added.new + 1)
    known = row["fingerprint"] == arrival.fingerprint  # another import was quicker
    if arrival.past is None:
        known |= connection.scalar(sa.select(table.c.id).where(table.c.id == run_id)) is not None
    else:
        known |= record_from_row(row) == record
    if known:
        return replace(added, unchanged=added.unchanged + 1)
    before = json.loads(row["imported"])
    taken = {f: v for f, v in record.items() if before.get(f) != v}
    elsewhere = (record["run"],) if row["source"] != source else ()
    if elsewhere:  # what this source never knew is no value taken back
        taken = {f: v for f, v in taken.items() if v not in (None, {})}
    step.changed(row, keep_history(connection, row, taken, _why(source), columns=origin))
    return replace(added, changed=added.changed + 1, from_elsewhere=(*added.from_elsewhere, *elsewhere))


def _past(past: Past | None) -> dict[str, Any]:
    """The columns of a run that say what it went through."""
    if past is None:
        return {}
    origin = {"source": past.source} if past.source is not None else {}
    if past.imported is not None:
        origin |= {"imported": past.imported, "fingerprint": fingerprint(past.imported)}
    return origin | {"rev": past.rev}


def insert_run(
    connection: sa.Connection, step: Step, run_id: str, record: Record, origin: Mapping[str, Any]
) -> None:
    """Add a run at the end of the step's bench; `origin`: its source, and what was imported of it."""
    table = schema.run
    last = sa.select(sa.func.max(table.c.position)).where(table.c.bench_id == step.bench_id)
    place = {"id": run_id, "bench_id": step.bench_id, "position": (connection.scalar(last) or 0) + 1}
    connection.execute(table.insert(), columns_of(record) | place | {"rev": 1} | dict(origin))
    step.runs.append((run_id, 1))
    note_new(connection, Kind.RUN, run_id)


_RUNS = UUID("0f6e2f9c-8f0b-4c8e-9a36-5d3c1f7f9b21")
"""The namespace of runs' ids (RFC 9562, version 5)."""


def _run_id(connection: sa.Connection, bench_id: int, arrival: _Arrival) -> str:
    """A run's id in all logbooks: of its bench and what it holds, so that one folder imported twice is one run each."""
    bench = connection.scalar(sa.select(schema.bench.c.name).where(schema.bench.c.id == bench_id))
    past = arrival.past
    came = arrival.fingerprint if past is None or past.imported is None else fingerprint(past.imported)
    return str(uuid5(_RUNS, f"{bench}\0{arrival.record['run']}\0{came}"))


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
