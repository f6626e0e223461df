"""Tables that lie on their side: a line a channel, its name in front, time running to the right."""

from __future__ import annotations

import re

from rig.importing.tabular.cells import Kind, read_cell
from rig.importing.tabular.dialect import Dialect
from rig.importing.tabular.units_in_text import Role, heading_from
from rig.importing.tabular.words import TIME, has_word

DELIMITER = "\t"
_DELIMITERS = ("\t", ";", ",", "|")
_READ = frozenset({Kind.NUMBER, Kind.GROUPED, Kind.STAMP})
_BLANK = frozenset({Kind.MISSING, Kind.OVERLOAD, Kind.EMPTY})
_MOST_LINES = 64
_HEAD_CHARS = 1 << 16
_FEWEST_READINGS = 4
_LINE_END = re.compile(r"\r\n|\n|\r")


def stood_up(text: str) -> str | None:
    """The text as a table with a line a reading, cut at tabs, where it lies on its side; else None."""
    for head in (text[:_HEAD_CHARS], text):  # a long table is known by its head
        if head.count("\n") + head.count("\r") > 4 * _MOST_LINES:
            return None
    lines = [line for line in _LINE_END.split(text) if line.strip()]
    if not 2 <= len(lines) <= _MOST_LINES:
        return None
    for delimiter in _DELIMITERS:
        if all(delimiter in line for line in lines[-2:]):
            table = _lying([Dialect(delimiter, ".").cut(line) for line in lines])
            if table is not None:
                turned = zip(*table, strict=True)
                return "\n".join(DELIMITER.join(cells) for cells in turned) + "\n"
    return None


def _lying(table: list[list[str]]) -> list[list[str]] | None:
    """The lines of one width that hold a name and numbers, the first of them a time; None where others do."""
    width = len(table[-1])
    rows = [cells for cells in table if len(cells) == width]
    while rows and not _is_line_of_readings(rows[0]):
        rows = rows[1:]
    if width <= _FEWEST_READINGS or len(rows) < 2 or len(rows) >= width:
        return None
    heading = heading_from(rows[0][0])
    is_time = has_word(rows[0][0], TIME) or (heading.unit is not None and heading.unit.role is Role.TIME)
    if not is_time or not all(map(_is_line_of_readings, rows)):
        return None
    return rows


def _is_line_of_readings(cells: list[str]) -> bool:
    kinds = [min((read_cell(c, mark).kind for mark in ".,"), key=lambda k: k not in _READ) for c in cells]
    read = sum(k in _READ for k in kinds[1:])
    blank = sum(k in _BLANK for k in kinds[1:])
    return kinds[0] is Kind.TEXT and read > 0 and read + blank == len(cells) - 1
