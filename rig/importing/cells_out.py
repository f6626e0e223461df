"""Runs and traces as the text of cells and files: the shortest that reads back exactly, under names files can have."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Any

import numpy as np

from rig.importing.cells import guarded
from rig.runs import Run, Trace

_FILE_NAME = re.compile(r"\w[\w. -]{0,90}\.csv")
_UNSAFE = re.compile(r"[^\w.-]+")


def trace_csv(trace: Trace) -> str:
    """The trace as CSV text, one column a channel."""
    channels = trace.channels()
    return csv_text(list(channels), zip(*(v.tolist() for v in channels.values()), strict=True))


def trace_names(runs: Sequence[Run]) -> dict[str, str]:
    """The file name in traces/ of each run that has one; no two different traces share a name."""
    names = {r.run: r.trace_file for r in runs if r.trace is None and r.trace_file is not None}
    taken: dict[str, Trace | None] = {name.casefold(): None for name in names.values()}
    for run in runs:
        if run.trace is None:
            continue
        wanted = _names_for(run.run, len(runs))
        if run.trace_file is not None and _FILE_NAME.fullmatch(run.trace_file):
            wanted.insert(0, run.trace_file)
        name = next(n for n in wanted if taken.get(n.casefold(), run.trace) == run.trace)
        taken[name.casefold()] = run.trace
        names[run.run] = name
    return names


def free_trace_name(run: str, taken: Collection[str]) -> str:
    """A file name for a run's trace that none of the names taken (casefolded) is."""
    return next(n for n in _names_for(run, len(taken)) if n.casefold() not in taken)


def _names_for(run: str, others: int) -> list[str]:
    slug = _UNSAFE.sub("_", run)[:80].strip(". ") or "trace"
    return [f"{slug}.csv", *(f"{slug} {n}.csv" for n in range(2, others + 2))]


def csv_text(header: Sequence[str], table: Iterable[Iterable[Any]]) -> str:
    """CSV text as RFC 4180 has it: lines end in CR LF, quotes only where they are needed."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow([guarded(name) for name in header])
    writer.writerows([_cell(v) for v in line] for line in table)
    return out.getvalue()


def _cell(value: Any) -> str:
    """One value as the text of a cell of a file that others open too."""
    return guarded(value) if isinstance(value, str) else cell_text(value)


def cell_text(value: Any) -> str:
    """One value as the text of a cell; the shortest text that reads back exactly."""
    if value is None:
        return ""
    if isinstance(value, float | np.floating):
        return "" if math.isnan(value) else repr(float(value)).removesuffix(".0")
    if isinstance(value, np.generic):
        value = value.item()
    return value.isoformat() if isinstance(value, datetime) else str(value)
