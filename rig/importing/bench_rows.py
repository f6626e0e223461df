"""Add a run to a bench folder, or a trace to one of its runs, without touching any other line of it."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from rig.errors import BenchError, NotFound, Place
from rig.importing.bench_folder import TRACES
from rig.importing.cells import Row, delimiter_of, guarded, rows, text_from_bytes
from rig.importing.cells_out import cell_text, trace_csv, trace_names
from rig.importing.run_sheet import COLUMNS, FIELD, OPTIONAL, RUN_SHEET
from rig.names import refuse_unclear
from rig.runs import Run


def add_row(folder: Path, run: Run) -> Path:
    """Append a run to the run sheet and write its trace; the trace's path.

    Raises
    ------
    BenchError
        Where a run of that name is there, the sheet lacks a column for what the run holds, or it cannot be
        written.
    """
    text, sheet = _sheet(folder)
    columns = sheet[0].cells
    names = [row.cells[columns.index("run")] for row in sheet[1:] if len(row.cells) > columns.index("run")]
    if run.run in names:
        raise BenchError("a run of this name is there", Place(RUN_SHEET, run=run.run), "Give another name")
    refuse_unclear("run", [run.run], names)
    path = _trace_path(folder, run)
    values = _values(run, path.name)
    lacking = [c for c, v in values.items() if v and c not in columns]
    if lacking:
        what = f"the run sheet has no column {', '.join(map(repr, lacking))}"
        raise BenchError(what, Place(RUN_SHEET, sheet[0].line), "Add it to the first line")
    end = "\r\n" if "\r\n" in text else "\n"
    row = _line([values.get(c, "") for c in columns], end, delimiter_of(text))
    _store(path, run)
    _write(folder / RUN_SHEET, f"{text}{'' if text.endswith(end) else end}{row}")
    return path


def attach_trace(folder: Path, run: Run) -> Path:
    """Write the trace of a run that is on the sheet and name it there; what the row holds already stays.

    Raises
    ------
    NotFound
        Where the sheet has no such run.
    BenchError
        Where the sheet has no column `trace`, or cannot be written.
    """
    text, sheet = _sheet(folder)
    columns = sheet[0].cells
    if "trace" not in columns:
        raise BenchError("the run sheet has no column 'trace'", Place(RUN_SHEET, sheet[0].line), "Add it")
    at = columns.index("run")
    found = [row for row in sheet[1:] if row.cells[at : at + 1] == (run.run,)]
    if not found:
        raise NotFound("run", run.run, [r.cells[at] for r in sheet[1:] if len(r.cells) > at])
    path = _trace_path(folder, run)
    values = _values(run, path.name)
    cells = list(found[0].cells) + [""] * (len(columns) - len(found[0].cells))
    for n, column in enumerate(columns):
        if column == "trace" or (column == "notes" and values["notes"]) or not cells[n]:
            cells[n] = values.get(column, cells[n])
    lines = io.StringIO(text, newline="").readlines()
    later = [row.line for row in sheet if row.line > found[0].line]
    until = min(later) - 1 if later else len(lines)
    blank_after = [line for line in lines[found[0].line : until] if not line.strip()]
    end = "\r\n" if "\r\n" in text else "\n"
    lines[found[0].line - 1 : until] = [_line(cells, end, delimiter_of(text)), *blank_after]
    _store(path, run)
    _write(folder / RUN_SHEET, "".join(lines))
    return path


def _sheet(folder: Path) -> tuple[str, list[Row]]:
    """The text of the run sheet and its rows, the header first."""
    try:
        text = text_from_bytes((folder / RUN_SHEET).read_bytes(), RUN_SHEET)
    except OSError as error:
        raise BenchError(f"cannot be read: {error.strerror}", Place(str(folder / RUN_SHEET))) from error
    sheet = [row for row in rows(text) if isinstance(row, Row) and not row.is_blank]
    if not sheet or "run" not in sheet[0].cells:
        raise BenchError("the run sheet has no column 'run'", Place(RUN_SHEET))
    return text, sheet


def _values(run: Run, trace: str) -> dict[str, str]:
    """The cells of a run by column; what was taken and left out joins the notes."""
    values = {c: cell_text(getattr(run, FIELD.get(c, c))) for c in (*COLUMNS, *OPTIONAL)}
    said = [f"{name}: {text}" for name, text in run.extra.items()]
    return values | {"trace": trace, "notes": ". ".join([*([run.notes] if run.notes else []), *said])}


def _trace_path(folder: Path, run: Run) -> Path:
    """A free name in traces/ for the run's trace."""
    name = trace_names([run])[run.run]
    path = folder / TRACES / name
    number = 2
    while path.exists():
        path = folder / TRACES / f"{Path(name).stem} {number}.csv"
        number += 1
    return path


def _line(cells: list[str], end: str, delimiter: str) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator=end).writerow([guarded(c) for c in cells])
    return out.getvalue()


def _store(path: Path, run: Run) -> None:
    assert run.trace is not None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BenchError(f"cannot be made: {error.strerror}", Place(str(path.parent))) from error
    _write(path, trace_csv(run.trace))


def _write(path: Path, text: str) -> None:
    try:
        path.write_bytes(text.encode(errors="surrogateescape"))
    except OSError as error:
        raise BenchError(f"cannot be written: {error.strerror}", Place(str(path))) from error
