"""Write the open data: each table in row groups, its description last, the whole put in its place at once."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np

from rig.arrays import FloatArray
from rig.errors import RigError
from rig.logbook.changes import now_text
from rig.logbook.copies import sync
from rig.logbook.open_data.rows import Contents, Names, Row
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
    SHELF_TABLES,
    TABLES,
    TRACES,
    Column,
    Table,
    description,
)
from rig.logbook.store import Logbook
from rig.plausible import channel_unit
from rig.runs import Trace

Progress = Callable[[int, int], None]
ROWS, READINGS = 2_000, 200_000
"""Rows of a table, and readings of traces, that are held in memory and make a row group."""
TIME = "time_s"


@dataclass(frozen=True)
class Written:
    """What went out: benches, runs and traces."""

    benches: int
    runs: int
    traces: int


def write_open_data(
    logbook: Logbook,
    benches: Sequence[str],
    to: Path,
    *,
    with_names: bool = True,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> Written:
    """Write benches of a logbook as Parquet tables described by a Data Package, and read back by `read_open_data`.

    The folder is there whole or not at all: it is made beside its place, under a name that begins with a dot, and
    `progress` is told (runs done, runs in all) meanwhile. Deleted runs stay behind.

    Raises
    ------
    RigError
        Where something else is there, or it cannot be written; pyarrow is not installed.
    """
    arrow()
    if to.exists() and not (overwrite and is_open_data(to)):
        why = (
            "is no open data, and is not replaced"
            if overwrite
            else "is there already; give --overwrite to replace it"
        )
        raise RigError(f"{to} {why}")
    part = to.with_name(f".{to.name}-{uuid4().hex[:8]}.part")
    try:
        part.mkdir(parents=True)
        with logbook._snapshot() as connection:
            written = _tables(Contents(connection, benches, Names(with_names)), part, progress)
        finished = {table.name: _of_file(part / table.file) for table in TABLES}
        said = description(now_text(), finished, with_names=with_names)
        (part / DESCRIPTION).write_text(
            json.dumps(said, ensure_ascii=False, indent=1) + "\n", encoding="utf-8"
        )
        for file in (*part.iterdir(), part):
            sync(file)
        if to.exists():
            to.rename(part.with_suffix(".old"))
        part.rename(to)
        sync(to.parent)
    except OSError as error:
        raise RigError(
            f"{to} cannot be written: {error.strerror}. Free some space, or see its rights"
        ) from error
    finally:
        for left in (part, part.with_suffix(".old")):
            shutil.rmtree(left, ignore_errors=True)
    return written


def is_open_data(folder: Path) -> bool:
    """Whether a folder is one that this wrote."""
    try:
        said = json.loads((folder / DESCRIPTION).read_text(encoding="utf-8"))
        return bool(said["chillrig"]["format"] == FORMAT)
    except (OSError, ValueError, TypeError, KeyError):
        return False


def arrow() -> tuple[Any, Any]:
    """The library that writes and reads Parquet.

    Raises
    ------
    RigError
        Where it is not installed.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as error:
        raise RigError(
            "Parquet needs pyarrow, which is not installed: pip install 'chillrig[parquet]', or use xlsx or json"
        ) from error
    return pa, parquet


def arrow_type(column: Column) -> Any:
    """What a column is in a Parquet file."""
    pa, _ = arrow()
    return {NUMBER: pa.float64(), INTEGER: pa.int64()}.get(column.kind, pa.string())


def _tables(contents: Contents, folder: Path, progress: Progress | None) -> Written:
    benches = _write(folder, BENCHES, contents.bench_rows())
    for section, table in SHELF_TABLES.items():
        _write(folder, table, contents.shelf_rows(section))
    every = contents.count_runs()
    runs = _write(folder, RUNS, contents.run_rows())
    _write(folder, CORRECTIONS, contents.correction_rows())
    _write(folder, FINDINGS, contents.finding_rows())
    traces = 0
    with _file(folder, CHANNELS) as index, _file(folder, TRACES) as readings:
        heap = _Readings(readings)
        for number, digest, trace in contents.traces():
            index.write(_channel_rows(number, digest, trace))
            heap.add(number, trace)
            traces += 1
            if progress is not None:
                progress(min(number, every), every)
        heap.write()
    return Written(benches, runs, traces)


@dataclass
class _File:
    """One Parquet file under way."""

    table: Table
    schema: Any
    writer: Any
    _waiting: list[Row] = field(default_factory=list)

    def write(self, rows: Iterable[Row]) -> None:
        """Take rows; those of a row group go to the file."""
        self._waiting.extend(rows)
        if len(self._waiting) >= ROWS:
            self.flush()

    def flush(self) -> None:
        """Write what waits."""
        if not self._waiting:
            return
        columns = {c.name: [row.get(c.name) for row in self._waiting] for c in self.table.columns}
        self._waiting.clear()
        self.write_columns(columns)

    def write_columns(self, columns: Mapping[str, Any]) -> None:
        """Write whole columns as one row group."""
        pa, _ = arrow()
        self.writer.write_table(pa.table(dict(columns), schema=self.schema))


@contextmanager
def _file(folder: Path, table: Table) -> Iterator[_File]:
    pa, parquet = arrow()
    schema = pa.schema(
        [
            pa.field(
                c.name,
                arrow_type(c),
                nullable=not c.required,
                metadata={"description": c.meaning} | ({"unit": c.unit} if c.unit else {}),
            )
            for c in table.columns
        ],
        metadata={"description": f"One row {table.row}.", "chillrig": FORMAT},
    )
    with parquet.ParquetWriter(folder / table.file, schema, compression="zstd") as writer:
        made = _File(table, schema, writer)
        yield made
        made.flush()


def _write(folder: Path, table: Table, rows: Iterator[Row]) -> int:
    """Write a table row group by row group; how many rows."""
    count = 0
    with _file(folder, table) as file:
        while some := list(islice(rows, ROWS)):
            file.write(some)
            count += len(some)
    return count


def _read_channels(trace: Trace) -> dict[str, FloatArray]:
    """The channels of a trace beside its moments; its moments where it has nothing else."""
    channels = trace.channels()
    return {n: v for n, v in channels.items() if n != TIME} or channels


def _channel_rows(number: int, digest: str, trace: Trace) -> Iterator[Row]:
    for name, values in _read_channels(trace).items():
        yield {
            "trace": number,
            "digest": digest,
            "channel": name,
            "unit": channel_unit(name),
            "samples": values.size,
        }


@dataclass
class _Readings:
    """Readings on their way into the table of traces, a row group at a time."""

    file: _File
    _waiting: list[tuple[int, str, FloatArray, FloatArray]] = field(default_factory=list)
    _count: int = 0

    def add(self, number: int, trace: Trace) -> None:
        """Take a trace."""
        for name, values in _read_channels(trace).items():
            self._waiting.append((number, name, trace.time_s, values))
            self._count += values.size
            if self._count >= READINGS:
                self.write()

    def write(self) -> None:
        """Write what waits."""
        if not self._waiting:
            return
        pa, _ = arrow()
        numbers, names, times, values = zip(*self._waiting, strict=True)
        sizes = [v.size for v in values]
        read = np.concatenate(values)
        known = sorted(set(names))
        codes = np.repeat([known.index(n) for n in names], sizes).astype(np.int32)
        self.file.write_columns(
            {
                "trace": np.repeat(np.array(numbers, np.int64), sizes),
                "channel": pa.DictionaryArray.from_arrays(codes, known).dictionary_decode(),
                "time_s": np.concatenate(times),
                "value": pa.array(read, mask=np.isnan(read)),
            }
        )
        self._waiting.clear()
        self._count = 0


def _of_file(path: Path) -> dict[str, Any]:
    """What a resource says of its finished file."""
    with path.open("rb") as content:
        digest = hashlib.file_digest(content, "sha256").hexdigest()
    return {"bytes": path.stat().st_size, "hash": f"sha256:{digest}"}
