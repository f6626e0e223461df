"""The recorder in a process of its own: start it, tell it, watch it, end it; find what a crash left behind.

`python -m rig.capture.recording.process` reads a plan as one line of JSON from its standard input, prints `ready` once
the journal is begun, and records until it is told to end or whoever holds that input has gone.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.capture.recording.journal import SUFFIX as JOURNAL_SUFFIX
from rig.capture.recording.journal import Event, EventKind, Header, Line, encode, read_journal
from rig.capture.recording.recorder import Recorder
from rig.capture.recording.recorder_files import OPEN, Files, Plan, RecorderState, is_held, read_state
from rig.errors import LogbookError, RigError

READY = "ready"
PATIENCE_S = 10.0


class RecordingProcess:
    """A recorder that lives in a child process; a context manager that ends it."""

    def __init__(self, plan: Plan, child: subprocess.Popen[bytes]) -> None:
        self.plan, self.files, self._child = plan, plan.files, child

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
        """Tell the recorder something, as of now; it is in the journal within a tenth of a second."""
        return send_order(self.files, kind, **detail)

    def state(self) -> RecorderState | None:
        """How it was doing a moment ago."""
        return read_state(self.files)

    def end(self, patience_s: float = PATIENCE_S) -> int:
        """End the recording and wait until the journal is closed; the child's exit code."""
        if self.alive and self._child.stdin is not None:
            self._child.stdin.close()
        try:
            code = self._child.wait(patience_s)
        except subprocess.TimeoutExpired:
            # Its journal is whole up to the last write; what hangs is a port or a disk.
            self._child.kill()
            code = self._child.wait()
        if self._child.stdout is not None:
            self._child.stdout.close()
        if self._child.stdin is not None:
            self._child.stdin.close()
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
    recording = RecordingProcess(plan, child)
    if said != READY:
        recording.end()
        raise LogbookError(said or "the recorder did not start. Run `chillrig doctor`")
    return recording


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
        fd = os.open(files.orders, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        try:
            os.write(fd, encode(event))
        finally:
            os.close(fd)
    except OSError as error:
        raise LogbookError(f"{files.orders}: the recorder cannot be told: {error.strerror}") from error
    return event


@dataclass(frozen=True)
class Interrupted:
    """A recording that nobody holds and that is not in the logbook: how it can be told from others."""

    files: Files
    header: Header | None
    """None where there is trouble."""
    lines: int
    lasted_s: float
    trouble: str = ""
    """Why nothing can be made of it, naming the file; empty where it can be brought in."""

    @property
    def in_words(self) -> str:
        """One line about it."""
        if self.trouble:
            return self.trouble
        if self.header is None:
            return self.files.run
        name = self.header.meta.get("run_name", self.files.run)
        return f"{name}: from {self.header.utc:%Y-%m-%d %H:%M} UTC, {self.lasted_s:.0f} s, {self.lines} lines"


def interrupted_runs(folder: Path) -> tuple[Interrupted, ...]:
    """Recordings below a folder that a crash, or a logbook out of reach, has left; the oldest first."""
    found = []
    for path in (folder / OPEN).glob(f"*{JOURNAL_SUFFIX}"):
        files = Files(folder, path.name.removesuffix(JOURNAL_SUFFIX))
        if not is_held(files.lock):
            found.append(_left_in(files))
    return tuple(sorted(found, key=lambda i: (i.header is None, i.header.utc.timestamp() if i.header else 0)))


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
        threading.Thread(target=_end_when_left, args=(sys.stdin.fileno(), recorder), daemon=True).start()
        recorder.record(ready=lambda: _say(READY))
    except RigError as error:
        _say(str(error))
        return 1
    return 0


def _end_when_left(stdin: int, recorder: Recorder) -> None:
    """End the recording in good order once whoever started it has closed the pipe, or died."""
    # Not through sys.stdin: an interpreter that ends while a thread holds its lock aborts.
    while os.read(stdin, 1):
        pass
    recorder.end()


def _say(text: str) -> None:
    sys.stdout.buffer.write(text.encode("utf-8") + b"\n")
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    sys.exit(main())
