"""A class's phones: each a client of its own that joins a shared dashboard by the code on the wall and guesses."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.client import HTTPConnection
from http.cookies import SimpleCookie
from pathlib import Path
from threading import Barrier
from typing import Any

from tests.capture.drill_screens import Shared

HOST = "127.0.0.1"


@dataclass(frozen=True)
class ClassServer:
    """A class that is served to other screens: at which port, and the code they join by."""

    port: int
    code: str
    own: tuple[str, int]

    def wall(self) -> Any:
        """What is on the wall of the computer that leads the class."""
        return _asked(self.own, "GET", "/live/class")

    def act(self, act: str) -> None:
        """What is pressed on that computer."""
        _asked(self.own, "POST", "/live/class/act", {"act": act})


def _asked(at: tuple[str, int], method: str, path: str, told: Any = None) -> Any:
    connection = HTTPConnection(*at, timeout=120)
    connection.request(method, path, json.dumps(told), {"Content-Type": "application/json"})
    said = json.loads(connection.getresponse().read())
    connection.close()
    return said


@contextmanager
def class_served(home: Path) -> Iterator[ClassServer]:
    """A dashboard that its own processes share, behind its real gate."""
    with Shared(home) as served:
        join = _asked(served.own, "GET", "/live/class")["join"]
        yield ClassServer(served.others[1], join["code"], served.own)


@dataclass
class Phone:
    """One phone with its cookies; `taken` are the answers to its guesses, with how long each took [s]."""

    port: int
    cookies: dict[str, str] = field(default_factory=dict)
    taken: list[tuple[int, float]] = field(default_factory=list)

    def ask(self, path: str, told: Any = None) -> int:
        """Ask as a browser does, on a connection of its own; the answer's status."""
        connection = HTTPConnection(HOST, self.port, timeout=120)
        headers = {"Cookie": "; ".join(f"{k}={v}" for k, v in self.cookies.items())}
        if told is None:
            connection.request("GET", path, headers=headers)
        else:
            headers["Content-Type"] = "application/json"
            connection.request("POST", path, json.dumps(told), headers)
        answer = connection.getresponse()
        for line in answer.headers.get_all("Set-Cookie") or ():
            self.cookies |= {k: m.value for k, m in SimpleCookie(line).items()}
        answer.read()
        connection.close()
        return answer.status

    def join(self, code: str) -> None:
        """Follow the link on the wall, then open the page that it leads to."""
        assert self.ask(f"/class?code={code}") == 303
        assert self.ask("/class") == 200

    def guess(self, name: str, value: float) -> None:
        """Send a guess."""
        before = time.perf_counter()
        status = self.ask("/class/guess", {"name": name, "value": value})
        self.taken.append((status, time.perf_counter() - before))


def all_at_once(server: ClassServer, count: int, taps: int = 1) -> list[Phone]:
    """So many phones join, then guess in the same moment, each by so many taps that nobody waits for."""
    phones = [Phone(server.port) for _ in range(count)]
    for phone in phones:
        phone.join(server.code)
    ready = Barrier(count * taps)

    def tap(n: int) -> None:
        ready.wait()
        phones[n].guess(f"pupil {n}", round(-5.0 + n, 1))

    with ThreadPoolExecutor(count * taps) as hands:
        for done in [hands.submit(tap, n) for n in range(count) for _ in range(taps)]:
            done.result()
    return phones
