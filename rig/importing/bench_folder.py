"""Open a bench folder: bench.toml, run_sheet.csv and traces/*.csv, together a RunBook."""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path

from rig.bench import BENCH_FILE, Bench, BenchNote, parse_bench
from rig.consistency.judging import judged
from rig.errors import BenchError, Place, TableRefused
from rig.importing.cells import is_unreadable, text_from_bytes
from rig.importing.proposal import propose
from rig.importing.run_sheet import RUN_SHEET, SheetRun, read_run_sheet
from rig.importing.table_run import findings_of, join, own_start
from rig.importing.trace_file import is_trace, read_trace
from rig.runs import Finding, Gravity, Run, RunBook

TRACES = "traces"
TABLE_ENDINGS = frozenset((".csv", ".tsv", ".txt", ".log", ".dat", ".xlsx", ".ods", ".asc", ".prn"))


def open_bench(folder: str | Path) -> RunBook:
    """Read a bench folder, or the one that holds the bench.toml given.

    Bad material never costs good material: a cell, sample, trace or run that cannot be used is left out and
    named in `RunBook.findings`, in the order of the files; the rest goes through.

    Raises
    ------
    BenchError
        Where the folder, its bench.toml or its run sheet is missing or cannot be used at all.
    """
    home = _home(Path(folder))
    described = (home / BENCH_FILE).exists() or (home / RUN_SHEET).exists()
    if not described and (loose := tables_in(home)):
        raise BenchError(
            f"a folder of {len(loose)} loose file{'s' if len(loose) > 1 else ''}, with no {BENCH_FILE}",
            Place(str(folder)),
            f"See which runs they are: chillrig import {folder}. Or write a {BENCH_FILE} and a {RUN_SHEET} "
            "beside them (README, Your own bench)",
        )
    raw = {
        BENCH_FILE: _bytes(home / BENCH_FILE, "the vessels, ice, recipes and targets in use"),
        RUN_SHEET: _bytes(home / RUN_SHEET, "one row a run, its first line names the columns"),
    }
    bench, notes = _bench(raw[BENCH_FILE])
    findings = tuple(map(_finding, notes))
    left_out = {n.left_out: n.place for n in notes if n.left_out is not None}
    sheet = text_from_bytes(raw[RUN_SHEET], RUN_SHEET)
    sheet_runs, sheet_findings = read_run_sheet(sheet, bench, left_out=left_out)
    findings += sheet_findings
    traces = _Traces(home)
    told = judged(bench, [traces.with_trace(s) for s in sheet_runs])
    for sheet_run, one in zip(sheet_runs, told, strict=True):
        findings += one.findings(Place(RUN_SHEET, sheet_run.line))
    runs = tuple(one.run for one in told)
    files = {name: zlib.compress(content, 1) for name, content in raw.items()} | traces.as_they_lie()
    return RunBook(bench, runs, (*findings, *traces.findings, *traces.orphans()), files)


def _home(path: Path) -> Path:
    if path.is_dir():
        return path
    if path.name == BENCH_FILE:
        return path.parent
    if path.exists():
        cure = f"Give the folder that holds {BENCH_FILE} and {RUN_SHEET}"
        raise BenchError("this is a file, not a bench folder", Place(str(path)), cure)
    raise BenchError("there is no such file or folder", Place(str(path)), "Check its spelling")


def tables_in(folder: Path) -> list[Path]:
    """The files in a folder, and in the folders in it, that may be tables of readings; by name."""
    return sorted(
        p
        for p in folder.rglob("*")
        if p.suffix.casefold() in TABLE_ENDINGS and not p.name.startswith(("~", ".")) and p.is_file()
    )


def _bytes(path: Path, holds: str) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise BenchError("the file is missing", Place(str(path)), f"A bench needs it: {holds}") from None
    except OSError as error:
        raise BenchError(f"cannot be read: {error.strerror}", Place(str(path))) from error


def _finding(note: BenchNote) -> Finding:
    gravity = Gravity.NOTE if note.left_out is None else Gravity.LEFT_OUT
    return Finding(gravity, note.text, note.place, note.cure)


def _bench(raw: bytes) -> tuple[Bench, tuple[BenchNote, ...]]:
    text = text_from_bytes(raw, BENCH_FILE)
    if is_unreadable(text):
        line = next(n for n, part in enumerate(text.split("\n"), 1) if is_unreadable(part))
        raise BenchError("not UTF-8 text", Place(BENCH_FILE, line), "Save it as UTF-8")
    return parse_bench(text)


def trace_paths(home: Path, runs: Iterable[Run]) -> dict[str, str]:
    """Where the file lies that a run names as its trace, in a folder; by run, where there is one."""
    traces = _Traces(home)
    found = {r.run: traces.path(r.trace_file) for r in runs if r.trace_file is not None}
    return {
        name: path.relative_to(traces.home).as_posix() for name, path in found.items() if path is not None
    }


class _Traces:
    """The trace files of one folder, and what was found in them."""

    def __init__(self, home: Path) -> None:
        self.home = home.resolve()
        self.findings: list[Finding] = []
        self.run_of: dict[Path, str] = {}
        self.raw: dict[str, bytes] = {}

    def with_trace(self, sheet_run: SheetRun) -> Run:
        """The run with the trace it names, or without where that cannot be used."""
        run = sheet_run.run
        if run.trace_file is None:
            return run
        place = Place(RUN_SHEET, sheet_run.line, "trace", run.run)
        path = self.path(run.trace_file)
        if path is None:
            close = get_close_matches(Path(run.trace_file).name, [p.name for p in self.files()], n=1)
            what = f"trace {run.trace_file!r} is not in {TRACES}/; the run goes without"
            self.doubt(what, place, f"Did you mean {close[0]!r}?" if close else "Put the file there")
            return run
        if path in self.run_of:
            what = f"trace {run.trace_file!r} is also named by run {self.run_of[path]!r}; both use it"
            self.doubt(what, place, "Give each run the trace that was recorded with it")
        self.run_of[path] = run.run
        file = path.relative_to(self.home).as_posix()
        try:
            raw = path.read_bytes()
            self.raw[file] = zlib.compress(raw, 1)
            text = text_from_bytes(raw, file)
            logged = None if is_trace(text) else self.logged(run, raw, path.name)
        except OSError as error:
            self.doubt(f"the trace cannot be read: {error.strerror}", Place(file, run=run.run))
            return run
        except BenchError as error:
            self.doubt(f"{error.what}; the trace is left out", replace(error.place, run=run.run), error.cure)
            return run
        if logged is not None:
            return logged
        trace, findings = read_trace(text, file, run.run)
        self.findings.extend(findings)
        return replace(run, trace=trace)

    def logged(self, run: Run, raw: bytes, name: str) -> Run | None:
        """The run with a trace that another program wrote; None where that leaves anything open."""
        try:
            proposal = propose(raw, file=name)
            if proposal.table is None or proposal.questions:
                return None
            found = join([proposal.table], start=own_start(proposal.table))
        except TableRefused:
            return None
        place = Place(f"{TRACES}/{name}", run=run.run)
        self.findings.append(Finding(Gravity.NOTE, f"read as a logger's table; {found.start_words}", place))
        self.findings.extend(findings_of([proposal], run.run, found))
        return replace(run, trace=found.trace, started_at=run.started_at or found.started_at)

    def doubt(self, what: str, place: Place, cure: str = "") -> None:
        self.findings.append(Finding(Gravity.DOUBT, what, place, cure))

    def path(self, name: str) -> Path | None:
        """The file a cell names, in traces/ or from the bench folder, never outside it."""
        plain = name.replace("\\", "/")
        for tried in (f"{TRACES}/{plain}", plain, f"{TRACES}/{plain}.csv"):
            try:
                path = (self.home / tried).resolve()
                if path.is_relative_to(self.home) and path.is_file():
                    return path
            except (OSError, ValueError):  # a name no file can have
                continue
        return None

    def files(self) -> list[Path]:
        """The trace files that are there, by name."""
        return sorted((self.home / TRACES).glob("*.csv"))

    def as_they_lie(self) -> dict[str, bytes]:
        """Every trace's file, compressed, by its name in the folder; those too that no run names."""
        for path in self.files():
            name = path.relative_to(self.home).as_posix()
            if name not in self.raw:
                with suppress(OSError):  # a file nobody can read, and no run needs
                    self.raw[name] = zlib.compress(path.read_bytes(), 1)
        return self.raw

    def orphans(self) -> tuple[Finding, ...]:
        """A note for each trace file that no usable run names."""
        return tuple(
            Finding(
                Gravity.NOTE,
                "no usable run names this trace",
                Place(f"{TRACES}/{p.name}"),
                "Name it in its run's row",
            )
            for p in self.files()
            if p.resolve() not in self.run_of
        )
