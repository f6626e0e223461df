"""A run as a flat record of plain values, for files other than a bench folder; and back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any

import numpy as np

from rig.arrays import FloatArray
from rig.errors import BenchError, Place
from rig.plausible import RUN as MEASURED
from rig.runs import Run, Trace

FORMAT = "chillrig runs 1"
"""What a file of runs says it is; the number rises where an older reader would misread it."""

TIME = "time_s"
FIELDS = tuple(f.name for f in fields(Run) if f.name != "trace")
UNIT = {name: plausible.unit for name, plausible in MEASURED.items()}


def record_of(run: Run) -> dict[str, Any]:
    """The run's fields as text, floats and None, without its trace; what was noted besides as JSON text."""
    record: dict[str, Any] = {}
    for name in FIELDS:
        value = getattr(run, name)
        if name in MEASURED:
            value = None if value is None else float(value)
        elif name == "extra":
            value = json.dumps(dict(value), ensure_ascii=False) if value else None
        elif isinstance(value, datetime):
            value = value.isoformat()
        record[name] = value
    return record


def run_of(record: Mapping[str, Any], trace: Trace | None, file: str) -> Run:
    """The run of a record that `record_of` made.

    Raises
    ------
    BenchError
        Where the record is damaged.
    """
    values: dict[str, Any] = {name: record.get(name) for name in FIELDS}
    place = Place(file=file, run=None if values["run"] is None else str(values["run"]))
    try:
        if values["started_at"] is not None:
            values["started_at"] = datetime.fromisoformat(values["started_at"])
        values["extra"] = json.loads(values["extra"]) if values["extra"] else {}
        for name in MEASURED:
            values[name] = None if values[name] is None else float(values[name])
    except (TypeError, ValueError) as error:
        raise BenchError(f"the run cannot be read: {error}", place, "Export it again") from error
    lacking = [n for n in ("run", "technique", "vessel", "ice", "recipe") if not isinstance(values[n], str)]
    if lacking:
        raise BenchError(f"the run has no {', '.join(lacking)}", place, "Export it again")
    return Run(**values, trace=trace)


def trace_of(channels: Mapping[str, FloatArray]) -> Trace | None:
    """The trace of channels by their column names, in their order; None where there is no time."""
    if TIME not in channels:
        return None
    return Trace.of({name: np.asarray(values, dtype=np.float64) for name, values in channels.items()})
