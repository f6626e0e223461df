"""The rows of a table, read whole by pandas' C parser; what does not fit its width is set aside and said."""

from __future__ import annotations

import csv
import io
import re
import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rig.arrays import IntArray
from rig.errors import TableRefused
from rig.importing.tabular.dialect import BLANKS, MIXED, unmixed
from rig.importing.tabular.layout import Layout
from rig.importing.tabular.report import Log
from rig.importing.tabular.words import MISSING

_NO_DELIMITER = "\x1f"  # decoding leaves no such character in a text
_SHAPE = re.compile(r"[\d+\-\s]")
_MISSING = [mark for mark in MISSING if mark != "-"]  # which may be a scale's sign in a column of its own
_TOO_WIDE = (pd.errors.ParserError, pd.errors.ParserWarning)
_TAIL_CHARS = 8192
_LINE_END = re.compile(r"\r\n|\n|\r")


@dataclass(frozen=True, eq=False)
class Grid:
    """The table's cells by column, numbers where a column holds nothing else, and the line of each row."""

    columns: tuple[pd.Series, ...]
    line: IntArray


def load(text: str, layout: Layout, file: str, log: Log) -> Grid:
    """Read all rows from the layout's first line to the end of the text.

    Raises
    ------
    TableRefused
        Where pandas' parser cannot cut the text into rows.
    """
    start = _offset_of_line(text, layout.first_line)
    if '"' in text:
        text, start = _without_broken_quotes(text[start:], layout, log), 0
    try:
        try:
            frame = _parse(text, start, layout)
        except _TOO_WIDE:
            frame = _parse(_without_wide_rows(text[start:], layout, log), 0, layout)
    except (*_TOO_WIDE, ValueError, OverflowError) as e:
        raise TableRefused(f"the rows cannot be cut into columns ({e})", file, layout.first_line) from e
    line = np.arange(len(frame), dtype=np.int64) + layout.first_line
    return Grid(tuple(frame[j] for j in range(layout.width)), line)


def without_cut_line(text: str, layout: Layout, log: Log) -> str:
    """The text without a last line that breaks off: no line end, and less in it than in the rows above."""
    if text.endswith(("\n", "\r")):
        return text
    tail = text[-_TAIL_CHARS:]
    lines = _LINE_END.split(tail)
    if len(lines) < 3 or text.count("\n") + text.count("\r") < layout.first_line:
        return text
    last = layout.dialect.cut(lines[-1])
    above = [layout.dialect.cut(line) for line in lines[1:-1]]
    above = [cells for cells in above if len(cells) == layout.width]
    if not above or not _is_cut(last, above, layout.width):
        return text
    line = len(_LINE_END.findall(text)) + 1
    log.drop("last line, cut short", [line])
    return text[: len(text) - len(lines[-1])]


def _is_cut(last: list[str], above: list[list[str]], width: int) -> bool:
    if len(last) < width:
        return len(last) > 0 and any(last)
    shapes = {_SHAPE.sub("", cells[-1]) for cells in above}
    lengths = {len(_part(cells[-1])) for cells in above}
    ends = last[-1]
    if len(last) > width or len(shapes) != 1 or len(lengths) != 1 or len(above) < 3:
        return False
    return len(_SHAPE.sub("", ends)) < len(next(iter(shapes))) or len(_part(ends)) < next(iter(lengths))


def _part(cell: str) -> str:
    """The digits behind a cell's last point or comma."""
    found = re.search(r"[.,](\d*)\D*$", cell)
    return found[1] if found else ""


def _offset_of_line(text: str, line: int) -> int:
    at = 0
    for _ in range(line - 1):
        found = _LINE_END.search(text, at)
        if found is None:
            break
        at = found.end()
    return at


def _parse(text: str, start: int, layout: Layout) -> pd.DataFrame:
    """The cells from an offset on, as pandas infers them; a column not all of numbers comes out as text."""
    delimiter = layout.dialect.delimiter
    quoted = '"' in text
    if delimiter == MIXED:
        text, start = unmixed(text[start:]), 0
    raw = io.BytesIO(text.encode("utf-8", errors="replace"))
    start = len(text[:start].encode("utf-8", errors="replace"))

    def read(text_columns: dict[int, type[str]] | None) -> pd.DataFrame:
        raw.seek(start)
        return pd.read_csv(
            raw,
            sep=r"\s+" if delimiter in (BLANKS, MIXED) else delimiter or _NO_DELIMITER,
            decimal=layout.dialect.decimal,
            header=None,
            names=range(layout.width),
            index_col=False,
            dtype=text_columns,
            na_values=_MISSING,
            keep_default_na=False,
            skipinitialspace=quoted,
            skip_blank_lines=False,
            quoting=csv.QUOTE_MINIMAL if quoted and delimiter else csv.QUOTE_NONE,
            engine="c",
        )

    with warnings.catch_warnings():
        # A column of numbers in one chunk and of text in the next is read again below, as text throughout.
        warnings.simplefilter("ignore", pd.errors.DtypeWarning)
        warnings.simplefilter("error", pd.errors.ParserWarning)
        frame = read(None)
        mixed: dict[int, type[str]] = {
            j: str
            for j in range(layout.width)
            if not pd.api.types.is_numeric_dtype(frame[j]) or frame[j].dtype == bool
        }
        return read(mixed) if mixed else frame


def _without_broken_quotes(body: str, layout: Layout, log: Log) -> str:
    """Empty each line whose quotes do not pair up, so that it cannot swallow its followers."""
    lines = _LINE_END.split(body)
    broken = [i for i, line in enumerate(lines) if line.count('"') % 2]
    for i in broken:
        lines[i] = ""
    log.drop("line whose quotes do not pair up", (i + layout.first_line for i in broken))
    return "\n".join(lines)


def _without_wide_rows(body: str, layout: Layout, log: Log) -> str:
    lines = _LINE_END.split(body)
    wide = []
    for i, line in enumerate(lines):
        cells = layout.dialect.cut(line)
        if len(cells) > layout.width:
            lines[i] = _shortened(line, cells, layout)
            wide += [i] if not lines[i] else []
    log.drop(f"row with more than {layout.width} cells", (i + layout.first_line for i in wide))
    return "\n".join(lines)


def _shortened(line: str, cells: list[str], layout: Layout) -> str:
    """A line without the delimiters it has too many at its end; empty where real cells are too many."""
    delimiter = layout.dialect.delimiter
    if any(cells[layout.width :]) or not delimiter or '"' in line:
        return ""
    return delimiter.join(cells[: layout.width])
