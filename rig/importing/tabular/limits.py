"""How large a table may be: told in words before it takes the memory of the computer."""

from __future__ import annotations

import numpy as np

from rig.errors import TableRefused

MOST_BYTES = 1 << 29
MOST_ROWS = 5_000_000
MOST_CELLS = 40_000_000
MOST_LINE_BYTES = 200_000
_PART = 1 << 18
_LINE_ENDS = (b"\n", b"\r")
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
    _refuse_long_lines(raw, file)
    if len(raw) < MOST_ROWS:  # each row and each cell takes a byte
        return
    rows = 1 + max(_count(raw, end) for end in _LINE_ENDS)
    if rows > MOST_ROWS:
        raise TableRefused(
            f"it has more than {MOST_ROWS:,} rows", file, cure="Split it into parts, or thin it out"
        )
    if len(raw) > MOST_CELLS and rows + max(_count(raw, d) for d in _DELIMITERS) > MOST_CELLS:
        raise TableRefused(
            f"it has more than {MOST_CELLS:,} cells", file, cure="Export fewer columns, or split it"
        )


def _count(raw: bytes, byte: bytes) -> int:
    if byte not in raw:  # most bytes are not, which is told ten times as fast as they are counted
        return 0
    codes = np.frombuffer(raw, dtype=np.uint8)
    parts = (codes[at : at + _PART] for at in range(0, len(codes), _PART))
    return sum(int(np.count_nonzero(part == byte[0])) for part in parts)


def _refuse_long_lines(raw: bytes, file: str) -> None:
    """Leap from line end to line end, each as far ahead as a line may reach."""
    at = 0
    while len(raw) - at > MOST_LINE_BYTES:
        reach = at + MOST_LINE_BYTES + 1
        ahead = next((end for mark in _LINE_ENDS if (end := raw.rfind(mark, at, reach)) >= 0), None)
        if ahead is None:
            raise TableRefused(
                f"a line is longer than {MOST_LINE_BYTES:,} characters",
                file,
                max(raw.count(end, 0, at) for end in _LINE_ENDS) + 1,
                cure="Export the readings line by line",
            )
        at = ahead + 1
