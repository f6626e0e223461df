"""A run as a row, a trace as blobs, and the fingerprints that tell whether either has changed."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any

import numpy as np
import sqlalchemy as sa

from rig.arrays import FloatArray
from rig.errors import LogbookError
from rig.logbook.schema import NUMBERS
from rig.runs import Run, Trace

CODEC = "f8le+zlib"
Record = dict[str, Any]

FIELDS = tuple(f.name for f in fields(Run))


def record_from_run(run: Run) -> Record:
    """A run as plain JSON values by field; the trace stands as its digest, None where there is none."""
    record = {name: getattr(run, name) for name in FIELDS}
    record["started_at"] = run.started_at.isoformat() if run.started_at is not None else None
    record["extra"] = dict(run.extra)
    record["trace"] = trace_digest(run.trace) if run.trace is not None else None
    record |= {name: float(record[name]) for name in NUMBERS if record[name] is not None}
    return record


def run_from_record(record: Mapping[str, Any], trace: Trace | None = None) -> Run:
    """The run of a record, with the trace given."""
    started = record["started_at"]
    values = {name: record[name] for name in FIELDS}
    values["started_at"] = datetime.fromisoformat(started) if started is not None else None
    return Run(**values | {"trace": trace})


def record_from_row(row: sa.RowMapping) -> Record:
    """The record that a row of the run table holds."""
    extra = row["extra"]
    return {name: row[name] for name in FIELDS} | {"extra": {} if extra == "{}" else json.loads(extra)}


def columns_of(record: Mapping[str, Any]) -> dict[str, Any]:
    """Some or all fields of a record as columns of the run table."""
    return {k: json_text(v) if k == "extra" else v for k, v in record.items()}


def json_text(value: Any) -> str:
    """A value as JSON text, always the same text for the same value."""
    return json.dumps(value, ensure_ascii=False, sort_keys=True)


def fingerprint(text: str) -> str:
    """SHA-256 of a text, in hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()


def trace_digest(trace: Trace) -> str:
    """SHA-256 over the channels of a trace, their names and their order."""
    digest = hashlib.sha256()
    for name, values in trace.channels().items():
        digest.update(f"{name}\0{values.size}\0".encode())
        digest.update(_bytes(values))
    return digest.hexdigest()


def blobs_from_trace(trace: Trace) -> list[tuple[str, bytes]]:
    """Name and compressed samples of each channel, time first."""
    return [(name, zlib.compress(_bytes(values), 6)) for name, values in trace.channels().items()]


def trace_from_blobs(blobs: Iterable[tuple[str, str, bytes]]) -> Trace:
    """The trace of (name, codec, samples) of its channels, time first.

    Raises
    ------
    LogbookError
        Where a blob is damaged or was written in a way this program does not know.
    """
    return Trace.of({name: samples(name, codec, data) for name, codec, data in blobs})


def _bytes(values: FloatArray) -> bytes:
    return np.ascontiguousarray(values, dtype="<f8").tobytes()


def samples(name: str, codec: str, data: bytes) -> FloatArray:
    """What one channel read, out of its blob; raises as `trace_from_blobs`."""
    if codec != CODEC:
        raise LogbookError(
            f"channel {name} is stored as {codec!r}, which this chillrig does not know. Update it"
        )
    try:
        return np.frombuffer(zlib.decompress(data), dtype="<f8").astype(np.float64)
    except (zlib.error, ValueError) as error:
        raise LogbookError(f"channel {name} is damaged: {error}. Restore a copy of the logbook") from error
