"""Nobody on the network holds up the computer that shares: not by connections, dripping, bodies or wrong codes."""

from __future__ import annotations

import gzip
import http.client
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any

import pytest

from dashboard.app import make_app
from dashboard.guests.served import sharing_server
from dashboard.serving import server_of
from dashboard.web_server import Limits, WebServer
from rig.errors import RigError
from tests.dashboard.benches import HeldSource

QUICK = Limits(connections=30, of_one_address=20, request_s=0.5, idle_s=20.0, stop_s=0.2)
PATIENCE_S = 30.0


@pytest.fixture
def served() -> Iterator[Callable[[WebServer], int]]:
    servers: list[tuple[WebServer, threading.Thread]] = []

    def serve(server: WebServer) -> int:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        servers.append((server, thread))
        return server.server_port

    yield serve
    for server, thread in servers:
        server.shutdown()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def said(environ: dict[str, Any], start: Any) -> list[bytes]:
    body = environ["wsgi.input"].read()
    start("200 OK", [("Content-Type", "text/plain"), ("Content-Length", str(len(body) + 2))])
    return [b"ok" + body]


def ask(port: int, path: str = "/", method: str = "GET", **more: Any) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    try:
        connection.request(method, path, **more)
        got = connection.getresponse()
        return got.status, got.read()
    finally:
        connection.close()


def opened(port: int, sent: bytes = b"") -> socket.socket:
    connection = socket.create_connection(("127.0.0.1", port), PATIENCE_S)
    connection.sendall(sent)
    return connection


def test_a_connection_answers_one_request_after_the_other(served: Callable[[WebServer], int]) -> None:
    port = served(WebServer("127.0.0.1", 0, said, QUICK))
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    connection.connect()
    first = connection.sock
    for body in (b"", b"a cup", b"x" * 90_000):
        connection.request("POST", "/", body)
        got = connection.getresponse()
        assert (got.status, got.read()) == (200, b"ok" + body)
        assert connection.sock is first
    connection.close()


def test_half_open_connections_of_strangers_never_reach_the_owners_page(
    served: Callable[[WebServer], int],
) -> None:
    app = make_app(HeldSource({}))
    own, told = served(server_of(app, "127.0.0.1", 0)), list[str]()
    shared = served(sharing_server(app.server, "127.0.0.1", 0, told.append)[0])
    strangers = [opened(shared) for _ in range(400)]
    dripping = [
        opened(shared, b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 900000\r\n\r\nx") for _ in range(100)
    ]
    for _ in range(20):
        assert ask(own, "/_dash-layout")[0] == 200
    held = sum(_still_open(c) for c in strangers + dripping)
    assert held <= 24
    for c in strangers + dripping:
        c.close()


def _still_open(connection: socket.socket) -> bool:
    connection.settimeout(0.0)
    try:
        while connection.recv(4096):
            pass  # why it was turned away
        return False
    except BlockingIOError:
        return True
    except OSError:
        return False


def test_an_address_has_so_many_connections_is_told_so_and_gets_them_back(
    served: Callable[[WebServer], int],
) -> None:
    few = Limits(connections=30, of_one_address=20, request_s=PATIENCE_S, idle_s=PATIENCE_S, stop_s=0.2)
    port = served(WebServer("127.0.0.1", 0, said, few))
    held = [opened(port) for _ in range(few.of_one_address)]
    for _ in range(100):  # more than are kept open to hear it
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
        connection.request("POST", "/", b"x" * 1000)
        told = connection.getresponse()
        assert (told.status, told.headers["Retry-After"]) == (503, "5")
        assert b"Asked again in 5 seconds" in told.read()
        connection.close()
    for c in held:
        c.close()
    _until(lambda: _answers(port))


@pytest.mark.skipif(sys.platform != "linux", reason="needs further loopback addresses")
def test_strangers_from_many_addresses_give_up_their_places_to_whoever_asks(
    served: Callable[[WebServer], int],
) -> None:
    patient = Limits(connections=30, of_one_address=10, request_s=PATIENCE_S, idle_s=PATIENCE_S, stop_s=0.2)
    port = served(WebServer("127.0.0.1", 0, said, patient))
    strangers = [
        socket.create_connection(("127.0.0.1", port), PATIENCE_S, (f"127.0.{1 + k % 12}.1", 0))
        for k in range(90)
    ]
    for k, c in enumerate(strangers):
        with suppress(OSError):
            c.sendall(b"GET / HT" if k % 2 else b"")
    for _ in range(20):
        assert ask(port)[0] == 200
    for c in strangers:
        c.close()


@pytest.mark.parametrize(
    "begun",
    [
        b"",
        b"GET / HT",
        b"GET / HTTP/1.1\r\nHost: x\r\nX-A: ",
        b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 50\r\n\r\nhalf",
        b"POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nha",
    ],
)
def test_what_does_not_come_whole_in_time_is_cut_off_however_it_drips(
    served: Callable[[WebServer], int], begun: bytes
) -> None:
    port = served(WebServer("127.0.0.1", 0, said, QUICK))
    connection, ended = opened(port, begun), threading.Event()

    def drip() -> None:
        while not ended.wait(0.05):
            try:
                connection.sendall(b"x")
            except OSError:
                return

    dripping = threading.Thread(target=drip, daemon=True)
    dripping.start()
    try:
        while connection.recv(4096):
            pass  # a word that it was too slow may come first
    except ConnectionError:
        pass
    ended.set()
    dripping.join()
    connection.close()
    assert _answers(port)


@pytest.mark.parametrize("chunked", [False, True])
def test_a_body_larger_than_any_page_sends_is_refused_before_it_is_read(
    served: Callable[[WebServer], int], chunked: bool
) -> None:
    port = served(WebServer("127.0.0.1", 0, said, Limits(request_s=PATIENCE_S)))
    head = b"POST / HTTP/1.1\r\nHost: x\r\n"
    if chunked:
        connection = opened(port, head + b"Transfer-Encoding: chunked\r\n\r\n")
        with pytest.raises(OSError):
            for _ in range(10_000):
                connection.sendall(b"10000\r\n" + b"x" * 0x10000 + b"\r\n")
    else:
        connection = opened(port, head + b"Content-Length: 10000000000\r\n\r\n")
        assert b" 413 " in connection.recv(4096)
    connection.close()


@pytest.mark.parametrize("head", [b"GET / HTTP/1.1\r\n" + b"X-A: b\r\n" * 20_000, b"GET /" + b"a" * 200_000])
def test_a_head_without_end_is_refused(served: Callable[[WebServer], int], head: bytes) -> None:
    port = served(WebServer("127.0.0.1", 0, said, QUICK))
    connection = socket.create_connection(("127.0.0.1", port), PATIENCE_S)
    try:
        connection.sendall(head)
        assert connection.recv(4096).split(b" ")[1:2] in ([b"413"], [b"414"], [b"431"], [])
    except ConnectionError:
        pass
    connection.close()
    assert _answers(port)


@pytest.mark.parametrize(
    "noise", [b"\x16\x03\x01\x02\x00\x01\x00", b"\x00" * 100, b"GET\r\n\r\n", b"\r\n" * 50]
)
def test_what_is_no_http_says_nothing_in_the_terminal(
    served: Callable[[WebServer], int], noise: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    port = served(WebServer("127.0.0.1", 0, said, QUICK))
    connection = opened(port, noise)
    try:
        while connection.recv(4096):
            pass
    except ConnectionError:
        pass
    connection.close()
    assert _answers(port)
    assert capfd.readouterr() == ("", "")


def test_a_stream_of_events_comes_as_it_is_said_and_ends_when_the_server_stops(
    served: Callable[[WebServer], int],
) -> None:
    go_on, left = threading.Event(), threading.Event()

    def events(environ: dict[str, Any], start: Any) -> Iterator[bytes]:
        start("200 OK", [("Content-Type", "text/event-stream")])

        def told() -> Iterator[bytes]:
            try:
                yield b"data: one\n\n"
                go_on.wait(PATIENCE_S)
                while True:
                    yield b":\n\n"
                    time.sleep(0.01)
            finally:
                left.set()

        return told()

    server = WebServer("127.0.0.1", 0, events, QUICK)
    port = served(server)
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    connection.request("GET", "/live/events")
    got = connection.getresponse()
    assert got.readline() == b"data: one\n"
    assert not go_on.is_set()
    go_on.set()
    server.shutdown()
    assert left.wait(PATIENCE_S)
    connection.close()


def test_more_streams_than_a_pool_has_threads_leave_pages_answered(
    served: Callable[[WebServer], int],
) -> None:
    app = make_app(HeldSource({}))
    port = served(server_of(app, "127.0.0.1", 0))
    streams = [opened(port, b"GET /live/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n") for _ in range(40)]
    for stream in streams:
        assert b"200 OK" in stream.recv(4096)
    assert ask(port, "/_dash-layout")[0] == 200
    for stream in streams:
        stream.close()


def test_an_address_that_is_taken_is_said_in_words() -> None:
    server = WebServer("127.0.0.1", 0, said, QUICK)
    with pytest.raises(RigError, match="cannot be served"):
        WebServer("127.0.0.1", server.server_port, said, QUICK)
    server.shutdown()


def test_pages_and_scripts_come_compressed(served: Callable[[WebServer], int]) -> None:
    port = served(server_of(make_app(HeldSource({})), "127.0.0.1", 0))
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    total = plain = 0
    for path in _first_load(port):
        connection.request("GET", path, headers={"Accept-Encoding": "gzip"})
        got = connection.getresponse()
        body = got.read()
        total += len(body)
        if got.headers["Content-Encoding"] == "gzip":
            assert "Accept-Encoding" in got.headers["Vary"]
            plain += len(gzip.decompress(body))
    connection.close()
    assert plain > 2_000_000
    assert total < 800_000


def _first_load(port: int) -> list[str]:
    import re

    page = ask(port)[1].decode()
    scripts = re.findall(r'(?:src|href)="(/[^"]+)"', page)
    return [
        "/",
        *scripts,
        "/_dash-layout",
        "/_dash-dependencies",
        "/_dash-component-suites/plotly/package_data/plotly.min.js",
    ]


def _answers(port: int) -> bool:
    try:
        return ask(port)[0] == 200
    except (OSError, http.client.HTTPException):
        return False


def _until(condition: Callable[[], bool]) -> None:
    ends_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < ends_s
        time.sleep(0.01)
