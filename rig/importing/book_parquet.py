"""Runs as one Parquet file: a row a run, each channel of its trace a list; and back. Needs pyarrow."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from rig.bench import parse_bench
from rig.bench_toml import bench_toml
from rig.errors import BenchError, Place, RigError
from rig.importing.book_records import FIELDS, FORMAT, TIME, UNIT, record_of, run_of, trace_of
from rig.runs import RunBook

CHANNELS = "trace_channels"
_MOST_RUNS, _MOST_VALUES, _MOST_BYTES = 1_000_000, 50_000_000, 1 << 30
_FORMAT_KEY, _BENCH_KEY = b"chillrig", b"bench_toml"


def book_parquet(book: RunBook) -> bytes:
    """The bench and its runs as the bytes of a Parquet file; `book_from_parquet` reads the same back.

    Columns are the fields of a run; then `trace_channels`, the names of its trace's channels in order, and a
    list column for each channel, null for runs that have no such channel. The bench stands in the metadata as
    the text of its bench.toml; each measured column's metadata gives its unit.

    Raises
    ------
    RigError
        Where pyarrow is not installed.
    """
    pa, parquet = _arrow()
    records = [record_of(run) for run in book.runs]
    traces = [{} if r.trace is None else r.trace.channels() for r in book.runs]
    names = list(dict.fromkeys(name for channels in traces for name in channels))
    columns: dict[str, Any] = {}
    schema = []
    for name in FIELDS:
        kind = pa.float64() if name in UNIT else pa.string()
        schema.append(pa.field(name, kind, metadata={"unit": UNIT[name]} if name in UNIT else None))
        columns[name] = [r[name] for r in records]
    schema.append(pa.field(CHANNELS, pa.list_(pa.string())))
    columns[CHANNELS] = [list(channels) or None for channels in traces]
    for name in names:
        suffix = name.rpartition("_")[2]
        unit = {"unit": {"c": "°C", "hz": "Hz"}.get(suffix, suffix)}
        schema.append(pa.field(name, pa.list_(pa.float64()), metadata=unit))
        columns[name] = [channels.get(name) for channels in traces]
    described = pa.schema(schema, metadata={_FORMAT_KEY: FORMAT, _BENCH_KEY: bench_toml(book.bench)})
    raw = io.BytesIO()
    parquet.write_table(pa.table(columns, schema=described), raw, compression="zstd")
    return raw.getvalue()


def book_from_parquet(raw: bytes, file: str) -> RunBook | None:
    """The runs of a file that `book_parquet` wrote; None where the file is another one.

    Raises
    ------
    BenchError
        Where the file is damaged.
    RigError
        Where pyarrow is not installed.
    """
    pa, parquet = _arrow()
    try:
        _refuse_too_large(parquet.ParquetFile(io.BytesIO(raw)).metadata, file)
        table = parquet.read_table(io.BytesIO(raw))
    except BenchError:
        raise
    except (pa.ArrowException, OSError, ValueError) as error:
        raise BenchError(f"the Parquet file is damaged: {error}", Place(file), "Export it again") from error
    said = table.schema.metadata or {}
    if said.get(_FORMAT_KEY) != FORMAT.encode() or _BENCH_KEY not in said:
        return None
    bench, _ = parse_bench(said[_BENCH_KEY].decode(), file)
    runs = []
    for row in table.to_pylist():
        names = row.get(CHANNELS) or []
        channels = {
            n: np.array([np.nan if v is None else v for v in row[n]], dtype=np.float64) for n in names
        }
        runs.append(run_of(row, trace_of(channels) if TIME in channels else None, file))
    return RunBook(bench, tuple(runs))


def _refuse_too_large(described: Any, file: str) -> None:
    """What is repeated takes no room in the file and all the more in memory: its own description tells before."""
    parts = [
        group.column(n)
        for group in (described.row_group(k) for k in range(described.num_row_groups))
        for n in range(group.num_columns)
    ]
    values, size = sum(p.num_values for p in parts), sum(p.total_uncompressed_size for p in parts)
    if described.num_rows > _MOST_RUNS or values > _MOST_VALUES or size > _MOST_BYTES:
        raise BenchError("it holds more than any bench's runs", Place(file), "Export fewer runs at once")


def _arrow() -> tuple[Any, Any]:
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as error:
        raise RigError(
            "Parquet needs pyarrow, which is not installed: pip install 'chillrig[parquet]', or use xlsx or json"
        ) from error
    return pa, parquet
