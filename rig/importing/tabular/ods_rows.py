"""The rows of an .ods spreadsheet (OASIS OpenDocument 1.3, part 3), read off its XML as it streams by.

Readers that build the whole document take some thousand bytes and hundreds of microseconds a cell.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from xml.parsers import expat

Value = str | float | int | bool | None
Row = list[Value]
_OFFICE, _TABLE, _TEXT = (
    f"urn:oasis:names:tc:opendocument:xmlns:{n}:1.0 " for n in ("office", "table", "text")
)
_CELLS = (f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell")
_READ = 1 << 16
# XML Schema 1.1, part 2, 3.3.6: a time of day in a cell is a duration
_DURATION = re.compile(r"(-?)P(?:(\d+)D)?T(?:(\d+)H)?(?:(\d+)M)?(?:(\d+(?:[.,]\d+)?)S)?")


def ods_rows(read: Callable[[int], bytes], take: Callable[[str, Row], None]) -> None:
    """Give each row of each table with its table's name; `read` reads on in content.xml.

    What is empty at the end of a row or of a table is left out. How much is repeated must have been looked over.

    Raises
    ------
    expat.ExpatError, ValueError
        The part is damaged.
    """
    rows = _Rows(take)
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartElementHandler, parser.EndElementHandler = rows.begin, rows.end
    parser.CharacterDataHandler = rows.text
    while part := read(_READ):
        parser.Parse(part, False)
    parser.Parse(b"", True)


@dataclass
class _Rows:
    take: Callable[[str, Row], None]
    table: str | None = None
    row: Row = field(default_factory=list)
    empty_rows: int = 0
    empty_cells: int = 0
    row_times: int = 1
    given: dict[str, str] | None = None
    """What the cell at hand says of itself; None outside a cell."""
    words: list[str] = field(default_factory=list)
    paragraphs: int = 0
    unread: int = 0
    """Depth within a comment, which is no part of its cell."""

    def begin(self, name: str, given: dict[str, str]) -> None:
        if self.unread or name == f"{_OFFICE}annotation":
            self.unread += 1
        elif name == f"{_TABLE}table" and self.given is None:
            self.table, self.empty_rows = given.get(f"{_TABLE}name", ""), 0
        elif name == f"{_TABLE}table-row" and self.given is None:
            self.row, self.empty_cells = [], 0
            self.row_times = int(given.get(f"{_TABLE}number-rows-repeated", 1))
        elif name in _CELLS and self.given is None:
            self.given, self.words, self.paragraphs = given, [], 0
        elif self.given is not None:
            self._within(name, given)

    def _within(self, name: str, given: dict[str, str]) -> None:
        if name == f"{_TEXT}p":
            self.words += ["\n"] if self.paragraphs else []
            self.paragraphs += 1
        elif name == f"{_TEXT}s":
            self.words.append(" " * int(given.get(f"{_TEXT}c", 1)))
        elif name == f"{_TEXT}tab":
            self.words.append("\t")
        elif name == f"{_TEXT}line-break":
            self.words.append("\n")

    def text(self, text: str) -> None:
        if self.given is not None and self.paragraphs and not self.unread:
            self.words.append(text)

    def end(self, name: str) -> None:
        if self.unread:
            self.unread -= 1
        elif name in _CELLS and self.given is not None:
            times = int(self.given.get(f"{_TABLE}number-columns-repeated", 1))
            value = _value(self.given, "".join(self.words))
            if value is None or value == "":
                self.empty_cells += times
            else:
                self.row += [None] * self.empty_cells + [value] * times
                self.empty_cells = 0
            self.given = None
        elif name == f"{_TABLE}table-row" and self.given is None:
            self._row()
        elif name == f"{_TABLE}table" and self.given is None:
            self.table = None

    def _row(self) -> None:
        if self.table is None or not self.row:
            self.empty_rows += self.row_times
            return
        for _ in range(self.empty_rows):
            self.take(self.table, [])
        self.empty_rows = 0
        for _ in range(self.row_times):
            self.take(self.table, self.row)


def _value(given: dict[str, str], text: str) -> Value:
    """A cell's own value, which may show fewer digits; an error it shows is none."""
    match given.get(f"{_OFFICE}value-type"):
        case "float" | "percentage" | "currency":
            return None if text in ("#N/A", "#DIV/0!", "#VALUE!") else float(given[f"{_OFFICE}value"])
        case "boolean":
            return given.get(f"{_OFFICE}boolean-value", text.lower()) == "true"
        case "date":
            return given[f"{_OFFICE}date-value"].replace("T", " ")
        case "time":
            return _clock(given[f"{_OFFICE}time-value"])
        case "string":
            return given.get(f"{_OFFICE}string-value", text)
        case None | "void":
            return None
        case other:
            raise ValueError(f"cells of no known kind: {other}")


def _clock(duration: str) -> str:
    found = _DURATION.fullmatch(duration)
    if found is None:
        raise ValueError(f"no duration: {duration}")
    sign, days, hours, minutes, seconds = found.groups(default="0")
    whole, _, part = seconds.replace(",", ".").partition(".")
    of_day = f"{24 * int(days) + int(hours):02d}:{int(minutes):02d}:{int(whole):02d}"
    return ("-" if sign == "-" else "") + of_day + (f".{part}" if part else "")
