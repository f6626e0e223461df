"""Write a RunBook as a bench folder, or its runs as CSV or JSON text."""

from __future__ import annotations

import io
import json
import math
import re
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import fields
from datetime import date, time
from pathlib import Path
from typing import Any

import numpy as np

from rig.bench import BENCH_FILE, parse_bench
from rig.bench_toml import bench_toml
from rig.brewing import Bean, BrewMethod
from rig.errors import BenchError, Place
from rig.importing.bench_folder import TRACES
from rig.importing.book_records import FORMAT
from rig.importing.cells_out import csv_text, trace_csv, trace_names
from rig.importing.folder_again import folder_again
from rig.importing.run_sheet import COLUMNS, FIELD, OPTIONAL, RUN_SHEET
from rig.runs import RunBook, Trace

_UNSAFE = re.compile(r"[^\w.-]+")


def write_bench(book: RunBook, folder: str | Path, *, overwrite: bool = False, text: str = "") -> Path:
    """Write bench.toml, run_sheet.csv and traces/*.csv; `open_bench` reads back the same bench and runs.

    A book that carries its folder's files is written as they lay there, but for what has changed since. `text` is the
    bench.toml that describes its bench, where that is known word for word. Findings are not written: reading finds
    again what is still there. A trace keeps its file name where that is free and lies in the folder, else it is named
    after its run.

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
    files = bench_files(book, text)
    try:
        (home / TRACES).mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            path = home / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
    except OSError as error:
        raise BenchError(f"the bench cannot be written: {error.strerror}", Place(str(home))) from error
    return home


def bench_files(book: RunBook, text: str = "") -> dict[str, bytes]:
    """The files of a book's bench folder by their names in it; as `write_bench` writes them."""
    described = {BENCH_FILE: _described(book, text)}
    if RUN_SHEET in book.files:
        return described | folder_again(book)
    names = trace_names(book.runs)
    traces = {
        f"{TRACES}/{names[r.run]}": trace_csv(r.trace).encode() for r in book.runs if r.trace is not None
    }
    return described | {RUN_SHEET: run_sheet_csv(book).encode()} | traces


def zipped(files: Mapping[str, bytes], folder: str) -> bytes:
    """Files in one archive below a folder's name; the same bytes for the same files."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(f"{_UNSAFE.sub('_', folder).strip('. ') or 'bench'}/{name}")
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, content)
    return out.getvalue()


def _described(book: RunBook, text: str) -> bytes:
    """The bench.toml: the very file that came in where it still says this, else the text told or made."""
    came = zlib.decompress(book.files[BENCH_FILE]) if BENCH_FILE in book.files else b""
    as_text = came.decode("utf-8-sig")
    if came and as_text == text:
        return came
    if not text:
        if came and parse_bench(as_text)[0] == book.bench:
            return came
        text = bench_toml(book.bench)
    return text.encode()


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
    return csv_text(header, table)


def book_json(book: RunBook) -> str:
    """Bench, runs and findings as JSON text.

    Keys are the names of the fields, with their units; what was not measured is null; a trace is an object of
    one list a channel. `bench_toml` is the bench again, word for word, for reading it back.
    """
    whole = {"format": FORMAT, **_plain(book), "bench_toml": bench_toml(book.bench)}
    return json.dumps(whole, ensure_ascii=False, indent=1, allow_nan=False)


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
