"""A bench folder written out again: every byte as it lay there, but for what has changed since.

What a row or a trace said is told by the reader of bench folders, from the files as they came in; a cell is written
anew only where the run now says otherwise. Rows that could not be used stay, and so do traces that no run names.
"""

from __future__ import annotations

import csv
import io
import tempfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from rig.bench import BENCH_FILE
from rig.errors import BenchError, Place
from rig.importing.bench_folder import TRACES, open_bench, trace_paths
from rig.importing.cells import Row, delimiter_of, guarded, rows, text_from_bytes
from rig.importing.cells_out import cell_text, free_trace_name, trace_csv
from rig.importing.run_sheet import COLUMNS, FIELD, OPTIONAL, RUN_SHEET, read_run_sheet, sheet_columns
from rig.runs import Run, RunBook

_MARK = b"\xef\xbb\xbf"


def folder_again(book: RunBook) -> dict[str, bytes]:
    """The run sheet and the traces of a book that carries its folder's files, by their names in the folder.

    Raises
    ------
    BenchError
        Where the kept files cannot be read again.
    """
    raw = {name: zlib.decompress(content) for name, content in book.files.items()}
    with tempfile.TemporaryDirectory() as home:
        for name, content in raw.items():
            path = Path(home, _inside(name))
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        was = open_bench(home)
        paths = trace_paths(Path(home), was.runs)
    before = {r.run: r for r in was.runs}
    same = {r.run for r in book.runs if r.run in before and before[r.run].trace == r.trace}
    gone = {paths[n] for n in paths if n not in same} - {paths[n] for n in paths if n in same}
    out = {name: content for name, content in raw.items() if name not in (BENCH_FILE, RUN_SHEET, *gone)}
    named: dict[str, str] = {}
    for run in book.runs:
        if run.run not in same and run.trace is not None:
            taken = {PurePosixPath(name).name.casefold() for name in out}
            named[run.run] = free_trace_name(run.run, taken)
            out[f"{TRACES}/{named[run.run]}"] = trace_csv(run.trace).encode()
    sheet = text_from_bytes(raw[RUN_SHEET], RUN_SHEET)
    lines = {s.line: s.run.run for s in read_run_sheet(sheet, was.bench)[0]}
    again = _Sheet(sheet, lines, before, named).again(book.runs)
    mark = _MARK if raw[RUN_SHEET].startswith(_MARK) else b""
    return {RUN_SHEET: mark + again.encode(errors="surrogateescape")} | out


def _inside(name: str) -> str:
    """A file's name in its folder; the logbook may be one that others write to.

    Raises
    ------
    BenchError
        Where it would lie outside.
    """
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or "\\" in name or ":" in name:
        raise BenchError(f"the kept file {name!r} would lie outside its folder", Place(file=name))
    return name


@dataclass(frozen=True)
class _Sheet:
    """A run sheet as it lay there: its text, which run stands on which line, what each said, and new traces."""

    text: str
    lines: Mapping[int, str]
    before: Mapping[str, Run]
    named: Mapping[str, str]

    def again(self, runs: Sequence[Run]) -> str:
        """The text with what these runs say."""
        now = {r.run: r for r in runs}
        columns = sheet_columns(self.text)
        changes = {name: self._changes(run) for name, run in now.items()}
        lacking = list(
            dict.fromkeys(c for told in changes.values() for c, v in told.items() if v and c not in columns)
        )
        listed = list(rows(self.text))
        header = next(r for r in listed if isinstance(r, Row) and not r.is_blank)
        width = len(header.cells) + len(lacking)
        columns |= {c: len(header.cells) + n for n, c in enumerate(lacking)}
        pieces = self._pieces([r.line for r in listed])
        end = "\r\n" if "\r\n" in self.text else "\n"
        out: list[str] = []
        for row, piece in zip(listed, pieces, strict=True):
            name = self.lines.get(row.line)
            if name is not None and name not in now:
                continue
            if row is header:
                out.append(self._wider(piece, lacking))
            elif name is not None and changes[name] and isinstance(row, Row):
                cells = [*row.cells, *[""] * (width - len(row.cells))]
                for column, value in changes[name].items():
                    if column in columns:
                        cells[columns[column]] = value
                out.append(self._line(cells, end))
            elif name is not None:
                out.append(self._wider(piece, [""] * len(lacking)))
            else:
                out.append(piece)
        for run in runs:
            if run.run not in self.before:
                cells = [""] * width
                for column, value in changes[run.run].items():
                    if column in columns:
                        cells[columns[column]] = value
                if out and not out[-1].endswith(("\n", "\r")):
                    out[-1] += end
                out.append(self._line(cells, end))
        return "".join(out)

    def _changes(self, run: Run) -> dict[str, str]:
        """The cells of a run that are to be written, by column."""
        old = self.before.get(run.run)
        told = {}
        for column in (*COLUMNS, *OPTIONAL):
            field = FIELD.get(column, column)
            if column == "trace":
                if run.run in self.named:
                    told[column] = self.named[run.run]
                elif old is None and run.trace_file:
                    told[column] = run.trace_file
            elif old is None or getattr(old, field) != getattr(run, field):
                told[column] = cell_text(getattr(run, field))
        known = {} if old is None else old.extra
        for column in dict.fromkeys((*known, *run.extra)):
            if known.get(column) != run.extra.get(column):
                told[column] = run.extra.get(column, "")
        return told if old is not None else {c: v for c, v in told.items() if v}

    def _pieces(self, starts: Sequence[int]) -> list[str]:
        """The text of each row, with its line end."""
        lines = io.StringIO(self.text, newline="").readlines()
        ends = [*(s - 1 for s in starts[1:]), len(lines)]
        return ["".join(lines[s - 1 : e]) for s, e in zip(starts, ends, strict=True)]

    def _wider(self, piece: str, cells: Sequence[str]) -> str:
        bare = piece.rstrip("\r\n")
        if not cells:
            return piece
        more = self._line(list(cells), "")
        return bare + delimiter_of(self.text) + more + piece[len(bare) :]

    def _line(self, cells: Sequence[str], end: str) -> str:
        out = io.StringIO(newline="")
        writer = csv.writer(out, delimiter=delimiter_of(self.text), lineterminator=end)
        writer.writerow([guarded(c) for c in cells])
        return out.getvalue()
