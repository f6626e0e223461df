"""Where the table stands in a text: its cut, its header, its first row."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from rig.errors import TableRefused
from rig.importing.tabular.cells import Kind, read_cell, shown
from rig.importing.tabular.dialect import BLANKS, LONGEST_LINE, MIXED, READ, Dialect, Fit, fits_of
from rig.importing.tabular.header import find_header, header_below

_SAMPLE_LINES = 2000
_SAMPLE_CHARS = 1 << 18
_HARMLESS = frozenset({Kind.MISSING, Kind.OVERLOAD, Kind.EMPTY, Kind.SIGN})
_RIVAL = 0.7
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}(?!\d).*")
_BELOW_THOUSAND = re.compile(r"[+-]?\d{1,3}(?![\d.,]).*")


@dataclass(frozen=True)
class Layout:
    """A table's place in the text; lines are numbered from 1."""

    dialect: Dialect
    width: int
    kinds: tuple[Kind, ...]  # what each column mostly holds
    header: tuple[str, ...] | None
    header_line: int | None
    units: tuple[str, ...] | None
    first_line: int
    preamble: tuple[str, ...]
    open_columns: tuple[int, ...] = ()  # here a comma may stand before decimals or thousands
    notes: tuple[str, ...] = ()


def lines_of(text: str, most_chars: int = _SAMPLE_CHARS) -> list[str]:
    """The lines at the head of a text."""
    return text[:most_chars].replace("\r\n", "\n").replace("\r", "\n").split("\n")


def find_layout(text: str, file: str, *, delimiter: str | None = None, decimal: str | None = None) -> Layout:
    """Find the table: the cut under which most rows of one width are numbers and times.

    Raises
    ------
    TableRefused
        Where no cut gives at least two such rows, or the comma is both delimiter and decimal mark.
    """
    lines = lines_of(text)
    told = None
    skip = 0
    if lines and (found := re.fullmatch(r'\s*"?sep=(.)"?\s*', lines[0], re.IGNORECASE)):
        told, skip = found[1], 1
    lines = lines[:_SAMPLE_LINES]
    fits = list(fits_of(lines[skip:], delimiter or told, decimal))
    if not fits:
        first = next((i for i, line in enumerate(lines, 1) if line.strip()), 1)
        raise TableRefused(
            f"there are no rows of numbers, only text such as {shown(lines[first - 1].strip())}",
            file,
            first,
            "Give a table with at least two rows of readings",
        )
    best = fits[0] if len(fits) == 1 else max(fits, key=lambda f: _rank(f, lines, skip))
    first_at = _first_row(lines, best, skip)
    header, header_at, units = find_header(lines[skip:first_at], best, skip)
    if header is None and (below := header_below(lines[first_at:], best)):
        first_at = _first_row(lines, best, first_at + below)
        header, header_at, units = find_header(lines[skip:first_at], best, skip)
    _refuse_double_comma(lines, first_at, best, header_at, file)
    top = header_at if header_at is not None else first_at
    notes = _notes(lines, skip, first_at, header_at, header is not None)
    fit, open_columns = _open_decimal(lines[first_at:], best, fits) if decimal is None else (best, ())
    return Layout(
        fit.dialect,
        fit.width,
        fit.kinds,
        header,
        None if header_at is None else header_at + 1,
        units,
        first_at + 1,
        tuple(line for line in lines[skip:top] if line.strip()),
        open_columns,
        notes,
    )


def _notes(
    lines: Sequence[str], skip: int, first_at: int, header_at: int | None, has_header: bool
) -> tuple[str, ...]:
    """What a person should know of the lines between the header and the first row, or in a header's place."""
    if not has_header:
        above = next((line.strip() for line in reversed(lines[skip:first_at]) if line.strip()), None)
        return (
            ()
            if above is None
            else (f"{shown(above)} above the rows does not name each column: no header was read",)
        )
    assert header_at is not None
    passed = [i + 1 for i in range(header_at + 1, first_at) if re.search(r"\d", lines[i])]
    return (f"line {passed[0]} between the header and the first row was not read as a row",) if passed else ()


def _open_decimal(rows: Sequence[str], best: Fit, fits: Sequence[Fit]) -> tuple[Fit, tuple[int, ...]]:
    """Columns where '1,234' may be 1.234 or 1234: every comma in them stands before three digits.

    Whole numbers below 1000 beside them settle it: the comma marks thousands.
    """
    cut = best.dialect.delimiter
    rival = next((f for f in fits if f.dialect == Dialect(cut, ".") and f.width == best.width), None)
    if best.dialect.decimal == "." or rival is None or rival.score < _RIVAL * best.score:
        return best, ()
    table = [cells for row in rows[:_SAMPLE_LINES] if len(cells := best.dialect.cut(row)) == best.width]
    open_columns = []
    for j, column in enumerate(zip(*table, strict=True)):
        with_comma = [c for c in column if "," in c]
        if best.kinds[j] is Kind.NUMBER and with_comma and all(_THOUSANDS.fullmatch(c) for c in with_comma):
            if any(_BELOW_THOUSAND.fullmatch(c) for c in column):
                return rival, ()
            open_columns.append(j)
    return best, tuple(open_columns)


def _rank(fit: Fit, lines: Sequence[str], skip: int) -> tuple[float, bool, bool, float, bool]:
    """Sort key: explained rows first, then a header as wide as the rows, then a delimiter."""
    first = _first_row(lines, fit, skip)
    header, _, _ = find_header(lines[skip:first], fit, skip)
    lone_comma = (
        fit.dialect.delimiter == "," and fit.width == 2 and "." not in "".join(lines[first : first + 50])
    )
    return (
        round(fit.score, 1)
        * (0.7 if fit.dialect.delimiter == MIXED else 0.9 if lone_comma and header is None else 1.0),
        header is not None,
        fit.dialect.delimiter not in (None, BLANKS, MIXED),
        fit.read_per_row,
        fit.dialect.decimal == ".",
    )


def _first_row(lines: Sequence[str], fit: Fit, skip: int) -> int:
    """The index of the first line whose cells are of the kinds that the table's columns have."""
    core = [j for j, k in enumerate(fit.kinds) if k in READ]
    for at in range(skip, len(lines)):
        if not lines[at].strip() or len(lines[at]) > LONGEST_LINE:
            continue
        kinds = fit.dialect.kinds(lines[at])
        if len(kinds) != fit.width:
            continue
        same = sum(
            (kinds[j] in READ) and ((kinds[j] is Kind.STAMP) == (fit.kinds[j] is Kind.STAMP)) for j in core
        )
        fitting = same + sum(kinds[j] in _HARMLESS for j in core)
        if same and fitting == len(core):
            return at
    return skip


def _refuse_double_comma(
    lines: Sequence[str], first_at: int, fit: Fit, header_at: int | None, file: str
) -> None:
    """Refuse where a comma is both delimiter and decimal mark: twice as many cells as names, and no point."""
    if fit.dialect.delimiter != "," or header_at is not None or first_at == 0:
        return
    above = next((line for line in reversed(lines[:first_at]) if line.strip()), "")
    names = fit.dialect.cut(above)
    texts = sum(read_cell(n, ".").kind in (Kind.TEXT, Kind.UNIT) for n in names)
    rows = "".join(lines[first_at : first_at + 50])
    if (
        1 <= len(names) < fit.width
        and texts == len(names)
        and len(names) * 2 >= fit.width
        and "." not in rows
    ):
        raise TableRefused(
            f"the comma is both delimiter and decimal mark: {len(names)} names stand over {fit.width} cells",
            file,
            first_at + 1,
            "Export it with a semicolon or tab between the columns",
        )
