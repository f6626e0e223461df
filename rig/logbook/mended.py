"""What was found in runs at their import, as it still stands once somebody has corrected them."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from rig.bench import Bench
from rig.consistency.judging import judged
from rig.consistency.objection import PROBE
from rig.errors import Place
from rig.logbook import schema
from rig.logbook.edits import JUDGED
from rig.logbook.records import record_from_row, run_from_record
from rig.runs import Finding, Gravity, Run, Trace

Traces = Callable[[Sequence[str]], Mapping[str, Trace]]


def still_standing(
    connection: sa.Connection, bench_id: int, bench: Bench, traces: Traces
) -> tuple[Finding, ...]:
    """The findings of a bench without those that corrections have answered, and with what these runs say now.

    `traces` gives stored traces by their digests; it is asked for those of corrected runs alone.
    """
    findings, changed = _findings(connection, bench_id), _changed(connection, bench_id)
    if not changed:
        return findings
    kept = [f for f in findings if not _answered(f, changed)]
    digests = [d for row, _ in changed.values() if (d := row["trace"]) is not None]
    found = traces(digests)
    runs = [run_from_record(record_from_row(row), found.get(row["trace"])) for row, _ in changed.values()]
    return (*kept, *_as_they_are(bench, runs))


def _changed(connection: sa.Connection, bench_id: int) -> dict[str, tuple[sa.RowMapping, set[str]]]:
    """The runs that were corrected by hand since their last import, and which of their judged fields were."""
    table = schema.run
    query = sa.select(table).where((table.c.bench_id == bench_id) & (table.c.rev > 1))
    out = {}
    for row in connection.execute(query).mappings():
        before: dict[str, Any] = json.loads(row["imported"])
        record = record_from_row(row)
        fields = {f for f in (*JUDGED, "trace") if before.get(f) != record[f]}
        if fields:
            out[row["run"]] = row, fields
    return out


def _answered(finding: Finding, changed: Mapping[str, tuple[sa.RowMapping, set[str]]]) -> bool:
    """Whether a finding is about a value that was corrected, or a doubt that is judged anew."""
    row, fields = changed.get(finding.place.run or "", (None, set()))
    column = finding.place.column
    if row is None or column is None:
        return False
    if column in fields:
        return True
    judged_anew = column in JUDGED or (column == PROBE and row["trace"] is not None)
    return judged_anew and finding.gravity is Gravity.DOUBT


def _as_they_are(bench: Bench, runs: Iterable[Run]) -> Iterator[Finding]:
    for one in judged(bench, tuple(runs)):
        yield from one.findings(Place())


def _findings(connection: sa.Connection, bench_id: int) -> tuple[Finding, ...]:
    table = schema.finding
    query = (
        sa.select(table)
        .join_from(table, schema.source)
        .where(schema.source.c.bench_id == bench_id)
        .order_by(schema.source.c.id, table.c.position)
    )
    return tuple(
        Finding(
            Gravity(row["gravity"]),
            row["what"],
            Place(row["file"], row["line"], row["column_name"], row["run"]),
            row["cure"],
        )
        for row in connection.execute(query).mappings()
    )
