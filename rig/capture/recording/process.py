"""The recorder in a process of its own: start it, tell it, watch it, end it; find what a crash left behind.

`python -m rig.capture.recording.process` reads a plan as one line of JSON from its standard input, prints `ready` once
the journal is begun, and records until it is told to end. Orders may come as further lines of that input, and it says
how it is on its output: neither needs a disk. When whoever holds that input has gone, it goes on, and any other
process of this computer follows it and tells it by its files; left alone, it ends by itself in time.
"""

from __future__ import annotations

import errno
import os
import select
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rig.capture.recording.journal import SUFFIX as JOURNAL_SUFFIX
from rig.capture.recording.journal import Event, EventKind, Header, Line, decode, encode, read_journal
from rig.capture.recording.recorder import Recorder
from rig.capture.recording.recorder_files import (
    OPEN,
    Files,
    Plan,
    RecorderState,
    is_held,
    read_state,
    state_from,
)
from rig.errors import LogbookError, RigError

READY = "ready"
PATIENCE_S = 10.0
_LOOK_S = 0.02


class RecordingProcess:
    """A recorder that lives in a child process; a context manager that ends it."""

    def __init__(self, plan: Plan, child: subprocess.Popen[bytes]) -> None:
        self.plan, self.files, self._child = plan, plan.files, child
        self._said: RecorderState | None = None
        self._hearing = threading.Thread(target=self._hear, name="hear recorder", daemon=True)
        self._hearing.start()

    def __enter__(self) -> RecordingProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    @property
    def pid(self) -> int:
        """The child's process id."""
        return self._child.pid

    @property
    def alive(self) -> bool:
        """Whether it still records."""
        return self._child.poll() is None

    def order(self, kind: EventKind, **detail: Any) -> Event:
        """Tell the recorder something, as of now; it is in the journal within a tenth of a second.

        Raises
        ------
        LogbookError
            Where it cannot be told.
        """
        event = Event(time.perf_counter_ns(), kind, None, detail)
        try:
            _write_order(self.files, event)
        except OSError as error:
            # a full disk: the pipe needs none, though it dies with this process
            if self._child.stdin is None or self._child.stdin.closed or not self.alive:
                raise _untold(self.files, error) from error
            try:
                self._child.stdin.write(encode(event))
                self._child.stdin.flush()
            except OSError as broken:
                raise _untold(self.files, broken) from broken
        return event

    def state(self) -> RecorderState | None:
        """How it was doing a moment ago."""
        told = (self._said, read_state(self.files))
        return max((s for s in told if s is not None), key=lambda s: s.at_ns, default=None)

    def _hear(self) -> None:
        assert self._child.stdout is not None
        for line in self._child.stdout:
            self._said = state_from(line) or self._said

    def end(self, patience_s: float = PATIENCE_S) -> int:
        """End the recording and wait until the journal is closed; the child's exit code."""
        if self.alive:
            try:
                self.order(EventKind.END)
            except LogbookError:
                self._child.terminate()
        try:
            code = self._child.wait(patience_s)
        except subprocess.TimeoutExpired:
            # Its journal is whole up to the last write; what hangs is a port or a disk.
            self._child.kill()
            code = self._child.wait()
        self._hearing.join(patience_s)
        for pipe in (self._child.stdout, self._child.stdin):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()
        return code


def start_recording(plan: Plan) -> RecordingProcess:
    """Start recording in a child process; returns once its journal is begun.

    Raises
    ------
    LogbookError
        Where the journal cannot be begun; with the child's own words.
    """
    plan.files.make_folders()
    child = subprocess.Popen(
        [sys.executable, "-m", "rig.capture.recording.process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        **_own_group(),
    )
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write(plan.to_json().encode("ascii") + b"\n")
    child.stdin.flush()
    said = child.stdout.readline().decode("utf-8", errors="replace").strip()
    if said != READY:
        child.communicate()
        raise LogbookError(said or "the recorder did not start. Run `chillrig doctor`")
    return RecordingProcess(plan, child)


def _own_group() -> dict[str, Any]:
    """A group of its own: Ctrl-C ends the screen, and the screen ends the recorder in good order."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}


def send_order(files: Files, kind: EventKind, **detail: Any) -> Event:
    """Tell the recorder of a run something, from any process of this computer.

    Raises
    ------
    LogbookError
        Where the order cannot be written.
    """
    event = Event(time.perf_counter_ns(), kind, None, detail)
    try:
        _write_order(files, event)
    except OSError as error:
        raise _untold(files, error) from error
    return event


def _write_order(files: Files, event: Event) -> None:
    line = encode(event)
    fd = os.open(files.orders, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    try:
        if os.write(fd, line) < len(line):
            # half an order is none, and the next one must not begin behind it
            with suppress(OSError):
                os.write(fd, b"\n")
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    finally:
        os.close(fd)


def _untold(files: Files, error: OSError) -> LogbookError:
    return LogbookError(f"{files.orders}: the recorder cannot be told: {error.strerror}. Free some space")


def end_left(files: Files, patience_s: float = PATIENCE_S) -> None:
    """End a recording that goes on without the screen it was begun on; nothing where nobody records it.

    Raises
    ------
    LogbookError
        It cannot be told, or does not end.
    """
    if not is_held(files.lock):
        return
    send_order(files, EventKind.END)
    ends_s = time.monotonic() + patience_s
    while is_held(files.lock):
        if time.monotonic() > ends_s:
            raise LogbookError(
                f"{files.journal}: its recorder does not end. Unplug its devices, then try again"
            )
        time.sleep(_LOOK_S)


@dataclass(frozen=True)
class Interrupted:
    """A recording without a screen that is not in the logbook: how it can be told from others."""

    files: Files
    header: Header | None
    """None where there is trouble."""
    lines: int
    lasted_s: float
    trouble: str = ""
    """Why nothing can be made of it, naming the file; empty where it can be brought in."""
    running: bool = False
    """Whether it goes on, without the screen it was begun on."""

    @property
    def in_words(self) -> str:
        """One line about it."""
        if self.trouble:
            return self.trouble
        if self.header is None:
            return self.files.run
        given = self.header.meta.get("run")
        name = given.get("run") if isinstance(given, dict) else None
        words = f"from {self.header.utc:%Y-%m-%d %H:%M} UTC, {self.lasted_s:.0f} s, {self.lines} lines"
        on = ", still being recorded" if self.running else ""
        return f"{name or self.files.run}: {words}{on}"


def interrupted_runs(folder: Path) -> tuple[Interrupted, ...]:
    """Recordings below a folder that a crash, or a logbook out of reach, has left; the oldest first.

    One that goes on because only its screen has died is among them; one whose screen lives is not.
    """
    found = []
    for path in (folder / OPEN).glob(f"*{JOURNAL_SUFFIX}"):
        files = Files(folder, path.name.removesuffix(JOURNAL_SUFFIX))
        running = is_held(files.lock)
        if running and not is_left(files):
            continue
        found.append(replace(_left_in(files), running=running))
    return tuple(sorted(found, key=lambda i: (i.header is None, i.header.utc.timestamp() if i.header else 0)))


def is_left(files: Files) -> bool:
    """Whether the screen that a recording was begun on has died, and no other has taken it over."""
    state = read_state(files)
    return state is not None and state.left and not is_held(files.screen)


def _left_in(files: Files) -> Interrupted:
    """What one journal holds; whatever is wrong with it is its own trouble and stops no other."""
    try:
        journal = read_journal(files.journal)
    except RigError as error:
        return Interrupted(files, None, 0, 0.0, str(error))
    stamps = [r.at_ns for r in journal.records]
    lasted_s = journal.header.elapsed_s(max(stamps)) if stamps else 0.0
    lines = sum(isinstance(r, Line) for r in journal.records)
    return Interrupted(files, journal.header, lines, lasted_s)


def main() -> int:
    """The child: a plan from standard input, then record."""
    try:
        recorder = Recorder(Plan.from_json(sys.stdin.buffer.readline().decode("ascii")))
        signal.signal(signal.SIGTERM, lambda *_: recorder.end())
        threading.Thread(target=_listen, args=(sys.stdin.fileno(), recorder), daemon=True).start()
        recorder.record(ready=lambda: _say(READY), say=_say_state)
    except RigError as error:
        _say(str(error))
        return 1
    return 0


def _listen(stdin: int, recorder: Recorder) -> None:
    """Take orders until whoever started it has closed the pipe, or died; then the recorder goes on by itself."""
    # Not through sys.stdin: an interpreter that ends while a thread holds its lock aborts.
    heard = b""
    while came := os.read(stdin, 65_536):
        *lines, heard = (heard + came).split(b"\n")
        for order in map(decode, lines):
            if isinstance(order, Event):
                recorder.told(order)
    recorder.leave()


def _say_state(state: RecorderState) -> None:
    """Say how it is to whoever started it; a pipe that is full or broken never holds the recorder up."""
    line = state.to_json().encode("ascii") + b"\n"
    # less than this is written whole or not at all (POSIX: PIPE_BUF)
    if len(line) <= getattr(select, "PIPE_BUF", 4096):
        with suppress(OSError):
            os.write(sys.stdout.fileno(), line)


def _say(text: str) -> None:
    sys.stdout.buffer.write(text.encode("utf-8") + b"\n")
    sys.stdout.buffer.flush()
    if sys.platform != "win32":
        os.set_blocking(sys.stdout.fileno(), False)


if __name__ == "__main__":
    sys.exit(main())
