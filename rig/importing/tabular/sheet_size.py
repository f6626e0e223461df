"""How large a spreadsheet is once it is unrolled, read off its XML as it streams by.

A file of some kilobytes may say that a cell stands in the last column of the last row, or that a row is repeated a
million times; its readers believe it and fill the memory. So the parts that hold cells are looked over first, and
that also tells whether they are whole: a reader of .ods takes the half of a file for all of it.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from xml.parsers import expat

from rig.errors import TableRefused

MOST_UNPACKED_BYTES = 100 << 20
MOST_CELLS = 3_000_000
MOST_PARTS = 5_000
_MOST_DEPTH = 100
_MOST_REPEATED_CHARS = 1_000_000
_READ = 1 << 16
_LIST, _LONGEST_LIST_BYTES = "xl/workbook.xml", 1 << 20
_TOO_LARGE = "Save the sheet as CSV, without what stands far out"
_PLACE = re.compile(r"([A-Z]{1,3})(\d{1,7})")
_SHEET_PART = re.compile(r"xl/worksheets/[^/]+\.xml")
_READ_WHOLE = re.compile(r"(?:xl/(?:sharedStrings|styles|workbook)|content|styles|meta|settings)\.xml")


def refuse_too_large(
    raw: bytes, file: str, *, cells: int = MOST_CELLS, unpacked: int = MOST_UNPACKED_BYTES
) -> None:
    """Look over a spreadsheet of either kind before it is read.

    Raises
    ------
    TableRefused
        It unpacks or unrolls to more than it may.
    zipfile.BadZipFile, zlib.error, expat.ExpatError, ValueError and others of `sheet_reader.DAMAGE`
        It is damaged.
    """
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        parts = archive.infolist()
        if len(parts) > MOST_PARTS:
            raise TableRefused(f"the spreadsheet has more than {MOST_PARTS} parts", file, cure=_TOO_LARGE)
        if sum(p.file_size for p in parts) > unpacked:
            raise TableRefused(
                f"the spreadsheet unpacks to more than {unpacked >> 20} MiB", file, cure=_TOO_LARGE
            )
        total = 0
        for part in parts:
            look: _Look | None = None
            if _SHEET_PART.fullmatch(part.filename):
                look = _Sheet(file, cells - total)
            elif part.filename == "content.xml":
                look = _Tables(file, cells - total)
            elif _READ_WHOLE.fullmatch(part.filename):
                look = _Look(file, cells)
            if look is not None:
                with archive.open(part) as stream:
                    total += look.over(stream.read)


def sheet_names(raw: bytes) -> set[str]:
    """The names of an .xlsx file's sheets, read off its list of them alone; empty where there is none.

    Raises
    ------
    zipfile.BadZipFile, zlib.error, expat.ExpatError and others of `sheet_reader.DAMAGE`
        It is damaged.
    """
    names: set[str] = set()

    def began(name: str, given: dict[str, str]) -> None:
        if name.rpartition(" ")[2] == "sheet" and "name" in given:
            names.add(given["name"])

    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        if _LIST not in archive.namelist():
            return names
        with archive.open(_LIST) as stream:
            parser = expat.ParserCreate(namespace_separator=" ")
            parser.StartElementHandler = began
            parser.Parse(stream.read(_LONGEST_LIST_BYTES), False)
    return names


@dataclass
class _Look:
    """Looks over one part: that it is XML, whole, and nests no deeper than anybody's."""

    file: str
    most: int
    depth: int = 0

    def over(self, read: Callable[[int], bytes]) -> int:
        """Look over all of it; how many cells it unrolls to."""
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.StartElementHandler, parser.EndElementHandler = self._started, self._ended
        while part := read(_READ):
            parser.Parse(part, False)
        parser.Parse(b"", True)
        return self.cells()

    def cells(self) -> int:
        """How many cells it unrolls to."""
        return 0

    def begin(self, name: str, given: dict[str, str]) -> None:
        """An element begins; its name without the namespace."""

    def end(self, name: str) -> None:
        """An element ends."""

    def _started(self, name: str, given: dict[str, str]) -> None:
        self.depth += 1
        if self.depth > _MOST_DEPTH:
            raise TableRefused(
                "its parts are nested deeper than any spreadsheet's", self.file, cure=_TOO_LARGE
            )
        self.begin(name.rpartition(" ")[2], {k.rpartition(" ")[2]: v for k, v in given.items()})
        if self.cells() > self.most:
            raise TableRefused(
                f"the spreadsheet has more than {self.most:,} cells", self.file, cure=_TOO_LARGE
            )

    def _ended(self, name: str) -> None:
        self.depth -= 1
        self.end(name.rpartition(" ")[2])


@dataclass
class _Sheet(_Look):
    """A sheet of an .xlsx: as many rows and columns as the cells that stand farthest out say."""

    rows: int = 0
    columns: int = 0
    row: int = 0
    column: int = 0

    def cells(self) -> int:
        """Rows times columns."""
        return self.rows * self.columns

    def begin(self, name: str, given: dict[str, str]) -> None:
        """Take in a row or a cell."""
        if name == "row":
            self.row, self.column = int(given.get("r", self.row + 1)), 0
        elif name == "c":
            self.column += 1
            if found := _PLACE.fullmatch(given.get("r", "")):
                self.column, self.row = _number(found[1]), int(found[2])
            self.rows, self.columns = max(self.rows, self.row), max(self.columns, self.column)


@dataclass
class _Tables(_Look):
    """The tables of an .ods: what is repeated counts as often as it is; what is empty and last does not count."""

    done: int = 0
    rows: int = 0
    columns: int = 0
    empty_rows: int = 0
    row_times: int = 1
    at: int = 0
    filled: int = 0
    empty: int = 0
    cell_times: int = 0
    chars: int = field(default=0)

    def cells(self) -> int:
        """Rows times columns of all tables."""
        return self.done + self.rows * self.columns

    def begin(self, name: str, given: dict[str, str]) -> None:
        """Take in a table, a row, a cell or what makes a cell filled."""
        match name:
            case "table":
                self.done, self.rows, self.columns, self.empty_rows = self.cells(), 0, 0, 0
            case "table-row":
                self.row_times = int(given.get("number-rows-repeated", 1))
                self.at = self.filled = 0
            case "table-cell" | "covered-table-cell":
                self.cell_times = int(given.get("number-columns-repeated", 1))
                self.at += self.cell_times
                if "value-type" in given:
                    self.filled = self.at
                if self.at < 0 or self.row_times < 0 or self.cell_times < 0:
                    raise ValueError("less than none")
            case "s":
                self.chars += int(given.get("c", 1)) * max(self.cell_times, 1) * max(self.row_times, 1)
                self._fill()
                if self.chars > _MOST_REPEATED_CHARS:
                    raise TableRefused(
                        "the spreadsheet repeats blanks without end", self.file, cure=_TOO_LARGE
                    )
            case "p":
                self._fill()

    def end(self, name: str) -> None:
        """A row is whole: those empty before it count now that one is filled."""
        if name == "table-row":
            if self.filled:
                self.rows += self.empty_rows + self.row_times
                self.columns, self.empty_rows = max(self.columns, self.filled), 0
            else:
                self.empty_rows += self.row_times
            if self.cells() > self.most:
                raise TableRefused(
                    f"the spreadsheet has more than {self.most:,} cells", self.file, cure=_TOO_LARGE
                )

    def _fill(self) -> None:
        self.filled = self.at


def _number(letters: str) -> int:
    """The number of a column from its letters: A is 1."""
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - 64
    return number
