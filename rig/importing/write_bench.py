"""Write a RunBook as a bench folder, or its runs as CSV or JSON text."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import numpy as np

from rig.bench import BENCH_FILE
from rig.bench_toml import bench_toml
from rig.brewing import Bean, BrewMethod
from rig.errors import BenchError, Place
from rig.importing.bench_folder import TRACES
from rig.importing.book_records import FORMAT
from rig.importing.cells import guarded
from rig.importing.run_sheet import COLUMNS, FIELD, OPTIONAL, RUN_SHEET
from rig.runs import Run, RunBook, Trace

_FILE_NAME = re.compile(r"\w[\w. -]{0,90}\.csv")
_UNSAFE = re.compile(r"[^\w.-]+")


def write_bench(book: RunBook, folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write bench.toml, run_sheet.csv and traces/*.csv; `open_bench` reads back the same bench and runs.

    Findings are not written: reading finds again what is still there. A trace keeps its file name where that
    is free and lies in the folder, else it is named after its run.

    Returns
    -------
    The folder.

    Raises
    ------
    BenchError
        Where a bench is there already and `overwrite` is not set, or the folder cannot be written.
    """
    home = Path(folder)
    if (home / BENCH_FILE).exists() and not overwrite:
        raise BenchError(
            "a bench is there already", Place(str(home)), "Choose another folder, or overwrite it"
        )
    names = trace_names(book.runs)
    try:
        (home / TRACES).mkdir(parents=True, exist_ok=True)
        _write(home / BENCH_FILE, bench_toml(book.bench))
        _write(home / RUN_SHEET, run_sheet_csv(book))
        for run in book.runs:
            if run.trace is not None:
                _write(home / TRACES / names[run.run], trace_csv(run.trace))
    except OSError as error:
        raise BenchError(f"the bench cannot be written: {error.strerror}", Place(str(home))) from error
    return home


def sheet_header(book: RunBook) -> list[str]:
    """The columns of the runs' sheet: those that every sheet has, those in use, then unknown ones."""
    used = [c for c in OPTIONAL if any(getattr(r, c) is not None for r in book.runs)]
    return [*COLUMNS, *used, *dict.fromkeys(c for r in book.runs for c in r.extra)]


def run_sheet_csv(book: RunBook) -> str:
    """The runs as CSV text with the columns of a run sheet; unknown columns follow the known ones."""
    names = trace_names(book.runs)
    header = sheet_header(book)
    used = [c for c in header if c in OPTIONAL]
    extra = header[len(COLUMNS) + len(used) :]
    table = []
    for run in book.runs:
        known = {c: getattr(run, FIELD.get(c, c)) for c in (*COLUMNS, *used)} | {"trace": names.get(run.run)}
        table.append([*known.values(), *(run.extra.get(c) for c in extra)])
    return _csv(header, table)


def trace_csv(trace: Trace) -> str:
    """The trace as CSV text, one column a channel."""
    channels = trace.channels()
    return _csv(list(channels), zip(*(v.tolist() for v in channels.values()), strict=True))


def book_json(book: RunBook) -> str:
    """Bench, runs and findings as JSON text.

    Keys are the names of the fields, with their units; what was not measured is null; a trace is an object of
    one list a channel. `bench_toml` is the bench again, word for word, for reading it back.
    """
    whole = {"format": FORMAT, **_plain(book), "bench_toml": bench_toml(book.bench)}
    return json.dumps(whole, ensure_ascii=False, indent=1, allow_nan=False)


def trace_names(runs: Sequence[Run]) -> dict[str, str]:
    """The file name in traces/ of each run that has one; no two different traces share a name."""
    names = {r.run: r.trace_file for r in runs if r.trace is None and r.trace_file is not None}
    taken: dict[str, Trace | None] = {name.casefold(): None for name in names.values()}
    for run in runs:
        if run.trace is None:
            continue
        slug = _UNSAFE.sub("_", run.run)[:80].strip(". ") or "trace"
        wanted = [f"{slug}.csv", *(f"{slug} {n}.csv" for n in range(2, len(runs) + 2))]
        if run.trace_file is not None and _FILE_NAME.fullmatch(run.trace_file):
            wanted.insert(0, run.trace_file)
        name = next(n for n in wanted if taken.get(n.casefold(), run.trace) == run.trace)
        taken[name.casefold()] = run.trace
        names[run.run] = name
    return names


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode())


def _csv(header: Sequence[str], table: Iterable[Iterable[Any]]) -> str:
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


def _plain(value: Any) -> Any:
    """A value as what JSON has: objects, lists, text, numbers and null."""
    match value:
        case Trace():
            return {name: _plain(v.tolist()) for name, v in value.channels().items()}
        case np.generic():
            return _plain(value.item())
        case float():
            return value if math.isfinite(value) else None
        case bool() | int() | str() | None:
            return value
        case Mapping():
            return {k: _plain(v) for k, v in value.items()}
        case list() | tuple():
            return [_plain(v) for v in value]
        case date() | time():
            return value.isoformat()
        case BrewMethod() | Bean():
            return value.label
    return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
