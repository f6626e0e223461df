"""Read the open data back: bench by bench, a few runs and their traces at a time."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby
from typing import Any

import sqlalchemy as sa

from rig.bench import BENCH_FILE, parse_bench
from rig.consistency.judging import judged
from rig.errors import BenchError, Place
from rig.logbook import schema
from rig.logbook.connect import explained
from rig.logbook.edits import Change
from rig.logbook.intake import Added, Delivery, Past, Progress, add_delivery, in_batches, keep_traces
from rig.logbook.open_data.parquet import Package
from rig.logbook.open_data.tables import BENCHES, CORRECTIONS, FINDINGS, RUN_COLUMNS, RUNS
from rig.logbook.records import FIELDS, run_from_record, trace_digest
from rig.logbook.schema import NUMBERS, TEXTS
from rig.logbook.store import Logbook
from rig.runs import Finding, Gravity, Run

_CURE = "Export it again"


@dataclass(frozen=True)
class BroughtIn:
    """One bench of a package in the logbook: its name there, its title, how many runs came, what was made of them."""

    name: str
    title: str
    runs: int
    added: Added
    findings: tuple[Finding, ...]


def benches_of(package: Package) -> tuple[tuple[str, str, int], ...]:
    """Name, title and number of runs of each bench of a package."""
    return tuple((b["bench"], b["title"] or "", b["runs"]) for b in package.rows(BENCHES))


def read_open_data(
    logbook: Logbook,
    package: Package,
    source: str,
    as_name: str | None = None,
    progress: Progress | None = None,
) -> tuple[BroughtIn, ...]:
    """Bring a package's benches into a logbook, as `Logbook.add` does; new runs come with their corrections.

    `as_name`: what its only bench is called there.

    Raises
    ------
    BenchError
        Where a table says what cannot be; several benches and one name; a package without names over a bench that
        has some.
    """
    with explained(logbook.where):
        return tuple(_bring_in(logbook, package, source, as_name, progress))


def _bring_in(
    logbook: Logbook, package: Package, source: str, as_name: str | None, progress: Progress | None
) -> Iterator[BroughtIn]:
    benches = list(package.rows(BENCHES))
    if as_name is not None and len(benches) != 1:
        raise BenchError(f"it holds {len(benches)} benches", Place(source), "Give a name (--as) to one alone")
    if not package.with_names:
        for row in benches:
            _refuse_over_names(logbook, as_name or row["bench"], source)
    replaced = _replaced(package)
    keep_traces(logbook._engine, (package.traces.get(number) for number in replaced.values()))
    known = _reproduced(package, replaced)
    for row in benches:
        name = as_name or row["bench"]
        there = _findings_from_elsewhere(logbook, name, source)
        coming = _Coming(package, row["bench"], row["bench_toml"], known, there)
        delivery = coming.delivery()
        added = add_delivery(logbook._engine, delivery, name, source, progress)
        yield BroughtIn(name, delivery.bench.title, len(delivery.names), added, tuple(coming.found))


def _refuse_over_names(logbook: Logbook, name: str, source: str) -> None:
    """Numbers that stand for people are not laid over their names."""
    with logbook._reading() as connection:
        bench_id = connection.scalar(sa.select(schema.bench.c.id).where(schema.bench.c.name == name))
        mine = (schema.source.c.bench_id == bench_id) & (schema.source.c.name == source)
        if bench_id is not None and connection.scalar(sa.select(schema.source.c.id).where(mine)) is None:
            raise BenchError(
                f"it has no names, and the logbook holds a bench {name!r} already",
                Place(source),
                "Bring it in under another name (--as NAME), or into another logbook (--logbook)",
            )


def _findings_from_elsewhere(logbook: Logbook, name: str, source: str) -> frozenset[tuple[str, str | None]]:
    """What other sources of a bench were found to say, and of which run: it is not kept twice."""
    query = (
        sa.select(schema.finding.c.what, schema.finding.c.run)
        .join_from(schema.finding, schema.source)
        .join(schema.bench)
        .where((schema.bench.c.name == name) & (schema.source.c.name != source))
    )
    with logbook._reading() as connection:
        return frozenset((what, run) for what, run in connection.execute(query))


def _replaced(package: Package) -> dict[str, int]:
    """The traces that no run has any more, by digest: number of each."""
    numbers = package.column(RUNS, "trace")
    told = package.digests()
    return {digest: number for digest, number in told.items() if number not in numbers}


def _reproduced(package: Package, replaced: Mapping[str, int]) -> frozenset[str]:
    """The digests under which the logbook finds a trace again."""
    odd = {d for d, number in replaced.items() if trace_digest(package.traces.get(number)) != d}
    return frozenset(package.digests().keys() - odd)


@dataclass
class _Coming:
    """One bench of a package on its way in."""

    package: Package
    bench_name: str
    toml: str
    known: frozenset[str]
    there: frozenset[tuple[str, str | None]]
    found: list[Finding] = field(default_factory=list)

    def delivery(self) -> Delivery:
        """Its runs, as the logbook takes them."""
        self.bench = parse_bench(self.toml, self.package.where)[0]
        names = [row["run"] for row in self.package.rows(RUNS, self.bench_name, ("run",))]
        files = {BENCH_FILE: zlib.compress(self.toml.encode())}
        return Delivery(self.bench, names, self._batches(), self._findings, files)

    def _batches(self) -> Iterator[Sequence[tuple[Run, Past | None]]]:
        changes = self._changes()
        for rows in in_batches(self.package.rows(RUNS, self.bench_name)):
            told = judged(self.bench, tuple(self._run(row) for row in rows))
            self.found += [f for one in told for f in one.findings(Place(self.package.where))]
            yield [
                (one.run, _past(row, changes.get(row["run"], ()), self.package.where))
                for one, row in zip(told, rows, strict=True)
            ]

    def _run(self, row: Mapping[str, Any]) -> Run:
        record = dict.fromkeys(FIELDS) | {name: row[name] for name in ("run", *RUN_COLUMNS)}
        place = Place(self.package.where, run=str(row["run"]))
        lacking = [name for name in ("run", *TEXTS) if not isinstance(record[name], str)]
        if lacking:
            raise BenchError(f"the run has no {', '.join(lacking)}", place, _CURE)
        try:
            record["extra"] = _texts(json.loads(record["extra"] or "{}"))
            trace = None if row["trace"] is None else self.package.traces.get(row["trace"])
            return run_from_record(record, trace)
        except (ValueError, TypeError) as error:
            raise BenchError(f"the run cannot be read: {error}", place, _CURE) from error

    def _changes(self) -> dict[str, tuple[Change, ...]]:
        """The corrections of the bench's runs, by run, oldest first."""
        rows = sorted(
            (r for r in self.package.rows(CORRECTIONS, self.bench_name)), key=lambda r: (r["run"], r["rev"])
        )
        return {
            run: tuple(self._change(rev, list(fields)) for rev, fields in groupby(of_run, lambda r: r["rev"]))
            for run, of_run in groupby(rows, key=lambda r: r["run"])
        }

    def _change(self, rev: int, rows: Sequence[Mapping[str, Any]]) -> Change:
        place = Place(self.package.where, run=rows[0]["run"])
        try:
            told = {
                r["field"]: (json.loads(r["before"] or "null"), json.loads(r["after"] or "null"))
                for r in rows
            }
            changes = {f: both for f, both in told.items() if all(self._can_be(f, v) for v in both)}
            one = rows[0]
            return Change(
                rev,
                datetime.fromisoformat(one["changed_at"]),
                one["why"] or "",
                changes,
                id=one["change"],
                follows={r["field"]: _ids(r["follows"]) for r in rows if r["field"] in changes},
                made_in=one["made_in"] or "",
            )
        except (ValueError, TypeError) as error:
            raise BenchError(f"a correction cannot be read: {error}", place, _CURE) from error

    def _can_be(self, name: str, value: Any) -> bool:
        """Whether a run could have had this value, so that a correction can be taken back."""
        if name in NUMBERS:
            return value is None or (isinstance(value, int | float) and not isinstance(value, bool))
        if name == "extra":
            return isinstance(value, dict) and all(isinstance(v, str) for v in value.values())
        if name == "trace":
            return value is None or value in self.known
        if name in TEXTS:
            return isinstance(value, str)
        return name in RUN_COLUMNS and (value is None or isinstance(value, str))

    def _findings(self) -> tuple[Finding, ...]:
        """What the package says was found, and what was found in it now besides."""
        said = [
            Finding(
                Gravity(row["gravity"]),
                row["what"],
                Place(row["file"], row["line"], row["column"], row["run"]),
                row["cure"] or "",
            )
            for row in self.package.rows(FINDINGS, self.bench_name)
        ]
        known = {(f.what, f.place.run) for f in said}
        every = (*said, *(f for f in self.found if (f.what, f.place.run) not in known))
        self.found = [f for f in every if (f.what, f.place.run) not in self.there]
        return tuple(self.found)


def _ids(text: str | None) -> tuple[str, ...]:
    ids = json.loads(text or "[]")
    if not isinstance(ids, list):
        raise ValueError("follows is no list")
    return tuple(str(i) for i in ids)


def _past(row: Mapping[str, Any], changes: tuple[Change, ...], where: str) -> Past:
    came = row["as_imported"]
    try:
        if came is not None and not isinstance(json.loads(came), dict):
            raise ValueError("as_imported is no object")
    except ValueError as error:
        raise BenchError(f"the run cannot be read: {error}", Place(where, run=row["run"]), _CURE) from error
    rev = max((1, *(c.rev for c in changes)))
    return Past(rev, row["source"], came, tuple(c for c in changes if c.changes))


def _texts(value: Any) -> dict[str, str]:
    if not isinstance(value, dict):
        raise ValueError("extra is no object")
    return {str(k): str(v) for k, v in value.items()}
