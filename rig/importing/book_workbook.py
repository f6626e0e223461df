"""Runs as a spreadsheet (.xlsx, ECMA-376): the bench, a row a run, every reading of every trace; and back."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

import numpy as np

from rig.bench import parse_bench
from rig.bench_toml import bench_toml
from rig.errors import BenchError, Place, TableRefused
from rig.importing.book_records import FIELDS, FORMAT, TIME, record_of, run_of, trace_of
from rig.importing.tabular.sheet_reader import DAMAGE
from rig.importing.tabular.sheet_size import sheet_names
from rig.importing.tabular.workbook import Limits, rows_of
from rig.runs import RunBook

BENCH, RUNS, TRACES = "bench", "runs", "traces"
_MOST_ROWS = 1_048_576
_MOST_CHARS = 32_767
OURS = Limits(memory_mib=1024, cpu_s=900, wait_s=1800.0, cells=30_000_000, unpacked_mib=1024)
"""What we may have written ourselves: every reading of every trace."""
# ECMA-376 part 1, 22.9.2.19: characters that XML cannot hold are written _xHHHH_, and so is what looks like it.
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")
_TO_ESCAPE = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")


def book_xlsx(book: RunBook) -> bytes:
    """The bench and its runs as the bytes of a workbook; `book_from_xlsx` reads the same back.

    Raises
    ------
    BenchError
        Where the traces hold more readings, or a text more characters, than a sheet can.
    """
    from openpyxl import Workbook

    records = [record_of(run) for run in book.runs]
    sheets: dict[str, list[Sequence[Any]]] = {
        BENCH: [[line] for line in (FORMAT, *bench_toml(book.bench).split("\n"))],
        RUNS: [list(FIELDS), *(list(r.values()) for r in records)],
        TRACES: list(_trace_rows(book)),
    }
    _require_room(sheets)  # before a sheet is begun: one that is begun must be finished
    out = Workbook(write_only=True)
    for name, rows in sheets.items():
        sheet = out.create_sheet(name)
        for row in rows:
            sheet.append([_cell(sheet, value) for value in row])
    raw = io.BytesIO()
    out.save(raw)
    return raw.getvalue()


def book_from_xlsx(raw: bytes, file: str) -> RunBook | None:
    """The runs of a workbook that `book_xlsx` wrote; None where the workbook is another one.

    Raises
    ------
    BenchError
        Where it is one of ours and damaged.
    """
    try:
        if not {BENCH, RUNS, TRACES} <= sheet_names(raw):
            return None
        sheets: dict[str, list[list[Any]]] = {BENCH: [], RUNS: [], TRACES: []}
        for sheet, row in rows_of(raw, file, OURS):
            if sheet in sheets:
                sheets[sheet].append([_unescaped(v) if isinstance(v, str) else v for v in row])
        lines = [str(row[0] or "") if row else "" for row in sheets[BENCH]]
        if not lines or lines[0] != FORMAT:
            return None
        traces = dict(_traces(row for row in sheets[TRACES] if row))
        header, *rows = (row for row in sheets[RUNS] if row)
    except BenchError:
        raise
    except TableRefused as error:
        raise BenchError(error.reason, Place(file), error.cure) from error
    except DAMAGE as error:
        raise BenchError(
            f"the workbook is damaged ({type(error).__name__})", Place(file), "Export it again"
        ) from error
    bench, _ = parse_bench("\n".join(lines[1:]), file)
    runs = []
    for row in rows:
        record = dict.fromkeys(header) | dict(zip(header, row, strict=False))
        runs.append(run_of(record, traces.get(str(record.get("run"))), file))
    return RunBook(bench, tuple(runs))


def _trace_rows(book: RunBook) -> Iterator[list[Any]]:
    """For each trace a row of channel names, then its readings; the run stands in front of every row."""
    for run in book.runs:
        if run.trace is None:
            continue
        channels = run.trace.channels()
        yield [run.run, *channels]
        for values in zip(*(c.tolist() for c in channels.values()), strict=True):
            yield [run.run, *(None if np.isnan(v) else v for v in values)]


def _traces(rows: Iterable[Sequence[Any]]) -> Iterator[tuple[str, Any]]:
    for name, block in groupby(rows, key=lambda row: row[0]):
        if name is None:
            continue
        header, *readings = block
        channels = [c for c in header[1:] if c is not None]
        table = np.full((len(readings), len(channels)), np.nan)
        for n, row in enumerate(readings):
            values = row[1 : len(channels) + 1]
            table[n, : len(values)] = [np.nan if v is None else v for v in values]
        if TIME not in channels:
            raise BenchError("a trace has no time_s", Place(TRACES, run=str(name)), "Export it again")
        yield str(name), trace_of({str(c): table[:, n] for n, c in enumerate(channels)})


def _require_room(sheets: Mapping[str, Sequence[Sequence[Any]]]) -> None:
    for name, rows in sheets.items():
        if len(rows) > _MOST_ROWS:
            cure = "Export fewer runs, or as Parquet"
            raise BenchError(f"{len(rows)} rows do not fit a sheet of {_MOST_ROWS}", Place(name), cure)
        longest = max((len(_escaped(v)) for row in rows for v in row if isinstance(v, str)), default=0)
        if longest > _MOST_CHARS:
            cure = "Export as Parquet or JSON"
            raise BenchError(f"a text of {longest} characters does not fit a cell", Place(name), cure)


def _cell(sheet: Any, value: Any) -> Any:
    """A cell that holds exactly this: text stays text though it begins with '=', numbers keep every digit."""
    from openpyxl.cell import WriteOnlyCell

    if isinstance(value, str):
        cell = WriteOnlyCell(sheet, value=_escaped(value))
        cell.data_type = "s"
    elif isinstance(value, float):
        cell = WriteOnlyCell(sheet)
        cell._value, cell.data_type = repr(value), "n"  # openpyxl itself writes 16 digits; 17 may be needed
    else:
        return value
    return cell


def _escaped(text: str) -> str:
    return _TO_ESCAPE.sub(lambda m: f"_x{ord(m[0]):04X}_", text)


def _unescaped(text: str) -> str:
    return _ESCAPED.sub(lambda m: chr(int(m[1], 16)), text)
