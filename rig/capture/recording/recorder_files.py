"""Where a recording keeps its files, which of them a living process holds, and what it says of itself."""

from __future__ import annotations

import json
import math
import os
import sys
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import uuid4

from rig.capture.devices.health import PortReport
from rig.capture.devices.ports import PortSpec
from rig.capture.recording.journal import SUFFIX
from rig.errors import LogbookError

OPEN, DONE = "open", "done"
LEAST_FREE_BYTES = 200 * 1024 * 1024
"""Below this much room on the disk a person is warned, before starting too."""
EARLY_S = 1800.0
"""And where what is left would be filled within this time."""
_LEAST_TOLD_S = 2.0
_PLACE_BYTES = 16 * 1024


@dataclass(frozen=True)
class Files:
    """The files of one recording below a folder: `open/` while it is not in the logbook, then `done/`."""

    folder: Path
    run: str

    @property
    def journal(self) -> Path:
        """What was recorded."""
        return self.folder / OPEN / f"{self.run}{SUFFIX}"

    @property
    def orders(self) -> Path:
        """What the recorder is told, by anybody on this computer."""
        return self.folder / OPEN / f"{self.run}.orders"

    @property
    def state(self) -> Path:
        """How the recorder is doing, written anew several times a second."""
        return self.folder / OPEN / f"{self.run}.state"

    @property
    def lock(self) -> Path:
        """Held by the recorder while it lives."""
        return self.folder / OPEN / f"{self.run}.lock"

    @property
    def screen(self) -> Path:
        """Held by the screen that has taken the recording over from one that died."""
        return self.folder / OPEN / f"{self.run}.screen"

    @property
    def done(self) -> Path:
        """Where the journal goes once the logbook holds its run."""
        return self.folder / DONE / f"{self.run}{SUFFIX}"

    def make_folders(self) -> None:
        """Make `open/` and `done/`. Raises LogbookError where that cannot be."""
        try:
            (self.folder / OPEN).mkdir(parents=True, exist_ok=True)
            (self.folder / DONE).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LogbookError(
                f"{self.folder}: no recording can be kept there: {error.strerror}. Name another folder"
            ) from error

    def set_done(self) -> None:
        """Move the journal to `done/` and clear away the rest; quiet where that has been done."""
        with suppress(FileNotFoundError):
            self.journal.rename(self.done)
        for file in (self.orders, self.state, self.lock, self.screen):
            with suppress(OSError):
                file.unlink()


@dataclass(frozen=True)
class Plan:
    """What to record: which run, below which folder, from which ports, and what is known of it beforehand.

    `meta` goes into the journal's header; `rig.capture.to_run.intake` says which keys it understands.
    """

    folder: Path
    ports: tuple[PortSpec, ...]
    meta: Mapping[str, Any] = field(default_factory=dict)
    run: str = field(default_factory=lambda: str(uuid4()))
    time_scale: float = 1.0
    dialect_files: tuple[str, ...] = ()

    @property
    def files(self) -> Files:
        """Its files."""
        return Files(self.folder, self.run)

    def to_json(self) -> str:
        """As one line of JSON."""
        return json.dumps(
            {
                "folder": str(self.folder),
                "ports": [p.to_dict() for p in self.ports],
                "meta": dict(self.meta),
                "run": self.run,
                "time_scale": self.time_scale,
                "dialect_files": list(self.dialect_files),
            }
        )

    @classmethod
    def from_json(cls, text: str) -> Plan:
        """The inverse of `to_json`."""
        values = json.loads(text)
        return cls(
            folder=Path(values["folder"]),
            ports=tuple(PortSpec.from_dict(p) for p in values["ports"]),
            meta=values["meta"],
            run=values["run"],
            time_scale=values["time_scale"],
            dialect_files=tuple(values["dialect_files"]),
        )


@dataclass(frozen=True)
class RecorderState:
    """How a recorder was doing at a moment; `written` counts records that are on file.

    `trouble` is empty while the disk takes what it is given; `pending` records wait for it, `turned_away`
    ones found no room any more. `left`: whoever started it has gone, and it goes on by itself.
    """

    run: str
    pid: int
    at_ns: int
    elapsed_s: float
    written: int
    pending: int
    turned_away: int
    trouble: str
    size_bytes: int
    free_bytes: int
    orders: int
    ended: bool
    left: bool
    ports: tuple[PortReport, ...]

    @property
    def room_s(self) -> float:
        """For how long the disk has room if it fills on as this recording does [s]; infinite while that is unknown."""
        if self.elapsed_s < _LEAST_TOLD_S or self.size_bytes <= 0:
            return math.inf
        return self.free_bytes / (self.size_bytes / self.elapsed_s)

    @property
    def disk_words(self) -> str:
        """What a person must know of the disk; empty while all is well."""
        if self.trouble:
            return f"NOT BEING WRITTEN: {self.trouble}. Free some space; what was read is kept in memory meanwhile"
        if self.room_s < EARLY_S or self.free_bytes < LEAST_FREE_BYTES:
            left = "" if self.room_s > 86_400.0 else f", for about {self.room_s / 60.0:.0f} minutes"
            return (
                f"The disk has {self.free_bytes / 1e6:.0f} MB left{left}. Free some space before it is full"
            )
        return ""

    def to_json(self) -> str:
        """As JSON."""
        return json.dumps(vars(self) | {"ports": [p.to_dict() for p in self.ports]})


class StateBoard:
    """Where a recorder says how it is, for any process of this computer.

    Two places in a file, written in turn, each with its checksum: a reader takes the newer one that is whole. Their
    room on the disk is taken before the recording, so that a full disk can still be said to be full.
    """

    def __init__(self, path: Path) -> None:
        """Raises LogbookError where the disk has no room for it."""
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
            written = os.write(self._fd, bytes(2 * _PLACE_BYTES))
            os.fsync(self._fd)
        except OSError as error:
            raise LogbookError(
                f"{path}: the recording cannot be begun: {error.strerror}. Free some space"
            ) from error
        if written < 2 * _PLACE_BYTES:
            raise LogbookError(f"{path}: the recording cannot be begun: the disk is full. Free some space")
        self._count = 0

    def put(self, state: RecorderState) -> None:
        """Say how it is; a disk that takes not even that costs one update, nothing else."""
        self._count += 1
        text = state.to_json().encode("ascii")
        content = b"%012d %08x %08d %s" % (self._count, zlib.crc32(text), len(text), text)
        if len(content) <= _PLACE_BYTES:
            with suppress(OSError):
                os.lseek(self._fd, (self._count % 2) * _PLACE_BYTES, os.SEEK_SET)
                os.write(self._fd, content)

    def close(self) -> None:
        """Close the file."""
        os.close(self._fd)


def read_state(files: Files) -> RecorderState | None:
    """The last state a recorder wrote; None where there is none yet."""
    try:
        content = files.state.read_bytes()
    except OSError:
        return None
    found = [_state_in(content[at : at + _PLACE_BYTES]) for at in (0, _PLACE_BYTES)]
    return max((f for f in found if f is not None), key=lambda f: f[0], default=(0, None))[1]


def state_from(text: str | bytes) -> RecorderState | None:
    """The inverse of `RecorderState.to_json`; None where it is none."""
    try:
        values = json.loads(text)
        ports = tuple(PortReport.from_dict(p) for p in values["ports"])
        return RecorderState(**{**values, "ports": ports})
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _state_in(place: bytes) -> tuple[int, RecorderState] | None:
    try:
        count, crc, length, rest = place.split(b" ", 3)
        text = rest[: int(length)]
        if zlib.crc32(text) != int(crc, 16):
            return None
        state = state_from(text)
        return None if state is None else (int(count), state)
    except ValueError:
        return None


@contextmanager
def held(lock: Path) -> Iterator[None]:
    """Hold a lock file; the system gives it back however this process ends.

    Raises
    ------
    LogbookError
        Where another process holds it.
    """
    fd = os.open(lock, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        if not _try_lock(fd):
            raise LogbookError(f"{lock.stem}: another recorder has this run. Let it end, or start a new run")
        yield
    finally:
        os.close(fd)


def is_held(lock: Path) -> bool:
    """Whether a living process holds a lock file."""
    try:
        fd = os.open(lock, os.O_RDWR)
    except OSError:
        return False
    try:
        return not _try_lock(fd)
    finally:
        os.close(fd)


if sys.platform == "win32":
    import msvcrt

    def _try_lock(fd: int) -> bool:
        try:
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _try_lock(fd: int) -> bool:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True
