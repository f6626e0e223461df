"""Where a recording keeps its files, which of them a living process holds, and what it says of itself."""

from __future__ import annotations

import json
import os
import sys
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
        for file in (self.orders, self.state, self.lock):
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
    ones found no room any more.
    """

    run: str
    pid: int
    at_ns: int
    elapsed_s: float
    written: int
    pending: int
    turned_away: int
    trouble: str
    free_bytes: int
    orders: int
    ended: bool
    ports: tuple[PortReport, ...]

    def to_json(self) -> str:
        """As JSON."""
        return json.dumps(vars(self) | {"ports": [p.to_dict() for p in self.ports]})


def write_state(files: Files, state: RecorderState) -> None:
    """Put the state where others read it; a reader sees the old or the new one, never half of it.

    A full disk or a reader that holds the file on Windows costs one update, nothing else.
    """
    fresh = files.state.with_suffix(".fresh")
    with suppress(OSError):
        fresh.write_text(state.to_json(), encoding="ascii")
        fresh.replace(files.state)


def read_state(files: Files) -> RecorderState | None:
    """The last state a recorder wrote; None where there is none yet."""
    try:
        values = json.loads(files.state.read_text(encoding="ascii"))
        ports = tuple(PortReport.from_dict(p) for p in values["ports"])
        return RecorderState(**{**values, "ports": ports})
    except (OSError, ValueError, KeyError, TypeError):
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
