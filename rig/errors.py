"""One family of errors: each says what is wrong, where, and what to do next.

A broken promise is an exception; a doubtful measurement is data (a finding on the run).

RigError
├── ModelRangeError      a property or model was asked outside the range it is known in
├── BenchError           bench.toml, the run sheet or a trace cannot be used as written
│   └── NameUnclear      a name that people cannot tell from another (rig.names)
├── TableRefused         a table file that cannot be read without guessing
│   ├── NoCommonClock    tables that are to be joined have none
│   └── StartUnclear     no channel shows when motion started; holds the moments it may have been
├── NotFound             a name that the bench or the logbook does not hold
├── NotEnoughData        the data cannot answer; the message says which runs would
├── LogbookError         the database is absent, locked, newer than this program, or damaged
└── PortError            a serial port or device
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches


class RigError(Exception):
    """Base of every error a user may meet; its text is complete and fit to show."""


class ModelRangeError(RigError, ValueError):
    """A quantity lies outside the range in which the property or model is known."""


@dataclass(frozen=True)
class Place:
    """Where in the user's material something stands; empty parts are left out of the text."""

    file: str | None = None
    line: int | None = None
    column: str | None = None
    run: str | None = None

    def __str__(self) -> str:
        parts = [
            self.file,
            f"line {self.line}" if self.line is not None else None,
            f"column {self.column}" if self.column else None,
            f"run {self.run}" if self.run else None,
        ]
        return ", ".join(p for p in parts if p)


class BenchError(RigError, ValueError):
    """The bench folder, or one entry of it, cannot be used as written."""

    def __init__(self, what: str, place: Place | None = None, cure: str = "") -> None:
        self.what, self.place, self.cure = what, place or Place(), cure
        where = str(self.place)
        super().__init__(f"{where + ': ' if where else ''}{what}{'. ' + cure if cure else ''}")


class TableRefused(RigError, ValueError):
    """A table that cannot be read without guessing; `reason` says why, `line` where."""

    def __init__(self, reason: str, file: str | None = None, line: int | None = None, cure: str = "") -> None:
        self.reason, self.file, self.line, self.cure = reason, file, line, cure
        where = str(Place(file=file, line=line))
        super().__init__(f"{where + ': ' if where else ''}{reason}{'. ' + cure if cure else ''}")


class NoCommonClock(TableRefused):
    """Tables that are to be joined have no common clock."""


class StartUnclear(TableRefused):
    """No channel shows when motion started; `candidates_s` are moments it may have been, in the file's own time."""

    def __init__(self, reason: str, file: str, candidates_s: Iterable[float] = ()) -> None:
        self.candidates_s = tuple(candidates_s)
        super().__init__(reason, file, cure="Say when it was")


class NotFound(RigError, LookupError):
    """A name that the bench or logbook does not hold."""

    def __init__(self, kind: str, name: str, known: Iterable[str]) -> None:
        self.kind, self.name, self.known = kind, name, tuple(known)
        close = get_close_matches(name, self.known, n=1)
        hint = f"; did you mean {close[0]!r}?" if close else ""
        listing = ", ".join(repr(k) for k in self.known) or "none"
        super().__init__(f"there is no {kind} {name!r}{hint or '.'} Known: {listing}.")


class NotEnoughData(RigError, ValueError):
    """The data cannot answer the question; the text says which runs would."""


class LogbookError(RigError):
    """The logbook cannot be opened, read or written."""


class PortError(RigError, OSError):
    """A serial port or the device behind it."""
