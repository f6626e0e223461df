"""Write a RunBook over the bench folder that it came from: what has not changed stays byte for byte.

Comments, order, number formats and columns that nobody here knows are somebody's work. A file that still says what the
book says is left alone; of a run sheet only the rows of changed runs are written, and of those only the changed cells.
What was written is read back: where it does not say the same, the folder is written whole.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rig.bench import BENCH_FILE
from rig.bench_toml import bench_toml
from rig.errors import BenchError, Place
from rig.importing.bench_folder import TRACES, open_bench
from rig.importing.run_sheet import COLUMNS, FIELD, OPTIONAL, RUN_SHEET
from rig.importing.write_bench import cell_of, trace_csv, trace_names, write_bench
from rig.runs import Run, RunBook

_KNOWN = frozenset((*COLUMNS, *OPTIONAL))


class _Unlike(Exception):
    """The folder is not of the plain form in which single cells can be changed."""


def rewrite_bench(book: RunBook, folder: str | Path) -> tuple[str, ...]:
    """Bring a bench folder to what the book says; the files that changed, by their names in the folder.

    A folder that holds no bench yet, or one that cannot be read, is written whole.

    Raises
    ------
    BenchError
        Where the folder cannot be written.
    """
    home = Path(folder)
    try:
        changed = _changes(book, open_bench(home), home)
        for name, raw in changed.items():
            (home / name).parent.mkdir(parents=True, exist_ok=True)
            (home / name).write_bytes(raw)
        if _says_the_same(book, home):
            return tuple(changed)
    except OSError as error:
        raise BenchError(f"the bench cannot be written: {error.strerror}", Place(str(home))) from error
    except (_Unlike, BenchError):
        pass
    write_bench(book, home, overwrite=True)
    return (BENCH_FILE, RUN_SHEET, TRACES)


def _says_the_same(book: RunBook, home: Path) -> bool:
    again = open_bench(home)
    plain = [{r.run: _told(r) for r in b.runs} for b in (book, again)]
    return again.bench == book.bench and plain[0] == plain[1]


def _told(run: Run) -> dict[str, Any]:
    """All that a run says, but for how its trace's file is called."""
    return {k: v for k, v in vars(run).items() if k != "trace_file"}


def _changes(book: RunBook, there: RunBook, home: Path) -> Mapping[str, bytes]:
    """What to write, by file."""
    out: dict[str, bytes] = {}
    if there.bench != book.bench:
        out[BENCH_FILE] = bench_toml(book.bench).encode()
    old, new = {r.run: r for r in there.runs}, {r.run: r for r in book.runs}
    files = _trace_files(old, new, home)
    for name, run in new.items():
        if run.trace is not None and (name not in old or old[name].trace != run.trace):
            out[f"{TRACES}/{files[name]}"] = trace_csv(run.trace).encode()
    sheet = (home / RUN_SHEET).read_bytes()
    edited = _sheet(sheet, old, new, files)
    return out if edited == sheet else out | {RUN_SHEET: edited}


def _trace_files(old: Mapping[str, Run], new: Mapping[str, Run], home: Path) -> Mapping[str, str]:
    """The file in traces/ of each trace that is new or has changed: one of its own that no other has."""
    taken = {p.name.casefold() for p in (home / TRACES).glob("*")}
    out: dict[str, str] = {}
    for name, file in trace_names(tuple(new.values())).items():
        stays = name in old and old[name].trace == new[name].trace
        if not stays:
            stem = Path(file).stem
            tried = [file, *(f"{stem} {k}.csv" for k in range(2, len(taken) + 3))]
            out[name] = next(f for f in tried if f.casefold() not in taken)
            taken.add(out[name].casefold())
    return out


def _sheet(raw: bytes, old: Mapping[str, Run], new: Mapping[str, Run], files: Mapping[str, str]) -> bytes:
    """The sheet with the rows of changed runs edited, those of runs that are gone left out, new ones behind."""
    try:
        lines = raw.decode("utf-8").splitlines(keepends=True)
    except UnicodeDecodeError as error:
        raise _Unlike from error
    at = next((k for k, line in enumerate(lines) if line.strip("\ufeff\r\n, ")), None)
    if at is None:
        raise _Unlike
    header = [name.strip() for name in _cells(lines[at].lstrip("\ufeff"))]
    if "run" not in header or len(set(header)) < len(header):
        raise _Unlike
    ending = lines[at][len(lines[at].rstrip("\r\n")) :] or "\n"
    lacking = [c for c in _needed(old, new) if c not in header]
    if lacking:
        wide = len(header)
        lines[at:] = [
            _wider(line, wide, lacking if k == 0 else [""] * len(lacking))
            for k, line in enumerate(lines[at:])
        ]
        header += lacking
    out, seen = lines[: at + 1], set[str]()
    for line in lines[at + 1 :]:
        cells = _cells(line) if line.strip() else []
        name = cells[header.index("run")].strip() if len(cells) == len(header) else ""
        if name not in old or name in seen:
            out.append(line)  # a row that no run came of stays: there may be something in it yet
        elif name in new:
            out.append(_edited(line, cells, header, old[name], new[name], files.get(name)))
        seen.add(name)
    if any(name not in seen for name in old):
        raise _Unlike
    added = [_row(header, run, files.get(name)) for name, run in new.items() if name not in old]
    if added and not out[-1].endswith(("\n", "\r")):
        out[-1] += ending
    return "".join([*out, *(row + ending for row in added)]).encode()


def _needed(old: Mapping[str, Run], new: Mapping[str, Run]) -> list[str]:
    """The columns that some changed or new run has something to say in, known ones first."""
    needed = {c for name, run in new.items() for c in _changed(old.get(name), run)}
    return [*(c for c in (*COLUMNS, *OPTIONAL) if c in needed), *sorted(needed - _KNOWN)]


def _changed(old: Run | None, new: Run) -> set[str]:
    """The columns that a run says something else in than before, or, where it is new, says anything in."""
    had = {} if old is None else old.extra
    known = {
        c
        for c in (*COLUMNS, *OPTIONAL)
        if c != "trace" and _value(new, c) != (None if old is None else _value(old, c))
    }
    return known | {c for c in {*had, *new.extra} if had.get(c) != new.extra.get(c)}


def _wider(line: str, wide: int, more: list[str]) -> str:
    """A record of so many cells with more behind them; another line as it is."""
    if not line.strip() or len(_cells(line)) != wide:
        return line
    plain = line.rstrip("\r\n")
    return f"{plain},{_record(more) if len(more) > 1 or more[0] else ''}{line[len(plain) :]}"


def _cells(line: str) -> list[str]:
    """The cells of a line that is one record (RFC 4180)."""
    try:
        records = list(csv.reader([line], strict=True))
    except csv.Error as error:
        raise _Unlike from error
    if len(records) != 1:
        raise _Unlike
    return records[0]


def _edited(line: str, cells: list[str], header: list[str], old: Run, new: Run, file: str | None) -> str:
    columns = _changed(old, new)
    columns |= {"trace"} if file is not None or (old.trace is not None and new.trace is None) else set()
    if not columns:
        return line
    if columns - set(header):
        raise _Unlike
    told = list(cells)
    for column in columns:
        told[header.index(column)] = _cell(new, column, file)
    return _record(told) + line[len(line.rstrip("\r\n")) :]


def _row(header: list[str], run: Run, file: str | None) -> str:
    return _record([_cell(run, column, file) for column in header])


def _value(run: Run, column: str) -> Any:
    return getattr(run, FIELD.get(column, column))


def _cell(run: Run, column: str, file: str | None) -> str:
    if column == "trace":
        return file or ""
    return cell_of(_value(run, column) if column in _KNOWN else run.extra.get(column))


def _record(cells: list[str]) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="").writerow(cells)
    return out.getvalue()
