"""What of the logbook goes into the open data, read a few rows at a time by one snapshot of the database."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Any

import sqlalchemy as sa

from rig.bench import parse_bench
from rig.bench_fields import SHELVES, Kind
from rig.bench_fields import Field as BenchField
from rig.bench_text import tables_of
from rig.bench_toml import bench_toml
from rig.logbook import schema
from rig.logbook.open_data.tables import RUN_COLUMNS, field_columns
from rig.logbook.records import trace_from_blobs
from rig.runs import Trace

Row = dict[str, Any]
FREE_TEXTS = ("notes", "extra", "trace_file", "excluded_because")
"""Fields of a run in which anything may stand, names too."""
PSEUDONYMS = {"operator": "hand", "session": "session"}
_BATCH = 500
"""Rows fetched at once: what the size of the logbook does not change."""


@dataclass
class Names:
    """What stands for people's names: themselves where they are wanted, else numbers within each bench."""

    wanted: bool
    _numbers: dict[tuple[str, str, str], str] = field(default_factory=dict)

    def of(self, bench: str, name: str, value: Any) -> Any:
        """A field's value as it goes out."""
        if self.wanted or value is None:
            return value
        if (word := PSEUDONYMS.get(name)) is not None:
            key = bench, name, value
            if key not in self._numbers:
                known = sum(k[:2] == key[:2] for k in self._numbers)
                self._numbers[key] = f"{word} {known + 1}"
            return self._numbers[key]
        if name == "excluded_because":
            return "left out"
        return None if name in FREE_TEXTS else value


@dataclass(frozen=True)
class Contents:
    """What a package holds of a logbook: the benches of these names, without what was deleted."""

    connection: sa.Connection
    benches: Sequence[str]
    names: Names

    def _streamed(self, query: sa.Select[Any]) -> Iterator[sa.RowMapping]:
        """The rows of a query, fetched as they are asked for."""
        return iter(self.connection.execution_options(yield_per=_BATCH).execute(query).mappings())

    def _of_benches(self) -> sa.ColumnElement[bool]:
        return schema.bench.c.name.in_(self.benches) & schema.present()

    def count_runs(self) -> int:
        """How many runs go out."""
        query = sa.select(sa.func.count()).select_from(schema.run).join(schema.bench)
        return self.connection.scalar(query.where(self._of_benches())) or 0

    def bench_rows(self) -> Iterator[Row]:
        """The benches, by name."""
        count = sa.func.count(schema.run.c.id).filter(schema.present())
        query = (
            sa.select(schema.bench.c.name, schema.bench.c.toml, count.label("runs"))
            .join_from(schema.bench, schema.run, isouter=True)
            .where(schema.bench.c.name.in_(self.benches))
            .group_by(schema.bench.c.id, schema.bench.c.name, schema.bench.c.toml)
            .order_by(schema.bench.c.name)
        )
        for row in self._streamed(query):
            bench = parse_bench(row["toml"])[0]
            toml = row["toml"] if self.names.wanted else bench_toml(replace(bench, notes={}))
            yield {"bench": row["name"], "title": bench.title, "runs": row["runs"], "bench_toml": toml}

    def shelf_rows(self, section: str) -> Iterator[Row]:
        """The entries of a section of every bench; a recipe has a row for each ingredient."""
        shelf = SHELVES[section]
        query = sa.select(schema.bench.c.name, schema.bench.c.toml).where(
            schema.bench.c.name.in_(self.benches)
        )
        for bench, toml in self.connection.execute(query.order_by(schema.bench.c.name)):
            for name, entry in tables_of(toml)[section].items():
                first = {"bench": bench, shelf.one: name}
                if not shelf.parts:
                    yield first | _said(shelf.fields, entry)
                    continue
                parts = entry.get("ingredients", ()) if isinstance(entry, dict) else ()
                for n, part in enumerate(parts if isinstance(parts, list) else (), 1):
                    yield first | {"position": n} | _said(shelf.parts, part)

    def run_rows(self) -> Iterator[Row]:
        """The runs, bench by bench in the order they came in; the trace stands as its number."""
        run, numbered = schema.run, self._numbered()
        query = (
            sa.select(schema.bench.c.name.label("bench"), run, numbered.c.number)
            .join_from(schema.bench, run)
            .join(numbered, numbered.c.trace == run.c.trace, isouter=True)
            .where(self._of_benches())
            .order_by(schema.bench.c.name, run.c.position)
        )
        for row in self._streamed(query):
            bench = row["bench"]
            values = {name: self.names.of(bench, name, row[name]) for name in RUN_COLUMNS}
            if values["extra"] == "{}":
                values["extra"] = None
            came = {"source": row["source"], "as_imported": row["imported"]} if self.names.wanted else {}
            yield (
                {"bench": bench, "run": row["run"], "trace": row["number"], "rev": row["rev"]} | values | came
            )

    def correction_rows(self) -> Iterator[Row]:
        """Every value that was changed, run by run in the order of the runs."""
        run, past = schema.run, schema.run_history
        query = (
            sa.select(
                schema.bench.c.name.label("bench"),
                run.c.run,
                past.c.rev,
                past.c.changed_at,
                past.c.why,
                past.c.changes,
                past.c.id.label("change"),
                past.c.follows,
                past.c.made_in,
            )
            .join_from(schema.bench, run)
            .join(past)
            .where(self._of_benches())
            .order_by(schema.bench.c.name, run.c.position, past.c.rev)
        )
        for row in self._streamed(query):
            first = {key: row[key] for key in ("bench", "run", "rev", "changed_at", "change", "made_in")}
            follows = json.loads(row["follows"])
            first["why"] = row["why"] if self.names.wanted else None
            for name, values in json.loads(row["changes"]).items():
                if name in FREE_TEXTS and not self.names.wanted:
                    continue
                told = (self.names.of(row["bench"], name, v) for v in values)
                before, after = (json.dumps(v, ensure_ascii=False) for v in told)
                known = json.dumps(follows.get(name, []))
                yield first | {"field": name, "before": before, "after": after, "follows": known}

    def finding_rows(self) -> Iterator[Row]:
        """What was found at imports, in that order."""
        finding, source = schema.finding, schema.source
        query = (
            sa.select(schema.bench.c.name.label("bench"), finding)
            .join_from(schema.bench, source)
            .join(finding, finding.c.source_id == source.c.id)
            .where(schema.bench.c.name.in_(self.benches))
            .order_by(schema.bench.c.name, source.c.id, finding.c.position)
        )
        for row in self._streamed(query):
            said = {key: row[key] for key in ("bench", "run", "gravity", "what", "cure", "line")}
            yield said | {"column": row["column_name"], "file": row["file"] if self.names.wanted else None}

    def traces(self) -> Iterator[tuple[int, str, Trace]]:
        """Number, digest and readings of each trace: in the order of the runs, then those that were replaced."""
        numbered, channel = self._numbered(), schema.channel
        columns = channel.c.name, channel.c.codec, channel.c.data
        query = (
            sa.select(numbered.c.number, numbered.c.trace, *columns)
            .join_from(numbered, channel, channel.c.trace == numbered.c.trace)
            .order_by(numbered.c.number, channel.c.position)
        )
        last = 0
        for (last, digest), rows in groupby(self._streamed(query), key=lambda r: (r["number"], r["trace"])):
            yield last, digest, _trace(rows)
        for n, digest in enumerate(self._replaced(), last + 1):
            rows = self._streamed(
                sa.select(*columns).where(channel.c.trace == digest).order_by(channel.c.position)
            )
            yield n, digest, _trace(rows)

    def _numbered(self) -> sa.Subquery:
        """The traces of the runs, numbered in the order in which the runs first name them."""
        order = sa.func.row_number().over(order_by=(schema.bench.c.name, schema.run.c.position))
        placed = (
            sa.select(schema.run.c.trace, order.label("place"))
            .join_from(schema.bench, schema.run)
            .where(self._of_benches() & schema.run.c.trace.is_not(None))
            .subquery()
        )
        return (
            sa.select(placed.c.trace, sa.func.min(placed.c.place).label("number"))
            .group_by(placed.c.trace)
            .subquery()
        )

    def _replaced(self) -> list[str]:
        """Digests of traces that a correction took from a run and no run has any more."""
        past, run = schema.run_history, schema.run
        query = (
            sa.select(past.c.changes)
            .join_from(schema.bench, run)
            .join(past)
            .where(self._of_benches() & past.c.changes.contains('"trace": ["'))
        )
        before = {json.loads(changes)["trace"][0] for changes in self.connection.scalars(query)}
        still = {
            digest
            for digest in before
            if self.connection.scalar(
                sa.select(run.c.trace)
                .join_from(schema.bench, run)
                .where(self._of_benches() & (run.c.trace == digest))
                .limit(1)
            )
        }
        return sorted(before - still)


def _trace(rows: Iterator[sa.RowMapping]) -> Trace:
    return trace_from_blobs((row["name"], row["codec"], row["data"]) for row in rows)


def _said(fields: Sequence[BenchField], entry: Any) -> Row:
    """What an entry of a bench.toml says of its fields; nothing where it says something else than a field holds."""
    out: Row = {}
    for one in fields:
        value: Any = entry
        for key in one.key.split("."):
            value = value.get(key) if isinstance(value, dict) else None
        columns = [column.name for column in field_columns(one)]
        values = value if one.window and isinstance(value, list) else [value]
        for column, told in zip(columns, values, strict=False):
            out[column] = _plain(one, told)
    return out


def _plain(one: BenchField, value: Any) -> Any:
    if one.kind in (Kind.NUMBER, Kind.SHARE):
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return value if isinstance(value, str) else None
