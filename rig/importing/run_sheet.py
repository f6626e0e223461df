"""Read run_sheet.csv, one row a run; what cannot be used is named, the rest goes through."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from typing import Any

from rig.bench import Bench
from rig.errors import BenchError, NotFound, Place
from rig.importing.cells import BrokenRow, Problem, Row, any_number, is_unreadable, rows, shown
from rig.names import alike, alike_words, unclear_words
from rig.plausible import RUN as PLAUSIBLE
from rig.runs import Finding, Gravity, Run

RUN_SHEET = "run_sheet.csv"
REQUIRED = ("run", "technique", "vessel", "ice", "recipe")
COLUMNS = (
    "run",
    "started_at",
    "operator",
    "session",
    "technique",
    "vessel",
    "ice",
    "ice_mass_g",
    "ice_temp_c",
    "recipe",
    "drink_mass_g",
    "drink_temp_c",
    "vessel_temp_c",
    "room_temp_c",
    "duration_s",
    "strained_mass_g",
    "trace",
    "notes",
)
OPTIONAL = (
    "gross_before_g",
    "gross_after_g",
    "foam_ml",
    "foam_half_life_s",
    "probe_std_k",
    "scale_std_g",
    "target",
    "excluded_because",
)
FIELD = {"trace": "trace_file"}  # where a column's name is not that of the run's field
_KNOWN = (*COLUMNS, *OPTIONAL)


@dataclass(frozen=True)
class SheetRun:
    """A run as the sheet gives it, without its trace, and the line it stands on."""

    line: int
    run: Run


def read_run_sheet(
    text: str,
    bench: Bench,
    file: str = RUN_SHEET,
    left_out: Mapping[tuple[str, str], Place] | None = None,
) -> tuple[tuple[SheetRun, ...], tuple[Finding, ...]]:
    """Turn the text of a run sheet into runs, their numbers as written: `rig.consistency` judges them.

    A cell that cannot be read is blanked, a run that cannot be placed is left out; each is a finding.
    `left_out` says where the entries (section, name) of the bench stand that could not be used.

    Raises
    ------
    BenchError
        Where the sheet has no header or lacks a column that every run needs.
    """
    reader = _SheetReader(bench, file, left_out or {})
    return tuple(reader.runs(text)), tuple(reader.findings)


def sheet_columns(text: str) -> dict[str, int]:
    """Where each column of a run sheet stands, by the name it is known by. Raises as `read_run_sheet` does."""
    found = [r for r in rows(text) if isinstance(r, Row)]
    header = next(r for r in found if not r.is_blank)
    return _SheetReader(Bench(), RUN_SHEET, {}).columns(header, found)


class _SheetReader:
    """Collects findings on the way from text to runs."""

    def __init__(self, bench: Bench, file: str, left_out: Mapping[tuple[str, str], Place]) -> None:
        self.bench, self.file, self.left_out = bench, file, left_out
        self.findings: list[Finding] = []
        self.strangers: set[str] = set()

    def find(
        self,
        gravity: Gravity,
        what: str,
        cure: str = "",
        line: int | None = None,
        column: str | None = None,
        run: str | None = None,
    ) -> None:
        self.findings.append(Finding(gravity, what, Place(self.file, line, column, run), cure))

    def runs(self, text: str) -> list[SheetRun]:
        found = list(rows(text))
        header = next((r for r in found if isinstance(r, Row) and not r.is_blank), None)
        if header is None:
            raise BenchError(
                "the run sheet is empty", Place(self.file), f"Its first line is {','.join(COLUMNS)}"
            )
        columns = self.columns(header, [r for r in found if isinstance(r, Row)])
        lines_of: dict[str, tuple[str, int]] = {}
        out: list[SheetRun] = []
        for row in found:
            if isinstance(row, BrokenRow):
                cure = "Remove the quote, or double it inside a quoted cell"
                self.find(Gravity.LEFT_OUT, "a quote does not close; the line is left out", cure, row.line)
            elif row is not header and not row.is_blank:
                run = self.run(row, len(header.cells), columns, lines_of)
                if run is not None:
                    lines_of[alike(run.run)] = run.run, row.line
                    out.append(SheetRun(row.line, run))
        if not out:
            self.find(Gravity.NOTE, "the run sheet holds no usable run")
        return out

    def columns(self, header: Row, whole: Sequence[Row]) -> dict[str, int]:
        """Where each column stands; columns that are not known keep a name of their own."""
        found: dict[str, int] = {}
        for index, name in enumerate(header.cells):
            if not name:
                if any(r.cells[index : index + 1] not in ((), ("",)) for r in whole):
                    name = f"column {index + 1}"
                    self.find(
                        Gravity.NOTE,
                        f"a column without a name is kept as {name!r}",
                        "Name it",
                        header.line,
                        name,
                    )
                    found[name] = index
                continue
            if is_unreadable(name):
                name = shown(name)[1:-1]
            if name in found:
                first, name = name, _free(name, found)
                self.find(
                    Gravity.DOUBT,
                    f"column {first!r} is there twice; the first is used, the second kept as {name!r}",
                    "Rename or remove one of them",
                    header.line,
                    first,
                )
            elif name not in _KNOWN:
                what = f"unknown column {name!r} is kept with each run as a note"
                self.find(Gravity.NOTE, what, _unknown_column(name, header.cells), header.line, name)
            found[name] = index
        missing = [c for c in REQUIRED if c not in found]
        if missing:
            separated = "|" in "".join(header.cells) and len(header.cells) < 3
            cure = (
                "Cells are separated by '|': save it with commas, semicolons or tabs"
                if separated
                else f"Its first line names the columns: {','.join(COLUMNS)}"
            )
            what = f"the run sheet has no column {', '.join(map(repr, missing))}"
            raise BenchError(what, Place(self.file, header.line), cure)
        return found

    def run(
        self, row: Row, width: int, columns: Mapping[str, int], lines_of: Mapping[str, tuple[str, int]]
    ) -> Run | None:
        """The run of one row, or None with findings that say why it is left out."""
        cells = {n: row.cells[i] for n, i in columns.items() if i < len(row.cells)}
        name = cells.get("run", "")
        name = shown(name)[1:-1] if is_unreadable(name) else name
        if any(row.cells[width:]):
            self.find(
                Gravity.LEFT_OUT,
                f"the row has {len(row.cells)} cells where the header has {width}; the run is left out",
                "Write decimals with a point, and put quotes round a cell that holds a comma",
                row.line,
                run=name or None,
            )
            return None
        if len(row.cells) < width:
            what = f"the row has {len(row.cells)} of {width} cells; the missing ones are read as empty"
            self.find(Gravity.DOUBT, what, "Check that no cell has slipped", row.line, run=name or None)
        for column, text in cells.items():
            if is_unreadable(text):
                what = f"{shown(text)} is not UTF-8 text; the cell is not used"
                cure = "Save the sheet as CSV UTF-8"
                self.find(Gravity.DOUBT, what, cure, row.line, column, name or None)
                cells[column] = ""
        if not self.may_stay(cells, row.line, lines_of):
            return None
        values = {FIELD.get(c, c): self.value(c, t, row.line, name) for c, t in cells.items() if c in _KNOWN}
        extra = {c: t for c, t in cells.items() if c not in _KNOWN and t}
        values = {f: v for f, v in values.items() if v is not None}
        return Run(**values, extra=extra)

    def may_stay(self, cells: Mapping[str, str], line: int, lines_of: Mapping[str, tuple[str, int]]) -> bool:
        """Whether the run has a name of its own and a set-up and recipe that the bench knows."""
        name = cells.get("run", "")
        left_out: list[tuple[str, str, str]] = []
        other, on = lines_of.get(alike(name), (name, 0))
        if name and (unclear := unclear_words("run", name)):
            left_out.append(("run", f"{unclear[0]}; the run is left out", unclear[1]))
        elif on:
            what = f"run {name!r} is already on line {on}"
            if other != name:
                what = f"{alike_words('run', other, name)[0]}; {other!r} is on line {on}"
            left_out.append(("run", f"{what}; this one is left out", "Give each run a name of its own"))
        shelves = {"vessel": self.bench.vessel, "ice": self.bench.ice_type, "recipe": self.bench.recipe}
        for column in REQUIRED:
            text = cells.get(column, "")
            if not text:
                left_out.append((column, f"no {column} is given; the run is left out", f"Fill in {column}"))
            elif column in shelves:
                try:
                    shelves[column](text)
                except NotFound as error:
                    section = column if column == "ice" else f"{column}s"
                    if broken := self.left_out.get((section, text)):
                        what = f"the run is left out: {column} {text!r} cannot be used ({broken})"
                        cure = f'Correct [{section}."{text}"] there'
                    else:
                        what = f"the run is left out: {str(error).rstrip('.')}"
                        cure = f'Correct the name, or add [{section}."{text}"] to bench.toml'
                    left_out.append((column, what, cure))
        for column, what, cure in left_out:
            self.find(Gravity.LEFT_OUT, what, cure, line, column, name or None)
        technique = cells.get("technique", "")
        if not left_out and technique not in self.strangers and self.bench.motion(technique) is None:
            self.strangers.add(technique)
            what = f"technique {technique!r} is like none that is known"
            cure = f'Correct the name, or add to bench.toml: [techniques."{technique}"] with like = "shake"'
            self.find(Gravity.NOTE, what, cure, line, "technique", name)
        return not left_out

    def value(self, column: str, text: str, line: int, run: str) -> Any:
        """The value of one known cell, None where it is empty or cannot be used."""
        if not text:
            return None
        problem: Problem | None = None
        if column in PLAUSIBLE:
            found = any_number(text, PLAUSIBLE[column].unit)
            if not isinstance(found, Problem):
                return found
            problem = found
        elif column == "started_at":
            try:
                return datetime.fromisoformat(text)
            except ValueError:
                problem = Problem(
                    f"{shown(text)} is not an ISO 8601 time", "Write 2026-03-09T18:30:00, year first"
                )
        elif column == "target":
            try:
                self.bench.target(text)
            except NotFound as error:
                if broken := self.left_out.get(("targets", text)):
                    problem = Problem(f"target {text!r} cannot be used ({broken})", "Correct it there")
                else:
                    problem = Problem(str(error).rstrip("."), f'Add [targets."{text}"] to bench.toml')
        if problem is None:
            return text
        self.find(
            Gravity.LEFT_OUT, f"{problem.what}; the cell is not used", problem.cure, line, column, run or None
        )
        return None


def _free(name: str, taken: Mapping[str, int]) -> str:
    return next(n for k in range(2, len(taken) + 3) if (n := f"{name} ({k})") not in taken)


def _unknown_column(name: str, header: Sequence[str]) -> str:
    """What to do about a column that is not known: another unit, or a slip of the pen."""
    free = [c for c in _KNOWN if c not in header]
    plain = name.casefold()
    if plain in free:
        return f"Did you mean {plain!r}?"
    stem = plain.rpartition("_")[0]
    for column in free:
        if column in PLAUSIBLE and stem == column.rpartition("_")[0]:
            return f"Convert it to {PLAUSIBLE[column].unit} and name the column {column}"
    close = get_close_matches(plain, free, n=1, cutoff=0.75)
    return f"Did you mean {close[0]!r}?" if close else ""
