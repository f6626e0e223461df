"""A package of open data on disk: checked against its description, its rows and traces read as they are asked for."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

from rig.arrays import FloatArray
from rig.errors import BenchError, Place
from rig.logbook.open_data.tables import (
    BENCHES,
    CHANNELS,
    CORRECTIONS,
    DESCRIPTION,
    FINDINGS,
    FORMAT,
    INTEGER,
    NUMBER,
    RUNS,
    TRACES,
    Table,
)
from rig.logbook.open_data.write import TIME, arrow, arrow_type
from rig.runs import Trace

READ = (BENCHES, RUNS, CORRECTIONS, FINDINGS, CHANNELS, TRACES)
"""The tables that say all; the others tell it again for whoever reads the data elsewhere."""
_BATCH = 20_000
_MOST_IN_GROUP = 1 << 28
"""Bytes that a row group may take in memory: what repeats itself takes no room in a file and all the more here."""


def is_package(folder: Path) -> bool:
    """Whether a folder holds open data, whole or not."""
    return folder.is_dir() and (folder / DESCRIPTION).is_file()


def open_package(folder: Path) -> Package:
    """A package whose files are all there and are what its description says of them.

    Raises
    ------
    BenchError
        Where it is another package, is not whole, or has changed since it was written.
    RigError
        Where pyarrow is not installed.
    """
    arrow()
    path = folder / DESCRIPTION
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        ours = said["chillrig"]
        resources = {r["name"]: r for r in said["resources"]}
        if ours["format"] != FORMAT:
            raise ValueError(f"it is {ours['format']!r}")
    except (OSError, ValueError, TypeError, KeyError) as error:
        why = f"this describes no logbook: {error}"
        raise BenchError(why, Place(str(path)), "Give a folder that chillrig export wrote") from error
    for table in READ:
        _check(folder / table.file, table, resources.get(table.name, {}))
    return Package(folder, bool(ours.get("names")))


@dataclass(frozen=True, eq=False)
class Package:
    """An open package; whether people's names are in it."""

    folder: Path
    with_names: bool

    @property
    def where(self) -> str:
        """What messages call it."""
        return self.folder.name

    def rows(
        self, table: Table, bench: str | None = None, columns: Sequence[str] = ()
    ) -> Iterator[dict[str, Any]]:
        """The rows of a table, or those of a bench, a few in memory at a time."""
        from pyarrow import dataset

        names = list(columns or (c.name for c in table.columns))
        chosen = None if bench is None else dataset.field("bench") == bench
        for batch in self._batches(table, names, chosen):
            yield from batch.to_pylist()

    def column(self, table: Table, name: str) -> frozenset[Any]:
        """The values that there are in a column."""
        return frozenset(v for batch in self._batches(table, [name]) for v in batch.column(0).to_pylist())

    def digests(self) -> Mapping[str, int]:
        """The number of each trace by its digest."""
        return self._digests

    @cached_property
    def _digests(self) -> Mapping[str, int]:
        return {r["digest"]: r["trace"] for r in self.rows(CHANNELS, columns=("digest", "trace"))}

    @cached_property
    def traces(self) -> Traces:
        """Its traces, by number."""
        return Traces(self)

    def _batches(self, table: Table, columns: Sequence[str], chosen: Any = None) -> Iterator[Any]:
        pa, _ = arrow()
        from pyarrow import dataset

        path = self.folder / table.file
        wanted = pa.schema([(c.name, arrow_type(c)) for c in table.columns if c.name in columns])
        packed = dataset.ParquetReadOptions(dictionary_columns=[c.name for c in table.columns if c.is_text])
        try:
            scanner = dataset.dataset(path, format=dataset.ParquetFileFormat(read_options=packed)).scanner(
                columns=wanted.names, filter=chosen, batch_size=_BATCH, batch_readahead=1, use_threads=False
            )
            for batch in scanner.to_batches():
                if sum(_bytes_of(column) for column in batch.columns) > _MOST_IN_GROUP:
                    raise BenchError("a few rows of it hold more text than any logbook", Place(str(path)))
                yield from pa.Table.from_batches([batch]).cast(wanted).to_batches()
        except (pa.ArrowException, OSError) as error:
            raise BenchError(f"the table is damaged: {error}", Place(str(path)), "Export it again") from error


def _bytes_of(column: Any) -> int:
    """What the texts of a column come to once each row has its own."""
    import pyarrow as pa
    from pyarrow import compute

    if not pa.types.is_dictionary(column.type):
        return 0
    lengths = compute.binary_length(column.dictionary)
    return compute.sum(lengths.take(column.indices).cast(pa.int64())).as_py() or 0


class Traces:
    """The traces of a package: quick in the order in which they stand, and found wherever they stand."""

    def __init__(self, package: Package) -> None:
        self._package = package
        self._index = groupby(package.rows(CHANNELS), key=lambda row: int(row["trace"]))
        self._readings = _Readings(package._batches(TRACES, _READ))
        self._at, self._trace = 0, Trace(np.array([]))

    def get(self, number: int) -> Trace:
        """The trace of a number.

        Raises
        ------
        BenchError
            Where there is none, or it is not whole.
        """
        while self._at < number and (found := next(self._index, None)) is not None:
            self._at, channels = found[0], list(found[1])
            self._trace = self._joined(self._at, channels, self._readings)
        return self._trace if self._at == number else self._sought(number)

    def _sought(self, number: int) -> Trace:
        from pyarrow import dataset

        mine = dataset.field("trace") == number
        names = [c.name for c in CHANNELS.columns]
        channels = [r for b in self._package._batches(CHANNELS, names, mine) for r in b.to_pylist()]
        return self._joined(number, channels, _Readings(self._package._batches(TRACES, _READ, mine)))

    def _joined(self, number: int, channels: Sequence[Mapping[str, Any]], readings: _Readings) -> Trace:
        time_s: FloatArray | None = None
        read: dict[str, FloatArray] = {}
        for row in channels:
            whose, name, moments, read[row["channel"]] = readings.take(int(row["samples"]))
            same = time_s is None or np.array_equal(time_s, moments)
            if not (same and whose == {number} and name == {row["channel"]}) and moments.size:
                raise self._damaged(number)
            time_s = moments
        if time_s is None:
            raise self._damaged(number)
        return Trace.of({TIME: time_s} | read)

    def _damaged(self, number: int) -> BenchError:
        place = Place(str(self._package.folder / TRACES.file))
        return BenchError(f"trace {number} is not whole", place, "Export it again")


_READ = tuple(c.name for c in TRACES.columns)


class _Readings:
    """Rows of the table of traces, taken so many at a time."""

    def __init__(self, batches: Iterator[Any]) -> None:
        self._batches, self._held, self._from = batches, None, 0

    def take(self, count: int) -> tuple[set[int], set[str], FloatArray, FloatArray]:
        """Of the next rows: whose they are, of which channels, when and what was read."""
        import pyarrow as pa

        parts = []
        while count > 0:
            if self._held is None or self._from >= self._held.num_rows:
                self._held, self._from = next(self._batches, None), 0
                if self._held is None:
                    break
            parts.append(self._held.slice(self._from, count))
            self._from += parts[-1].num_rows
            count -= parts[-1].num_rows
        if not parts:
            return set(), set(), np.array([]), np.array([])
        rows = pa.Table.from_batches(parts)
        numbers, names = (set(rows.column(n).unique().to_pylist()) for n in (0, 1))
        time_s, value = (np.array(rows.column(n).to_numpy(), dtype=np.float64) for n in (2, 3))
        return numbers, names, time_s, value


def _check(path: Path, table: Table, said: Mapping[str, Any]) -> None:
    """Refuse a file that is not there, not what was said of it, or of another shape."""
    pa, parquet = arrow()
    place, cure = Place(str(path)), "Export it again"
    try:
        if "bytes" in said and path.stat().st_size != said["bytes"]:
            raise BenchError("it is not whole, or has changed since it was written", place, cure)
        if "hash" in said:
            with path.open("rb") as content:
                digest = hashlib.file_digest(content, "sha256").hexdigest()
            if said["hash"] != f"sha256:{digest}":
                raise BenchError("it has changed since it was written", place, cure)
        described = parquet.ParquetFile(path)
        groups = [described.metadata.row_group(n) for n in range(described.metadata.num_row_groups)]
    except (OSError, pa.ArrowException) as error:
        raise BenchError(f"it cannot be read: {error}", place, cure) from error
    if (
        max((max(g.total_byte_size, 8 * g.num_rows * g.num_columns) for g in groups), default=0)
        > _MOST_IN_GROUP
    ):
        raise BenchError("a row group of it is larger than any that chillrig writes", place, cure)
    kinds = {f.name: f.type for f in described.schema_arrow}
    for column in table.columns:
        if not _fits(kinds.get(column.name), column.kind):
            raise BenchError(f"its column {column.name} is missing, or is no {column.kind}", place, cure)


def _fits(kind: Any, wanted: str) -> bool:
    import pyarrow as pa

    if kind is None:
        return False
    if wanted in (NUMBER, INTEGER):  # whole numbers with gaps are floating ones to some programs
        return bool(pa.types.is_floating(kind) or pa.types.is_integer(kind))
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))
