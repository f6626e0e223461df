"""Abuse from other screens, on the dashboard as it is started: half-open clients, and guests who ask without pause."""

from __future__ import annotations

import http.client
import json
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from pathlib import Path
from queue import Queue
from urllib.parse import urlsplit

import numpy as np

from rig.logbook.store import open_logbook
from tests.capture.drill_kinds import Row, Size, until
from tests.cli.small_bench import small_book
from tests.shared_fits import keep_fit

PAGES = ("/runs", "/compare", "/shake-time", "/recipe", "/guide", "/rehearsal")
ROOT = Path(__file__).parents[2]


def half_open_clients(seed: int, size: Size, folder: Path) -> list[Row]:
    """Connections to the shared address that never ask, from twenty addresses; the owner's page is asked meanwhile."""
    with Shared(folder / "half-open") as served:
        held, refused = [], 0
        for n in range(size.half_open):
            try:
                client = socket.create_connection(served.others, 5.0, source_address=(_address(n % 20), 0))
                client.sendall(b"GET / HT")
                held.append(client)
            except OSError:
                refused += 1
        took_s = [served.page_s() for _ in range(size.asked)]
        for client in held:
            client.close()
    found = f"{refused} turned away at once; the owner's page {_words(took_s)}"
    return [Row("connections half open", size.half_open, found, len(took_s) == size.asked)]


def guests_at_once(seed: int, size: Size, folder: Path) -> list[Row]:
    """Guests, each at an address of its own, who ask for pages without pause; the owner's page is asked meanwhile."""
    with Shared(folder / "guests") as served:
        alone_s = [served.page_s() for _ in range(size.asked)]
        over, answered, again, failed = threading.Event(), Counter[int](), Counter[int](), []

        def guest(n: int, cookie: str) -> None:
            asked = 0
            while not over.is_set():
                page, asked = PAGES[(n + asked) % len(PAGES)], asked + 1
                try:
                    wait_s = served.ask(served.others, page, cookie, _address(n))
                    answered[n] += not wait_s
                    again[n] += bool(wait_s)
                    over.wait(wait_s)
                except (OSError, http.client.HTTPException) as error:
                    failed.append(type(error).__name__)

        threads = [
            threading.Thread(target=guest, args=(n, served.let_in(_address(n)))) for n in range(size.guests)
        ]
        for thread in threads:
            thread.start()
        until(lambda: len(answered) + len(again) + len(set(failed)) >= 1)
        took_s = [served.page_s() for _ in range(size.asked)]
        over.set()
        for thread in threads:
            thread.join()
    found = (
        f"{answered.total()} pages answered to guests, {again.total()} told when to ask again, {len(failed)} not; "
        f"the fewest of one guest {min(answered[n] for n in range(size.guests))}; the owner's page {_words(took_s)}; "
        f"before they came {_words(alone_s)}"
    )
    return [Row("guests at once", size.guests, found, not failed and answered.total() > 0)]


def _address(n: int) -> str:
    return f"127.0.0.{2 + n}"


def _words(took_s: list[float]) -> str:
    p95_s, most_s = float(np.percentile(took_s, 95)), max(took_s)
    return f"answered {len(took_s)} times, 95 of 100 within {1000 * p95_s:.0f} ms, all within {1000 * most_s:.0f} ms"


class Shared:
    """The small bench, fitted, served as `python -m dashboard --share` serves it: to its owner and to other screens."""

    def __init__(self, home: Path, *more: str) -> None:
        home.mkdir(parents=True)
        self.book = home / "bar.sqlite"
        with open_logbook(self.book) as logbook:
            logbook.add(small_book(), "corner", "drill")
            keep_fit(logbook, "corner")
        self._told = [sys.executable, "-m", "dashboard", "--logbook", str(self.book), "--port", "0"]
        self._told += ["--share", "--host", "127.0.0.1", *more]
        self.codes = Queue[str]()

    def __enter__(self) -> Shared:
        self.process = subprocess.Popen(self._told, stdout=subprocess.PIPE, text=True, cwd=ROOT)
        self._opened = threading.Event()
        self._hearing = threading.Thread(target=self._hear, daemon=True)
        self._hearing.start()
        self._opened.wait()
        connection = http.client.HTTPConnection(*self.own, timeout=60)
        connection.request("GET", "/_dash-dependencies")
        self._known = json.loads(connection.getresponse().read())
        connection.close()
        self.page_s()
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait()
        self._hearing.join()
        assert self.process.stdout is not None
        self.process.stdout.close()

    def _hear(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if line.startswith("Code"):
                self.codes.put(line.split()[-1])
            elif line.startswith("Other screens: http"):
                self.others = _at(line)
            elif line.startswith("chillrig dashboard at"):
                self.own = _at(line)
                self._opened.set()
        self._opened.set()

    def page_s(self) -> float:
        """How long the owner waits for a page of the runs."""
        began_s = time.monotonic()
        self.ask(self.own, "/runs", "")
        return time.monotonic() - began_s

    def let_in(self, address: str = "127.0.0.1") -> str:
        """Let one screen in by the newest code; its cookie."""
        connection = http.client.HTTPConnection(*self.others, timeout=60, source_address=(address, 0))
        code, form = self.codes.get(timeout=60), {"Content-Type": "application/x-www-form-urlencoded"}
        connection.request("POST", "/", f"code={code}", form)
        answer = connection.getresponse()
        answer.read()
        connection.close()
        return str(answer.headers["Set-Cookie"]).split(";")[0]

    def ask(self, at: tuple[str, int], page: str, cookie: str, address: str = "127.0.0.1") -> float:
        """Ask for a page as a browser does; when to ask again [s], 0 where it was answered.

        Raises HTTPException where neither is told.
        """
        asked = next(d for d in self._known if "page.children" in d["output"])
        names = asked["output"].strip(".").split("...")
        given = {"address.pathname": page, "address.search": "", "tick.n_intervals": None}
        told = {
            "output": asked["output"],
            "outputs": [dict(zip(("id", "property"), n.rsplit(".", 1), strict=True)) for n in names],
            "inputs": [{**i, "value": given[f"{i['id']}.{i['property']}"]} for i in asked["inputs"]],
            "state": [],
            "changedPropIds": ["address.pathname"],
        }
        connection = http.client.HTTPConnection(*at, timeout=120, source_address=(address, 0))
        headers = {"Content-Type": "application/json"} | ({"Cookie": cookie} if cookie else {})
        connection.request("POST", "/_dash-update-component", json.dumps(told), headers)
        answer = connection.getresponse()
        answer.read()
        connection.close()
        if answer.status == 503:
            return float(answer.headers["Retry-After"])
        if answer.status != 200:
            raise http.client.HTTPException(answer.status)
        return 0.0


def _at(line: str) -> tuple[str, int]:
    found = urlsplit(next(w for w in line.split() if w.startswith("http")))
    return str(found.hostname), int(found.port or 0)
