"""Bytes in, lines out: the same lines however the stream was cut, and memory that stays bounded."""

from __future__ import annotations

import re

LONGEST_LINE_BYTES = 256

_LINE_END = re.compile(rb"[\r\n]")


class LineSplitter:
    """Cuts a byte stream into lines; CR, LF or both end a line, empty lines are no lines.

    A line longer than `LONGEST_LINE_BYTES` is discarded to its end and counted in `overlong`; `received`
    counts all bytes, `pending` those that wait for their line end.
    """

    def __init__(self) -> None:
        self.overlong = 0
        self.received = 0
        self._kept = bytearray()
        self._skipping = False

    @property
    def pending(self) -> bytes:
        """The beginning of a line whose end has not come yet."""
        return bytes(self._kept)

    def feed(self, data: bytes) -> list[bytes]:
        """The lines that these bytes complete, without their ends."""
        self.received += len(data)
        lines = []
        *whole, rest = _LINE_END.split(data)
        for piece in whole:
            self._take(piece)
            if self._kept:
                lines.append(bytes(self._kept))
            self._kept.clear()
            self._skipping = False
        self._take(rest)
        return lines

    def clear(self) -> None:
        """Forget the unfinished line, as after a port was lost; the counts stay."""
        self._kept.clear()
        self._skipping = False

    def _take(self, piece: bytes) -> None:
        if self._skipping:
            return
        if len(self._kept) + len(piece) > LONGEST_LINE_BYTES:
            self.overlong += 1
            self._kept.clear()
            self._skipping = True
            return
        self._kept += piece
