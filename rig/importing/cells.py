"""Text of a CSV file to rows and numbers, with exact line numbers; says what is wrong and never guesses."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from rig.errors import BenchError, Place
from rig.plausible import Plausible

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+")
_WITH_UNIT = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)\s*([^\d.,\s].*)")
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity)", re.IGNORECASE)
_UNREADABLE = re.compile("[\ud800-\udfff]")
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_GUARDED = re.compile(r"'+[=+\-@\t\r]")
_LONGEST_CELL = 200  # lines that one quoted cell may span
_UTF8_CURE = "Save it as CSV UTF-8"


@dataclass(frozen=True)
class Row:
    """One record: the line it starts on (1 is the first), and its cells without outer blanks."""

    line: int
    cells: tuple[str, ...]

    @property
    def is_blank(self) -> bool:
        """True where no cell holds anything."""
        return not any(self.cells)


@dataclass(frozen=True)
class BrokenRow:
    """A record whose quotes do not pair up."""

    line: int


@dataclass(frozen=True)
class Problem:
    """What is wrong with a cell, and what to do."""

    what: str
    cure: str = ""


def text_from_bytes(raw: bytes, file: str) -> str:
    """Decode UTF-8 with or without a byte order mark.

    Bytes that are not UTF-8 become lone surrogates, which `is_unreadable` finds again cell by cell.

    Raises
    ------
    BenchError
        Where the file is in a two-byte encoding or no text at all.
    """
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in raw:
        line = raw[: max(raw.find(b"\0"), 0)].count(b"\n") + 1
        raise BenchError("not UTF-8 text", Place(file=file, line=line), _UTF8_CURE)
    return raw.removeprefix(b"\xef\xbb\xbf").decode("utf-8", errors="surrogateescape")


def is_unreadable(text: str) -> bool:
    """True where the text came from bytes that are not UTF-8."""
    return _UNREADABLE.search(text) is not None


def shown(text: str) -> str:
    """The text as it may be printed in a message: unreadable bytes as '?', long cells shortened."""
    clean = _UNREADABLE.sub("?", text)
    return repr(clean if len(clean) <= 60 else clean[:57] + "...")


def delimiter_of(text: str) -> str:
    """What parts the cells: a comma; a semicolon or a tab where the first line with anything has no comma."""
    first = next((line for line in io.StringIO(text) if line.strip()), "")
    return next((d for d in (";", "\t") if d in first and "," not in first), ",")


def rows(text: str) -> Iterator[Row | BrokenRow]:
    """Every record of a text whose cells are parted by commas, or as `delimiter_of` finds.

    A quote that never closes costs its own line only: reading goes on with the next line.
    """
    lines = list(io.StringIO(text, newline=""))
    delimiter = delimiter_of(text)
    at = 0
    while at < len(lines):
        if '"' not in lines[at]:
            cells, span = lines[at].split(delimiter), 1
        else:
            reader = csv.reader(lines[at : at + _LONGEST_CELL], delimiter=delimiter, strict=True)
            try:
                cells, span = next(reader), reader.line_num
            except csv.Error:
                yield BrokenRow(at + 1)
                at += 1
                continue
        yield Row(at + 1, tuple(unguarded(c.strip()) for c in cells))
        at += span


def guarded(text: str) -> str:
    """Text as it may stand in a cell: what a spreadsheet would run as a formula gets an apostrophe before it.

    A number stays one, whatever its sign; `unguarded` gives back the text.
    """
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def unguarded(cell: str) -> str:
    """The text of a cell that `guarded` wrote, or anybody without such an apostrophe."""
    return cell[1:] if _GUARDED.match(cell) else cell


def number(text: str, plausible: Plausible) -> float | Problem:
    """The number in a cell, or what is wrong with it or with its size; the text must not be empty."""
    value = any_number(text, plausible.unit)
    doubt = None if isinstance(value, Problem) else plausible.doubt(value)
    return value if doubt is None else Problem(*doubt)


def any_number(text: str, unit: str) -> float | Problem:
    """The number in a cell, of whatever size, or what is wrong with it; the text must not be empty."""
    plain = text.replace("\N{MINUS SIGN}", "-")
    if _NUMBER.fullmatch(plain):
        value = float(plain)
        return value if math.isfinite(value) else _not_finite(text)
    alone = f"Write the number alone, in {unit}"
    if _THOUSANDS.fullmatch(plain):
        return Problem(
            f"{shown(text)} has a comma that may mark decimals or thousands",
            "Write decimals with a point, thousands without a mark",
        )
    if _DECIMAL_COMMA.fullmatch(plain):
        return float(plain.replace(",", "."))
    if _NOT_FINITE.fullmatch(plain):
        return _not_finite(text)
    if with_unit := _WITH_UNIT.fullmatch(plain):
        return Problem(f"{shown(text)} carries {shown(with_unit[1])} after its number", alone)
    return Problem(f"{shown(text)} is not a number", f"{alone}, or leave the cell empty")


def _not_finite(text: str) -> Problem:
    return Problem(f"{shown(text)} is not a finite number", "Leave the cell empty where nothing was measured")
