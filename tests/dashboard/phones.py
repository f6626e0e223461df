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
from threading import Barrier, Thread
from typing import Any

from dashboard.app import make_app
from dashboard.classroom.served import CLASSROOM, Classroom
from dashboard.serving import sharing_server
from dashboard.sources import Source

HOST = "127.0.0.1"


@dataclass(frozen=True)
class ClassServer:
    """A class that is served to other screens, and the code they join by."""

    port: int
    code: str
    wall: Any
    """A client on the computer that leads the class."""


@contextmanager
def class_served(source: Source) -> Iterator[ClassServer]:
    """A dashboard shared by its real server, behind its real gate."""
    app = make_app(source)
    server = sharing_server(app, HOST, 0, lambda code: None)
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    classroom: Classroom = app.server.extensions[CLASSROOM]
    yield ClassServer(server.server_port, classroom.code, app.server.test_client())
    server.shutdown()
    thread.join()
    server.server_close()


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
