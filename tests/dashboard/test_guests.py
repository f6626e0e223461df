"""Other screens are served by a process of their own, on real processes and sockets."""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import SERVICE, make_app
from dashboard.by_hand import KEEP
from dashboard.guests.owner import FIT, KEY, Owner, answer_guests
from dashboard.service import BenchView, Service
from dashboard.serving import server_of
from rig.errors import NotEnoughData, RigError
from rig.logbook.copies import back_up
from rig.logbook.store import open_logbook
from rig.runs import RunBook
from tests.capture.drill_kinds import until
from tests.capture.drill_screens import Shared
from tests.dashboard.benches import HeldSource
from tests.dashboard.test_by_hand_page import ASKED, TYPED

PATIENCE_S = 120.0
only_linux = pytest.mark.skipif(sys.platform != "linux", reason="finds a child process as Linux lists them")


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    with Shared(tmp_path_factory.mktemp("shared") / "bar") as served:
        yield served


@dataclass(frozen=True)
class Said:
    status: int
    cookie: str
    body: bytes

    @property
    def told(self) -> Any:
        return json.loads(self.body)


def ask(at: tuple[str, int], path: str, cookie: str = "", method: str = "GET", **told: Any) -> Said:
    connection = http.client.HTTPConnection(*at, timeout=PATIENCE_S)
    headers = {"Cookie": cookie} if cookie else {}
    if told:
        headers["Content-Type"] = "application/json"
    try:
        connection.request(method, path, json.dumps(told) if told else None, headers)
        said = connection.getresponse()
        return Said(said.status, str(said.headers["Set-Cookie"]).split(";")[0], said.read())
    finally:
        connection.close()


def guests_pid(served: Shared) -> int:
    pid = served.process.pid
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    (child,) = (int(c) for c in children if b"dashboard.guests" in Path(f"/proc/{c}/cmdline").read_bytes())
    return child


@contextmanager
def held(pid: int) -> Iterator[None]:
    os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        os.kill(pid, signal.SIGCONT)


@only_linux
def test_the_owners_pages_come_while_the_process_for_other_screens_is_held(shared: Shared) -> None:
    cookie, answered = shared.let_in(), threading.Event()
    assert os.getpriority(os.PRIO_PROCESS, guests_pid(shared)) > os.getpriority(
        os.PRIO_PROCESS, shared.process.pid
    )

    def guest() -> None:
        shared.ask(shared.others, "/compare", cookie)
        answered.set()

    asking = threading.Thread(target=guest)
    with held(guests_pid(shared)):
        asking.start()
        for _ in range(5):
            shared.page_s()
        assert ask(shared.own, "/live/class").status == 200
        assert not answered.is_set()
    assert answered.wait(PATIENCE_S)
    asking.join()


@only_linux
def test_a_process_for_other_screens_that_dies_is_started_anew_and_ends_with_the_dashboard(
    tmp_path: Path,
) -> None:
    with Shared(tmp_path / "bar") as shared:
        first, cookie = guests_pid(shared), shared.let_in()
        shared.codes.get(timeout=PATIENCE_S)  # the next one, which dies with it
        os.kill(first, signal.SIGKILL)
        shared.page_s()
        another = shared.let_in()
        assert ask(shared.others, "/runs", cookie).status == 401
        assert shared.ask(shared.others, "/runs", another) == 0.0
        shared.process.kill()
        until(lambda: not _answers(shared.others))


def test_other_screens_see_the_drink_and_join_the_class_of_the_computer_that_records(shared: Shared) -> None:
    with closing(http.client.HTTPConnection(*shared.others, timeout=PATIENCE_S)) as connection:
        connection.request("GET", "/live/events", headers={"Cookie": shared.let_in()})
        with connection.getresponse() as events:
            told = json.loads(events.readline().removeprefix(b"data: "))
    assert told["watching"] is True
    assert "interrupted" not in told
    wall = ask(shared.own, "/live/class").told
    assert wall["leads"]
    assert wall["join"]["where"].startswith("{}:{}".format(*shared.others))
    joined = ask(shared.others, f"/class?code={wall['join']['code']}")
    page = ask(shared.others, "/class", joined.cookie)
    phone = f"{joined.cookie}; {page.cookie}"
    assert b"phone.js" in page.body
    guessed = ask(shared.others, "/class/guess", phone, "POST", name="Ada", value=-1.5)
    assert guessed.told["mine"]["value"] == -1.5
    assert ask(shared.own, "/live/class").told["guesses"] == [-1.5]
    assert ask(shared.others, "/live/class/act", phone, "POST", act="show").status in (303, 403)
    assert ask(shared.own, "/live/class/qr.svg").status == 200


def test_a_drink_made_by_hand_on_another_screen_is_in_the_owners_logbook(shared: Shared) -> None:
    told = {
        "bench": "corner",
        "asked": ASKED,
        "typed": TYPED,
        "number": "ab" * 16,
        "moved_s": 12.0,
        "age_s": 1.0,
    }
    kept = ask(shared.others, KEEP, shared.let_in(), "POST", **told).told
    assert kept["landing"]["headline"]
    assert ask(shared.own, f"/keep/runs/{kept['run']}").status == 200
    with open_logbook(shared.book) as logbook:
        assert kept["run"] in {r.run.run for r in logbook.list_runs("corner")}


def test_the_owner_restores_a_copy_while_another_screen_asks_without_pause(shared: Shared) -> None:
    copy = back_up(shared.book, datetime(2031, 4, 6, tzinfo=UTC))
    with open_logbook(shared.book) as logbook:
        logbook.exclude("corner", logbook.list_runs("corner")[0].run.run, "spilt")
    cookie, over, failed = shared.let_in(), threading.Event(), list[str]()

    def guest() -> None:
        while not over.is_set():
            try:
                shared.ask(shared.others, "/runs", cookie)
            except (OSError, http.client.HTTPException) as error:
                failed.append(repr(error))

    asking = threading.Thread(target=guest)
    asking.start()
    outputs = [{"id": f"rig-{name}", "property": "children"} for name in ("cared", "health")]
    pressed = {"rig-check.n_clicks": None, "rig-backup.n_clicks": None, "rig-restore-sure.submit_n_clicks": 1}
    said = ask(
        shared.own,
        "/_dash-update-component",
        method="POST",
        output="..rig-cared.children...rig-health.children..",
        outputs=outputs,
        inputs=[
            dict(zip(("id", "property"), k.split("."), strict=True), value=v) for k, v in pressed.items()
        ],
        state=[],
        changedPropIds=["rig-restore-sure.submit_n_clicks"],
    )
    assert f"Restored {copy.name}" in said.body.decode()
    over.set()
    asking.join()
    assert failed == []
    with open_logbook(shared.book) as logbook:
        assert not any(r.run.excluded_because for r in logbook.list_runs("corner"))


class Two:
    """The owner's process with its server, and what the one for other screens asks it."""

    def __init__(self, source: HeldSource) -> None:
        app = make_app(source)
        self.service: Service = app.server.extensions[SERVICE]
        answer_guests(app.server, self.service, "the key")
        self.server = server_of(app, "127.0.0.1", 0)
        self.owner = Owner(self.server.server_port, "the key")


@pytest.fixture
def two() -> Iterator[Callable[[HeldSource], Two]]:
    made = list[tuple[Two, threading.Thread]]()

    def begin(source: HeldSource) -> Two:
        both = Two(source)
        thread = threading.Thread(target=both.server.serve_forever, daemon=True)
        thread.start()
        made.append((both, thread))
        return both

    yield begin
    for both, thread in made:
        both.server.shutdown()
        thread.join(PATIENCE_S)


def test_a_bench_is_fitted_once_for_both_processes(two: Callable[[HeldSource], Two], view: BenchView) -> None:
    source = HeldSource({"corner": view.book}, {id(view.book): view.fitted()})
    both, shares = two(source), list[float]()
    found = both.owner.fit(view.book, None, "corner", shares.append)
    assert found is not view.fit
    assert found.fingerprint == view.fitted().fingerprint
    assert source.fits == 1
    assert all(0.0 <= s <= 1.0 for s in shares)


def test_why_there_is_no_fit_is_told_as_it_is_to_the_owner(
    two: Callable[[HeldSource], Two], view: BenchView
) -> None:
    none = RunBook(view.bench, ())
    owner = two(HeldSource({"empty": none})).owner
    with pytest.raises(NotEnoughData, match="run"):
        owner.fit(none, None, "empty")
    with pytest.raises(RigError, match="there is no bench"):
        owner.fit(none, None, "another")
    broken = two(HeldSource({"corner": view.book}, trouble=RigError("bench.toml: line 3 is no TOML"))).owner
    with pytest.raises(RigError, match="line 3"):
        broken.fit(view.book, None, "corner")


def test_without_the_key_nobody_is_given_a_fit_or_taken_for_a_guest(two: Callable[[HeldSource], Two]) -> None:
    port = two(HeldSource({})).server.server_port
    for key in ("", "another", "the key\u00e4"):
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
        connection.request("GET", f"{FIT}?bench=corner", headers={KEY: key})
        assert _status(connection) == 404
        connection.request("GET", "/live/class", headers={KEY: key, "Host": "elsewhere.example"})
        assert _status(connection) == 403


def test_an_owner_that_is_gone_is_said_in_words(view: BenchView) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with pytest.raises(RigError, match="does not answer"):
        Owner(port, "the key").fit(view.book, None, "corner")


def _status(connection: http.client.HTTPConnection) -> int:
    with closing(connection), connection.getresponse() as said:
        return said.status


def _answers(at: tuple[str, int]) -> bool:
    try:
        return ask(at, "/").status == 200
    except (OSError, http.client.HTTPException):
        return False
