"""The process for other screens as the one for this computer sees it: started, told, heard, and ended with it.

It is told a plan, then orders, as lines of its standard input, and ends when that does: when this process has ended,
however that came about. What it says are lines of JSON.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from threading import Event, Lock, Thread
from typing import Any

from dashboard.sources import Wanted
from rig.errors import RigError

LEAVE, GO_ON = "leave", "go on"
STOP_S, LEAVE_S = 5.0, 30.0
Tell = Callable[[str], None]


@dataclass(frozen=True)
class Plan:
    """What is served to other screens and where; at which port the owner's process is asked, and with which key."""

    wanted: Wanted
    host: str
    port: int
    owner_port: int
    owner_key: str
    chromium: str | None = None
    devices: tuple[str, ...] = ()
    dialects: tuple[str, ...] = ()

    def to_json(self) -> str:
        """One line."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, line: str) -> Plan:
        """The plan of a line."""
        told: dict[str, Any] = {
            k: tuple(v) if isinstance(v, list) else v for k, v in json.loads(line).items()
        }
        wanted = told.pop("wanted")
        return cls(Wanted(wanted["bench"], wanted["logbook"], tuple(wanted["only"])), **told)


@dataclass(frozen=True)
class Open:
    """Where other screens and phones are served, and by which code a class's phones come in."""

    port: int
    where: str
    class_code: str


class GuestsProcess:
    """The process for other screens, for as long as this one lives."""

    def __init__(self, tell: Tell) -> None:
        """Begin to start it; `tell` hears the codes."""
        self._tell = tell
        self._lock, self._ended, self._left = Lock(), False, Event()
        self._began = Future[None]()
        self._child = _start()

    def __enter__(self) -> GuestsProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def serve(self, plan: Plan, opened: Callable[[Open], None]) -> None:
        """Have it serve; `opened` hears where, every time that it begins.

        Raises
        ------
        RigError
            It cannot, with its reason.
        """
        self._plan, self._opened = plan, opened
        self._order(plan.to_json())
        Thread(target=self._hear, name="hear guests", daemon=True).start()
        self._began.result()

    @contextmanager
    def logbook_left(self) -> Iterator[None]:
        """While it has the logbook closed, and lets its screens wait."""
        self._left.clear()
        self._order(LEAVE)
        self._left.wait(LEAVE_S)
        try:
            yield
        finally:
            self._order(GO_ON)

    def end(self) -> None:
        """End it."""
        with self._lock:
            self._ended = True
        _close(self._child)

    def _order(self, order: str) -> None:
        assert self._child.stdin is not None
        with suppress(OSError, ValueError):
            self._child.stdin.write(f"{order}\n")
            self._child.stdin.flush()

    def _hear(self) -> None:
        """Hear what it says; one that served and ended unforeseen is started anew."""
        served = True
        while served:
            served, trouble = False, "the process for other screens did not start. Run `chillrig doctor`"
            assert self._child.stdout is not None
            for line in self._child.stdout:
                told = json.loads(line)
                if "opened" in told:
                    served, at = True, Open(**told["opened"])
                    self._plan = replace(self._plan, port=at.port)
                    self._opened(at)
                    if not self._began.done():
                        self._began.set_result(None)
                elif "trouble" in told:
                    trouble = told["trouble"]
                elif "left" in told:
                    self._left.set()
                else:
                    self._tell(told["said"])
            with self._lock:
                if self._ended:
                    return
                _close(self._child)
                if served:
                    self._tell(
                        "The process for other screens ended. It starts anew: every screen needs a code again."
                    )
                    self._child = _start()
                    self._order(self._plan.to_json())
        if not self._began.done():
            self._began.set_exception(RigError(trouble))
        else:
            self._tell(f"Other screens are served no more: {trouble}")


def _start() -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "dashboard.guests"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        **_apart(),
    )


def _close(child: subprocess.Popen[str]) -> None:
    """End a child: by the end of what it is told, else by force."""
    with suppress(OSError):
        if child.stdin is not None:
            child.stdin.close()
    try:
        child.wait(STOP_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


def _apart() -> dict[str, Any]:
    """Out of the reach of Ctrl-C, which ends this process and so that one; it lowers its own rank where it can."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.BELOW_NORMAL_PRIORITY_CLASS}
    return {"start_new_session": True}
