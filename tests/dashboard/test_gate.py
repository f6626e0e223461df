from __future__ import annotations

import io
import re
import socket
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from werkzeug.test import Client, TestResponse

from dashboard import gate
from dashboard.app import make_app
from dashboard.gate import CODE_OUTLIVES, FREE_GUESSES, LONGEST_WAIT_S, Gate, new_code, plain
from dashboard.guests.served import sharing_server
from dashboard.headers import GUEST, MOST_BYTES
from dashboard.serving import local_address, serve, server_of
from dashboard.sources import Wanted
from rig.errors import RigError
from tests.cli.small_bench import small_bench
from tests.dashboard.benches import HeldSource

WHERE = "192.168.0.7:8050"


@dataclass
class Doorway:
    """A gate before an app that only notes who got in, with a clock that is set by hand."""

    codes: list[str] = field(default_factory=list)
    inside: list[dict[str, Any]] = field(default_factory=list)
    now_s: float = 0.0

    def __post_init__(self) -> None:
        self.gate = Gate(self._app, WHERE, self.codes.append, lambda: self.now_s)

    def _app(self, environ: dict[str, Any], start: Any) -> Iterable[bytes]:
        self.inside.append(environ)
        start("200 OK", [("Content-Type", "text/plain")])
        return [b"the dashboard"]

    def screen(self) -> Client:
        return Client(self.gate)

    def ask(self, screen: Client, path: str = "/", *, host: str = WHERE, **more: Any) -> TestResponse:
        return screen.open(path, base_url=f"http://{host}", **more)

    def give(self, screen: Client, code: str, address: str = "192.168.0.20") -> TestResponse:
        return self.ask(
            screen, method="POST", data={"code": code}, environ_overrides={"REMOTE_ADDR": address}
        )


@pytest.fixture
def door() -> Doorway:
    return Doorway()


@pytest.mark.parametrize(
    "path", ["/", "/runs", "/_dash-layout", "/assets/chillrig.js", "/card.pdf", "/keep/runs"]
)
def test_nothing_of_the_dashboard_is_served_before_a_code_is_given(door: Doorway, path: str) -> None:
    got = door.ask(door.screen(), path)
    assert "asks for a code" in got.text
    assert got.status_code == (200 if path == "/" else 401)
    assert door.inside == []


def test_a_code_lets_one_screen_in_and_is_then_worth_nothing(door: Doorway) -> None:
    first, second = door.screen(), door.screen()
    code = door.codes[-1]
    assert door.give(first, code).status_code == 303
    assert door.ask(first, "/runs").text == "the dashboard"
    assert door.inside[-1][GUEST] is True
    assert door.give(second, code).status_code == 403
    assert door.ask(second, "/runs").status_code == 401
    assert len(door.codes) == 2
    assert door.give(second, door.codes[-1]).status_code == 303


def test_a_code_may_be_typed_as_people_type(door: Doorway) -> None:
    assert door.give(door.screen(), f"  {door.codes[-1].lower().replace('-', ' ')} ").status_code == 303


def test_a_class_code_lets_in_any_number_of_phones_to_the_class_and_nothing_else(door: Doorway) -> None:
    code = door.gate.class_code
    for pressed in ("/live/act", "/by-hand/keep", "/by-hand/undo"):
        phone = door.screen()
        assert door.ask(phone, f"/class?code={code}").headers["Location"] == "/class"
        assert door.ask(phone, "/class/state").text == "the dashboard"
        assert door.inside[-1][GUEST] is True
        for path in ("/", "/live", "/classic", "/_dash-layout"):
            assert door.ask(phone, path).headers["Location"] == "/class"
        assert door.ask(phone, pressed, method="POST", data={}).status_code == 403
    typed = door.screen()
    assert door.give(typed, code.lower()).headers["Location"] == "/class"
    assert len(door.codes) == 1
    assert {e["PATH_INFO"] for e in door.inside} == {"/class/state"}


def test_a_wrong_class_code_counts_as_a_guess_and_a_screens_code_opens_no_link(door: Doorway) -> None:
    for k in range(FREE_GUESSES + 1):
        code = door.codes[-1] if k == 0 else "AAAA-AAAA"
        assert door.ask(door.screen(), f"/class?code={code}").status_code == 403
    assert door.ask(door.screen(), f"/class?code={door.gate.class_code}").status_code == 429
    assert door.inside == []


def test_the_cookie_is_for_this_server_only_and_no_script_reads_it(door: Doorway) -> None:
    set_cookie = door.give(door.screen(), door.codes[-1]).headers["Set-Cookie"]
    assert "HttpOnly" in set_cookie
    assert "SameSite=Strict" in set_cookie
    assert len(re.search(r"chillrig_screen=([^;]+)", set_cookie)[1]) >= 40  # type: ignore[index]


def test_a_screen_is_asked_again_after_half_a_day(door: Doorway) -> None:
    screen = door.screen()
    door.give(screen, door.codes[-1])
    door.now_s = gate.SESSION_S - 1
    assert door.ask(screen, "/runs").status_code == 200
    door.now_s = gate.SESSION_S + 1
    assert door.ask(screen, "/runs").status_code == 401


def test_an_address_that_guesses_wrongly_waits_longer_each_time_while_others_need_not(door: Doorway) -> None:
    guesser = door.screen()
    for _ in range(FREE_GUESSES + 1):
        assert door.give(guesser, "AAAA-AAAA").status_code == 403
    waits = []
    for _ in range(4):
        stopped = door.give(guesser, door.codes[-1])
        assert stopped.status_code == 429
        waits.append(int(stopped.headers["Retry-After"]))
        door.now_s += waits[-1]
        assert door.give(guesser, "AAAA-AAAA").status_code == 403
    assert waits == [2, 4, 8, 16]
    assert door.give(door.screen(), door.codes[-1], address="192.168.0.21").status_code == 303
    door.now_s += LONGEST_WAIT_S
    assert door.give(guesser, door.codes[-1]).status_code == 303


def test_wrong_codes_from_everywhere_lock_nobody_out(door: Doorway) -> None:
    for k in range(2 * CODE_OUTLIVES + 5):
        assert door.give(door.screen(), "AAAA-AAAA", address=f"10.0.{k // 250}.{k % 250}").status_code == 403
    assert len(door.codes) == 3  # each code outlives only so many guesses
    assert door.give(door.screen(), door.codes[-1], address="10.9.1.1").status_code == 303


@pytest.mark.parametrize("cookie", ["", "x", "a" * 4000, "../../etc"])
def test_a_made_up_cookie_opens_nothing(door: Doorway, cookie: str) -> None:
    assert door.ask(door.screen(), "/runs", headers={"Cookie": f"{gate.COOKIE}={cookie}"}).status_code == 401
    assert door.inside == []


def test_a_name_of_somebody_elses_that_points_here_is_no_way_in(door: Doorway) -> None:
    screen = door.screen()
    door.give(screen, door.codes[-1])
    assert door.ask(screen, "/runs", host="rebound.example").status_code == 403


def test_a_form_too_large_to_be_a_code_is_not_read(door: Doorway) -> None:
    got = door.ask(door.screen(), method="POST", data={"code": "A" * 10_000})
    assert got.status_code == 413
    assert door.inside == []


def test_the_gates_page_loads_nothing_and_may_send_only_here(door: Doorway) -> None:
    got = door.ask(door.screen())
    policy = got.headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "form-action 'self'" in policy
    assert got.headers["X-Frame-Options"] == "DENY"
    assert not re.search(r"(?:src|href)=[\"'](?:https?:)?//", got.text)


def test_codes_differ_and_have_no_letter_that_looks_like_another() -> None:
    codes = {new_code() for _ in range(200)}
    assert len(codes) == 200
    assert all(len(plain(c)) == gate.LENGTH for c in codes)
    assert not set("".join(codes)) & set("01IOLU")


def test_this_computer_alone_is_served_where_nothing_is_shared() -> None:
    app = make_app(HeldSource({}))
    with pytest.raises(RigError, match="use --share"):
        server_of(app, "0.0.0.0", 0)


def test_a_shared_server_stands_behind_the_gate() -> None:
    told: list[str] = []
    server, gate = sharing_server(make_app(HeldSource({})).server, "127.0.0.1", 0, told.append)
    try:
        assert isinstance(server.app, Gate)
        assert gate.where == f"127.0.0.1:{server.server_port}"
        assert re.fullmatch(r"Code for the next screen: \w{4}-\w{4}", told[0])
    finally:
        server.server_close()


@pytest.mark.parametrize("host", ["0.0.0.0", "::", ""])
def test_an_address_that_stands_for_all_is_none_to_share_at(host: str) -> None:
    with pytest.raises(RigError, match="no one address"):
        serve(Wanted(), host, 0, share=True)


def test_other_screens_are_served_at_the_address_told_and_nowhere_else(tmp_path: Path) -> None:
    home = small_bench(tmp_path / "corner")
    told = [
        sys.executable,
        "-m",
        "dashboard",
        "--bench",
        str(home),
        "--port",
        "0",
        "--share",
        "--host",
        "127.0.0.1",
    ]
    with subprocess.Popen(told, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]) as process:
        try:
            assert process.stdout is not None
            said = "".join(process.stdout.readline() for _ in range(3))
            ports = {int(p) for p in re.findall(r"http://127\.0\.0\.1:(\d+)/", said)}
            assert len(ports) == 2, said
            for port in ports:
                socket.create_connection(("127.0.0.1", port), 10).close()
                try:
                    elsewhere = local_address()
                except RigError:
                    continue  # on no network at all
                with pytest.raises(OSError):
                    socket.create_connection((elsewhere, port), 10)
            process.terminate()
            assert process.wait(60) == 0
        finally:
            process.kill()


def test_the_address_to_share_at_is_never_this_computers_own_name_for_itself() -> None:
    try:
        assert not local_address().startswith("127.")
    except RigError as error:
        assert "on no network" in str(error)


@pytest.fixture
def client() -> Any:
    return make_app(HeldSource({})).server.test_client()


def test_what_is_larger_than_any_page_sends_is_refused(client: Any) -> None:
    body = io.BytesIO(b"{" + b" " * (MOST_BYTES + 1))
    got = client.post("/_dash-update-component", data=body, content_type="application/json")
    assert got.status_code == 413


@pytest.mark.parametrize(
    "headers", [{"Origin": "http://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}, {"Origin": "null"}]
)
def test_pages_of_others_cannot_ask_anything_that_changes(client: Any, headers: dict[str, str]) -> None:
    got = client.post("/_dash-update-component", json={}, headers=headers)
    assert got.status_code == 403


def test_every_answer_carries_its_headers(client: Any) -> None:
    for path in ("/", "/_dash-layout", "/assets/chillrig.js"):
        with client.get(path) as got:
            assert got.headers["X-Content-Type-Options"] == "nosniff"
            assert got.headers["X-Frame-Options"] == "DENY"
            assert "object-src 'none'" in got.headers["Content-Security-Policy"]
