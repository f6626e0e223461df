"""What a reader says about a file: what each column was taken for, what was dropped, what it assumed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from rig.arrays import BoolArray, IntArray
from rig.errors import Place
from rig.runs import Finding, Gravity

_LINES_KEPT = 20


@dataclass(frozen=True)
class ColumnNote:
    """What one column of the file was taken for, and why; columns are numbered from 1."""

    position: int
    header: str
    taken_for: str
    why: str

    def __str__(self) -> str:
        name = f" {self.header!r}" if self.header else ""
        return f"column {self.position}{name}: {self.taken_for} ({self.why})"


@dataclass(frozen=True)
class Dropped:
    """Rows or values left out: what they were, how many, and the first lines they stood on."""

    what: str
    count: int
    lines: tuple[int, ...] = ()
    column: str | None = None

    def __str__(self) -> str:
        where = f" in {self.column!r}" if self.column else ""
        shown = ", ".join(map(str, self.lines[:6])) + (", ..." if self.count > len(self.lines[:6]) else "")
        return f"{self.count} x {self.what}{where}" + (f" (line {shown})" if self.lines else "")


@dataclass(frozen=True)
class TableReport:
    """How a file was read; `str()` gives it line by line."""

    file: str
    encoding: str
    delimiter: str
    decimal: str
    header_line: int | None
    first_line: int
    rows: int
    columns: tuple[ColumnNote, ...] = ()
    dropped: tuple[Dropped, ...] = ()
    notes: tuple[str, ...] = ()

    def findings(self) -> tuple[Finding, ...]:
        """The same as findings on the file, for whoever collects them."""
        place = Place(file=self.file)
        notes = [Finding(Gravity.NOTE, note, place) for note in self.notes]
        lines = (d.lines[0] if d.lines else None for d in self.dropped)
        return *notes, *(
            Finding(Gravity.LEFT_OUT, str(d), Place(file=self.file, line=line, column=d.column))
            for d, line in zip(self.dropped, lines, strict=True)
        )

    def __str__(self) -> str:
        header = f"header on line {self.header_line}" if self.header_line else "no header"
        top = (
            f"{self.file}: {self.encoding}, cut at {self.delimiter}, decimals after {self.decimal!r}, "
            f"{header}, "
            f"first row on line {self.first_line}, {self.rows} rows read"
        )
        dropped = (f"dropped {d}" for d in self.dropped)
        return "\n".join([top, *map(str, self.columns), *dropped, *self.notes])


@dataclass
class Log:
    """Gathers what happens while a file is read; the report is made from it once, at the end.

    Row 0 of the table stands on line `first_line` of the file, and each further row on the next.
    """

    first_line: int
    columns: dict[int, ColumnNote] = field(default_factory=dict)
    dropped: list[Dropped] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def column(self, position: int, header: str, taken_for: str, why: str) -> None:
        """Say what the column at a position (0 is the first) was taken for."""
        self.columns[position] = ColumnNote(position + 1, header, taken_for, why)

    def drop(self, what: str, lines: Iterable[int], column: str | None = None) -> None:
        """Count what was left out; nothing is said where there are no lines."""
        every = [int(line) for line in lines]
        if every:
            self.dropped.append(Dropped(what, len(every), tuple(every[:_LINES_KEPT]), column))

    def drop_rows(self, what: str, rows: BoolArray | IntArray, column: str | None = None) -> None:
        """Count rows that were left out: their positions, in any order, or true for each of them."""
        at = np.flatnonzero(rows) if rows.dtype == np.bool_ else np.sort(rows)
        self.drop(what, at + self.first_line, column)

    def note(self, text: str) -> None:
        """Say something once."""
        if text not in self.notes:
            self.notes.append(text)
