"""The rows of a table, read whole by pandas' C parser; what does not fit its width is set aside and said."""

from __future__ import annotations

import csv
import re
import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from rig.errors import TableRefused
from rig.importing.tabular.cells import Kind
from rig.importing.tabular.dialect import BLANKS, MIXED, unmixed
from rig.importing.tabular.layout import Layout
from rig.importing.tabular.report import Log
from rig.importing.tabular.stamps import LONGEST
from rig.importing.tabular.words import MISSING

_NO_DELIMITER = "\x1f"  # decoding leaves no such character in a text
_SHAPE = re.compile(r"[\d+\-\s]")
_NUMBERS, _STAMPS, _ANY_STAMPS = np.dtype(np.float64), np.dtype("S32"), np.dtype(f"S{LONGEST + 1}")
_TEXTS = pd.CategoricalDtype()
_TYPES = {Kind.NUMBER: _NUMBERS, Kind.STAMP: _STAMPS}
_MISSING = [mark for mark in MISSING if mark != "-"]  # which may be a scale's sign in a column of its own
_TOO_WIDE = (pd.errors.ParserError, pd.errors.ParserWarning)
_BLANK_LINES = ("\n\n", "\n\r\n", "\r\r")
_TAIL_CHARS = 8192
_LINE_END = re.compile(r"\r\n|\n|\r")


def load(text: str, layout: Layout, file: str, log: Log) -> list[pd.Series]:
    """The cells by column of all rows from the layout's first line to the end of the text, a row a line.

    A column is of numbers where it holds nothing else, of bytes where it mostly holds stamps, else of categories.

    Raises
    ------
    TableRefused
        Where pandas' parser cannot cut the text into rows.
    """
    start = _offset_of_line(text, layout.first_line)
    quoted = '"' in text
    if quoted:
        text, start = _without_broken_quotes(text[start:], layout, log), 0
    try:
        try:
            frame = _parse(text, start, layout, quoted)
        except _TOO_WIDE:
            frame = _parse(_without_wide_rows(text[start:], layout, log), 0, layout, quoted)
    except (*_TOO_WIDE, ValueError, OverflowError) as e:
        raise TableRefused(f"the rows cannot be cut into columns ({e})", file, layout.first_line) from e
    return [frame[j] for j in range(layout.width)]


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


def _parse(text: str, start: int, layout: Layout, quoted: bool) -> pd.DataFrame:
    """The cells from an offset on: of the kinds that the first rows have, else as much so as can be."""
    delimiter = layout.dialect.delimiter
    if delimiter == MIXED:
        text, start = unmixed(text[start:]), 0
    if text.endswith(_BLANK_LINES):
        text = text.rstrip("\r\n")
    types = {j: _TYPES.get(kind, _TEXTS) for j, kind in enumerate(layout.kinds)}

    def read(**more: Any) -> pd.DataFrame:
        source: Any = _Pieces(text, start)
        frame: pd.DataFrame = pd.read_csv(
            source,
            sep=r"\s+" if delimiter in (BLANKS, MIXED) else delimiter or _NO_DELIMITER,
            decimal=layout.dialect.decimal,
            header=None,
            names=range(layout.width),
            index_col=False,
            keep_default_na=False,
            skipinitialspace=quoted,
            skip_blank_lines=False,
            quoting=csv.QUOTE_MINIMAL if quoted and delimiter else csv.QUOTE_NONE,
            engine="c",
            encoding_errors="replace",
            **more,
        )
        return frame

    with warnings.catch_warnings():
        warnings.simplefilter("error", pd.errors.ParserWarning)
        try:
            frame = read(dtype=types, na_filter=False)
            if not any(_is_cut_off(frame[j]) for j, kind in types.items() if kind == _STAMPS):
                return frame
        except pd.errors.ParserError:
            raise
        except ValueError:
            pass  # something among the numbers is none
        numbers = [j for j, kind in types.items() if kind == _NUMBERS]
        typed = {j: _ANY_STAMPS if kind == _STAMPS else kind for j, kind in types.items() if j not in numbers}
        frame = read(dtype=typed, na_values=dict.fromkeys(numbers, MISSING), low_memory=False)
    mixed = [j for j in numbers if not is_numeric_dtype(frame[j]) or is_bool_dtype(frame[j])]
    return frame.astype(dict.fromkeys(mixed, _TEXTS))


class _Pieces:
    """A text from a place on, as a file that is read piece by piece: a whole copy in bytes is never made."""

    def __init__(self, text: str, at: int) -> None:
        self._text, self._at = text, at

    def read(self, size: int) -> str:
        """The next piece."""
        self._at += size
        return self._text[self._at - size : self._at]

    def __iter__(self) -> Iterator[str]:
        """What pandas knows a file by, and does not use."""
        raise NotImplementedError


def _is_cut_off(texts: pd.Series) -> bool:
    """Whether some stamps may be longer than the room they were given."""
    return bool((texts.to_numpy().view(np.uint8).reshape(len(texts), -1)[:, -1]).any())


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
