"""How large a table may be: told in words before it takes the memory of the computer."""

from __future__ import annotations

import numpy as np

from rig.errors import TableRefused

MOST_BYTES = 1 << 29
MOST_ROWS = 5_000_000
MOST_CELLS = 40_000_000
MOST_LINE_BYTES = 200_000
_PART = 1 << 24
_LINE_ENDS = (10, 13)
_DELIMITERS = (b",", b";", b"\t", b"|")


def refuse_too_large(raw: bytes, file: str) -> None:
    """Look over a text file's bytes.

    Raises
    ------
    TableRefused
        The file, one of its lines, or the number of its rows or cells is larger than any logger's.
    """
    if len(raw) > MOST_BYTES:
        raise TableRefused(
            f"the file is larger than {MOST_BYTES >> 20} MiB", file, cure="Split it into parts"
        )
    rows = _rows(raw, file)
    if rows > MOST_ROWS:
        raise TableRefused(
            f"it has more than {MOST_ROWS:,} rows", file, cure="Split it into parts, or thin it out"
        )
    cells = rows + max(raw.count(d) for d in _DELIMITERS)
    if cells > MOST_CELLS:
        raise TableRefused(
            f"it has more than {MOST_CELLS:,} cells", file, cure="Export fewer columns, or split it"
        )


def _rows(raw: bytes, file: str) -> int:
    """How many lines there are, none of them too long."""
    rows, line_began = 1, 0
    for part_at in range(0, len(raw), _PART):
        part = np.frombuffer(raw, dtype=np.uint8, count=min(_PART, len(raw) - part_at), offset=part_at)
        ends = part_at + np.flatnonzero((part == _LINE_ENDS[0]) | (part == _LINE_ENDS[1]))
        lengths = np.diff(ends, prepend=line_began)
        long = np.flatnonzero(lengths > MOST_LINE_BYTES)
        if long.size:
            _refuse_line(rows + int(long[0]), file)
        rows += ends.size
        line_began = int(ends[-1]) if ends.size else line_began
        if part_at + part.size - line_began > MOST_LINE_BYTES:
            _refuse_line(rows, file)
    return rows


def _refuse_line(line: int, file: str) -> None:
    raise TableRefused(
        f"a line is longer than {MOST_LINE_BYTES:,} characters",
        file,
        line,
        cure="Export the readings line by line",
    )
