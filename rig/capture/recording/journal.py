"""The journal of one recording: a text file that only grows, one JSON value a line.

    {"v":1,"run":uuid,"utc":"2031-04-06T15:00:00.000000+00:00","mono_ns":...,"time_scale":1,"ports":[...],"meta":{...}}
    {"t":ns,"p":0,"l":"$R,17,48210,probe=-0.25C*41FE"}
    {"t":ns,"e":"lost","p":0}

`t` is `time.perf_counter_ns()` of the recording computer; with `utc` and `mono_ns`, both taken at once, it
becomes a time of day. Lines are kept raw, whatever they say, each byte as the character of the same number
(ISO 8859-1), so that a decoder may be mended after the fact. Lines are JSON by RFC 8259, the file is NDJSON.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from rig.capture.devices.ports import PortSpec
from rig.errors import LogbookError, Place, TableRefused

VERSION = 1
SUFFIX = ".ndjson"
MOST_PENDING_BYTES = 32 * 1024 * 1024
"""What is kept in memory while the disk is full: about an hour of four devices at 100 readings a second."""
AGO_S = "ago_s"
"""In an event's detail: how long ago [s] what it tells of was when it was told."""
_NS_PER_S = 1e9
_START = b'{"t":'
"""How a record starts; inside a record's text its quotes are escaped, so it stands nowhere else."""


class EventKind(StrEnum):
    """What can happen while recording, besides lines."""

    OPEN = "open"
    LOST = "lost"
    GAP = "gap"
    SLEEP = "sleep"
    START = "start"
    STOP = "stop"
    MARK = "mark"
    WEIGH = "weigh"
    END = "end"


@dataclass(frozen=True)
class Header:
    """The first line: which run, when and on what clock, from which ports, and what the person said of it.

    `time_scale` is above 1 where a simulated device ran faster than the clock.
    """

    run: str
    utc: datetime
    mono_ns: int
    ports: tuple[PortSpec, ...]
    meta: Mapping[str, Any] = field(default_factory=dict)
    time_scale: float = 1.0

    def elapsed_s(self, at_ns: int) -> float:
        """Seconds from the start of the journal to a stamp of it."""
        return (at_ns - self.mono_ns) / _NS_PER_S * self.time_scale

    def happened_s(self, event: Event) -> float:
        """Seconds from the start of the journal to what an event tells of; it may be told later than it was."""
        return self.elapsed_s(event.at_ns) - float(event.detail.get(AGO_S, 0.0))


@dataclass(frozen=True)
class Line:
    """One line as it came from a port."""

    at_ns: int
    port: int
    line: bytes


@dataclass(frozen=True)
class Event:
    """Something that happened: to one port, or to all where `port` is None."""

    at_ns: int
    kind: EventKind
    port: int | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)


JournalRecord = Header | Line | Event


def encode(record: JournalRecord) -> bytes:
    """A record as a whole line of the file."""
    values: dict[str, Any]
    match record:
        case Line():
            values = {"t": record.at_ns, "p": record.port, "l": record.line.decode("latin-1")}
        case Event():
            values = {"t": record.at_ns, "e": record.kind.value}
            if record.port is not None:
                values["p"] = record.port
            if record.detail:
                values["d"] = dict(record.detail)
        case Header():
            values = {
                "v": VERSION,
                "run": record.run,
                "utc": record.utc.isoformat(),
                "mono_ns": record.mono_ns,
                "time_scale": record.time_scale,
                "ports": [p.to_dict() for p in record.ports],
                "meta": dict(record.meta),
            }
    return json.dumps(values, separators=(",", ":")).encode("ascii") + b"\n"


def decode(line: bytes) -> JournalRecord | None:
    """The record of one line of the file, or None where the line is no record of this version, whatever it holds."""
    # A write that was cut short and could not be taken back leaves its half before a whole record.
    line = line[max(line.rfind(_START), 0) :]
    try:
        values = json.loads(line)
        if "l" in values:
            return Line(_stamp(values["t"]), _port(values["p"]), str(values["l"]).encode("latin-1"))
        if "e" in values:
            port, detail = values.get("p"), dict(values.get("d", {}))
            port = None if port is None else _port(port)
            return Event(_stamp(values["t"]), EventKind(values["e"]), port, detail)
        if int(values["v"]) > VERSION:
            return None
        scale = float(values["time_scale"])
        if not 0.0 < scale < _MOST_SCALE:
            return None
        return Header(
            run=str(values["run"]),
            utc=datetime.fromisoformat(values["utc"]).astimezone(UTC),
            mono_ns=_stamp(values["mono_ns"]),
            ports=tuple(PortSpec.from_dict(p) for p in values["ports"]),
            meta=dict(values["meta"]),
            time_scale=scale,
        )
    except _NOT_OURS:
        return None


_NOT_OURS = (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError)
"""What JSON that somebody else wrote may lead to: wrong types, infinite numbers, nesting without end."""
_MOST_SCALE = 1e6
_MOST_PORTS = 1000


def _stamp(value: Any) -> int:
    stamp = int(value)
    if abs(stamp) >= 2**63:
        raise ValueError
    return stamp


def _port(value: Any) -> int:
    port = int(value)
    if not 0 <= port < _MOST_PORTS:
        raise ValueError
    return port


def _version(head: bytes) -> int:
    """The version that a journal's first line claims; 0 where it claims none."""
    try:
        return int(json.loads(head)["v"])
    except _NOT_OURS:
        return 0


class JournalFile:
    """A journal being written: what `flush` has put on file survives the end of this process.

    Nothing here waits or starts a thread. Where the disk is full, records stay pending, up to a bound, and
    the file still ends with a whole line.
    """

    def __init__(self, path: Path, *, most_pending_bytes: int = MOST_PENDING_BYTES) -> None:
        """Make a new file. Raises LogbookError where there is one already or none can be made."""
        self.path = path
        self.written = 0
        """Records that are on file."""
        self.turned_away = 0
        """Records that found no room, neither on the disk nor in memory."""
        self.trouble = ""
        """Why the last write failed; empty while all is well."""
        self._size = 0
        self._pending = bytearray()
        self._most_pending_bytes = most_pending_bytes
        try:
            self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | _BINARY, 0o644)
        except OSError as error:
            raise LogbookError(f"{path}: the journal cannot be made: {error.strerror}") from error
        _sync_folder(path.parent)

    @property
    def pending(self) -> int:
        """Records that wait for room on the disk."""
        return self._pending.count(b"\n")

    @property
    def size(self) -> int:
        """What is on file [bytes]."""
        return self._size

    def append(self, records: Iterable[JournalRecord]) -> None:
        """Put records into the batch that the next `flush` writes."""
        for record in records:
            line = encode(record)
            if len(self._pending) + len(line) > self._most_pending_bytes:
                self.turned_away += 1
            else:
                self._pending += line

    def flush(self) -> int:
        """Write what is pending; how many records are newly on file."""
        if not self._pending:
            return 0
        count = 0
        try:
            count = os.write(self._fd, self._pending)
            self.trouble = "" if count == len(self._pending) else "the disk is full"
        except OSError as error:
            self.trouble = error.strerror or str(error)
        whole = self._pending.rfind(b"\n", 0, count) + 1
        if whole < len(self._pending):
            # A short write, not an exception, is how a full disk shows first: never leave half a line.
            with suppress(OSError):
                os.ftruncate(self._fd, self._size + whole)
        done = self._pending.count(b"\n", 0, whole)
        self._size += whole
        self.written += done
        del self._pending[:whole]
        return done

    def sync(self) -> None:
        """Have the disk itself take what was written, so that a power cut cannot undo it."""
        try:
            os.fsync(self._fd)
        except OSError as error:
            self.trouble = error.strerror or str(error)

    def close(self) -> None:
        """Write, sync and close."""
        self.flush()
        self.sync()
        os.close(self._fd)


@dataclass(frozen=True)
class Journal:
    """A journal read back: what was readable, in order."""

    path: Path
    header: Header
    records: tuple[Line | Event, ...]
    torn_bytes: int = 0
    """Bytes after the last whole line: a write that a power cut interrupted."""
    unreadable_lines: int = 0

    def lines(self, port: int) -> Iterator[Line]:
        """The lines of one port."""
        return (r for r in self.records if isinstance(r, Line) and r.port == port)

    def events(self, *kinds: EventKind) -> Iterator[Event]:
        """Events of these kinds, of all kinds where none is given."""
        return (r for r in self.records if isinstance(r, Event) and (not kinds or r.kind in kinds))

    @property
    def ended(self) -> bool:
        """Whether the recording was ended by its owner, not by a crash."""
        return any(self.events(EventKind.END))


def read_journal(path: Path) -> Journal:
    """Read a journal, whole or cut short anywhere.

    Raises
    ------
    TableRefused
        Where the header cannot be read: nothing can be made of the rest.
    LogbookError
        Where the file cannot be read at all, or a newer program wrote it.
    """
    try:
        if not path.is_file():
            raise LogbookError(f"{path}: this is no file, so nothing was recorded in it. Move it elsewhere")
        data = path.read_bytes()
    except OSError as error:
        raise LogbookError(f"{path}: the journal cannot be read: {error.strerror}") from error
    whole = data.rfind(b"\n") + 1
    head, *rest = data[:whole].split(b"\n")
    header = decode(head)
    if _version(head) > VERSION:
        raise LogbookError(f"{path}: a newer chillrig wrote this journal. Update this one, then bring it in")
    if not isinstance(header, Header):
        raise TableRefused(
            "its first line is no header of a journal", str(path), 1, "It was cut short before any reading"
        )
    lines = [line for line in rest if line]
    decoded = [decode(line) for line in lines]
    records = tuple(r for r in decoded if isinstance(r, Line | Event))
    return Journal(
        path=path,
        header=header,
        records=records,
        torn_bytes=len(data) - whole,
        unreadable_lines=len(lines) - len(records),
    )


class JournalTail:
    """Reads a journal while it grows; for screens and live estimates, in any process."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.header: Header | None = None
        self._offset = 0

    def poll(self) -> list[JournalRecord]:
        """The records that have come since the last poll; none where the file is not there (any more), or is none."""
        try:
            if not self.path.is_file():  # a pipe of that name would be waited for without end
                return []
            with self.path.open("rb") as file:
                file.seek(self._offset)
                data = file.read()
        except OSError:
            return []
        # Half a line at the end may be taken back by the writer: it is read again when it is whole.
        whole = data.rfind(b"\n") + 1
        self._offset += whole
        records = [r for r in map(decode, data[:whole].splitlines()) if r is not None]
        for record in records:
            if isinstance(record, Header):
                self.header = record
        return records


def place_of(journal: Journal) -> Place:
    """Where a finding on the recording as a whole stands."""
    return Place(file=journal.path.name)


def merged(records: Sequence[JournalRecord]) -> tuple[Line | Event, ...]:
    """Lines and events by their stamps; those of one port stay in the order they were written."""
    return tuple(sorted((r for r in records if isinstance(r, Line | Event)), key=lambda r: r.at_ns))


_BINARY = getattr(os, "O_BINARY", 0)


def _sync_folder(folder: Path) -> None:
    # Without this a power cut may forget that the file was ever made. Windows cannot, and need not.
    with suppress(OSError):
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
