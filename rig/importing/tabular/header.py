"""The lines above a table: which one names the columns, which one gives their units."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from rig.importing.tabular.cells import Kind, read_cell
from rig.importing.tabular.dialect import BLANKS, LONGEST_LINE, READ, Fit
from rig.importing.tabular.units_in_text import Role, form_from, heading_from, is_format, unit_from
from rig.importing.tabular.words import HEADER_WORDS, HUMIDITY_STEMS, INDEX, TEMPERATURE_STEMS, TIME, has_word

_HEADER_DEPTH = 5
_MOST_DAMAGED = 3
_FARTHEST_BELOW = 40
_COMMENT = re.compile(r"^\s*(?:#+|%+|//+|'|;+|!+|\*+)\s*")
_RULE = re.compile(r"^[\s|:=+\-_]*$")
_WIDE_BLANKS = re.compile(r"\s{2,}|\t")


def find_header(
    lines: Sequence[str], fit: Fit, skip: int
) -> tuple[tuple[str, ...] | None, int | None, tuple[str, ...] | None]:
    """The header's names, its line's index, and the unit row, among the lines above the first row."""
    candidates: list[tuple[int, list[str]]] = []
    lines = _whole_headers(lines)
    damaged = 0
    for at in range(len(lines) - 1, -1, -1):
        if _RULE.match(lines[at]):
            continue
        names = _as_header(lines[at], fit)
        if names is None and not candidates and damaged < _MOST_DAMAGED and _is_damaged_row(lines[at], fit):
            damaged += 1
            continue
        if names is None or len(candidates) == _HEADER_DEPTH:
            break
        candidates.append((at, names))
    units: tuple[str, ...] | None = None
    texts: list[tuple[int, list[str]]] = []
    for at, names in candidates:
        filled = [n for n in names if n not in ("", "-", "--")]
        if filled and units is None and len(lines) > 1 and all(map(_is_unit, filled)):
            units = tuple(names)
        elif filled:
            texts.append((at, names))
    if units is not None and not texts:  # a header of nothing but units
        at = next(at for at, names in candidates if tuple(names) == units)
        return units, at + skip, None
    if not texts:
        return None, None, units
    best_at, best = max(texts[:3], key=lambda c: (_known(c[1]), c[0]))
    return tuple(best), best_at + skip, units


def header_below(lines: Sequence[str], fit: Fit) -> int | None:
    """The index of a header that follows a few rows of numbers, such as constants of a calibration."""
    for at, line in enumerate(lines[1:_FARTHEST_BELOW], 1):
        names = _as_header(line, fit)
        if names is not None and _known(names) * 2 >= fit.width and len(lines) > 2 * at:
            return at
    return None


def _is_damaged_row(line: str, fit: Fit) -> bool:
    """A line of readings that does not fit the table, as a damaged first row does not."""
    cells = fit.dialect.cut(line)
    read = sum(read_cell(c, fit.dialect.decimal).kind in READ for c in cells)
    return fit.width > 1 and read > 0 and read * 2 >= len(cells)


def _whole_headers(lines: Sequence[str]) -> list[str]:
    """The lines above the table, those joined that a quoted name breaks in two; blank lines fill the gaps."""
    out: list[str] = []
    held: list[str] = []
    for line in lines:
        held.append(line)
        if "\n".join(held).count('"') % 2 == 0 or len(held) > 3:
            out += ["" for _ in held[1:]] + [" ".join(held)]
            held = []
    return out + held


def _is_unit(text: str) -> bool:
    """A unit, the form of a stamp, or the mark that stands for either over stamps and row numbers."""
    return bool(unit_from(text) or form_from(text) or is_format(text)) or text.casefold() in {"ts", "rn"}


def _known(names: Sequence[str]) -> float:
    """How many of the names are words or units that headers use."""
    hits = 0
    for name in names:
        heading = heading_from(name)
        known = has_word(name, HEADER_WORDS, TEMPERATURE_STEMS + HUMIDITY_STEMS)
        hits += bool(known) + bool(heading.unit and heading.unit.role is not Role.UNKNOWN)
    return hits


def _as_header(line: str, fit: Fit) -> list[str] | None:
    """The line's names where it can head a table of this width, else None."""
    if len(line) > LONGEST_LINE:
        return None
    for bare in dict.fromkeys((line, _COMMENT.sub("", line))):
        for names in _cuts(bare, fit):
            kinds = [read_cell(n, fit.dialect.decimal).kind for n in names]
            numbers = sum(k in READ for k in kinds)
            is_statement = fit.width == 1 and any(mark in line for mark in ":=")
            if (
                len(names) == fit.width
                and (numbers * 3 <= len(names) or (names and has_word(names[0], TIME | INDEX)))
                and any(names)
                and not is_statement
            ):
                return names
    return None


def _cuts(line: str, fit: Fit) -> Iterator[list[str]]:
    names = [n.strip('"').strip() for n in fit.dialect.cut(line)]
    yield names
    if fit.dialect.delimiter == BLANKS:
        yield [n.strip() for n in _WIDE_BLANKS.split(line.strip())]
        joined = re.sub(r"\s+(?=[\[(])", "", line)
        yield joined.split()
        yield _one_stamp_name(joined.split(), fit)
        yield [n.strip() for n in re.split(r"[,;\t|]", line)]
    else:
        yield _one_stamp_name(names, fit)
    if len(names) == fit.width - 1 and fit.kinds[-1] in (Kind.EMPTY, Kind.UNIT, Kind.STATUS):
        yield [*names, ""]
    if len(names) == fit.width + 1 and not names[-1]:
        yield names[:-1]


def _one_stamp_name(names: list[str], fit: Fit) -> list[str]:
    """One name over a date and a clock that blanks (or the delimiter) hold apart stands for both."""
    if len(names) == fit.width - 1 and fit.width > 1 and fit.kinds[0] is fit.kinds[1] is Kind.STAMP:
        return [names[0], *names] if names else names
    return names
