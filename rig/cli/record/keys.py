"""Single keys from a terminal, without Enter; nothing at all where there is no terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol

from rig.session.drink import Session


class Keys(Protocol):
    """Where keys come from."""

    def wait(self, patience_s: float) -> str:
        """The next key, or "" where none was pressed in time."""
        ...


class NoKeys:
    """Nobody presses anything."""

    def wait(self, patience_s: float) -> str:
        time.sleep(patience_s)
        return ""


@contextmanager
def terminal_keys() -> Iterator[Keys]:
    """Keys of the terminal that this process was started from; the terminal is given back as it was."""
    if not sys.stdin.isatty():
        yield NoKeys()
    elif sys.platform == "win32":
        yield _ConsoleKeys()
    else:
        import termios
        import tty

        fd = sys.stdin.fileno()
        before = termios.tcgetattr(fd)
        try:
            tty.setcbreak(fd)
            yield _TerminalKeys()
        finally:
            termios.tcsetattr(fd, termios.TCSADRAIN, before)


class _TerminalKeys:
    def wait(self, patience_s: float) -> str:
        import select

        ready, _, _ = select.select([sys.stdin], [], [], patience_s)
        return sys.stdin.read(1) if ready else ""


class _ConsoleKeys:
    def wait(self, patience_s: float) -> str:
        if sys.platform != "win32":
            return ""
        import msvcrt

        end_s = time.monotonic() + patience_s
        while time.monotonic() < end_s:
            if msvcrt.kbhit():
                return msvcrt.getwch()
            time.sleep(0.01)
        return ""


def run_session(
    session: Session,
    key: Callable[[float], str],
    show: Callable[[Session], None],
    pace_s: float = 0.05,
    listen: Callable[[Session], None] = lambda session: None,
) -> None:
    """Keep a session going until it is done; `key` waits for a key so long and gives "" where none came."""
    while not session.done:
        session.tick()
        listen(session)
        show(session)
        match key(pace_s):
            case " " | "\n" | "\r":
                session.act()
            case "s":
                session.skip()
            case "m":
                session.mark("marked by hand")
            case "b":
                session.believe()
            case "e":
                session.finished = True
            case "q":
                return
            case _:
                pass
