"""Which server hands out the dashboard: the ways that were compared, under what a bar's network does to them.

    python -m tests.benchmarks.web_servers

Each serves the same small answer and the same endless stream, in a process of its own. Asked are: requests on one
connection; the slowest of 20 pages while 300 connections are half open, and while 60 screens listen to a stream;
whether a head that drips is cut off, and how much of a body without end is taken before anything answers.
Needs waitress beside what the dashboard itself needs.
"""

from __future__ import annotations

import http.client
import importlib.util
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from typing import Any

HALF_OPEN, STREAMS, PAGES, REQUESTS = 300, 60, 20, 2000
PATIENCE_S = 5.0
DRIP_S = 20.0
MOST_BODY = 64 << 20


def app(environ: dict[str, Any], start: Any) -> Any:
    if environ["PATH_INFO"] == "/stream":
        start("200 OK", [("Content-Type", "text/event-stream")])
        return _stream()
    environ["wsgi.input"].read(int(environ.get("CONTENT_LENGTH") or 0))
    start("200 OK", [("Content-Type", "text/plain"), ("Content-Length", "2000")])
    return [b"x" * 2000]


def _stream() -> Iterator[bytes]:
    while True:
        yield b":\n\n"
        time.sleep(0.2)


def _werkzeug() -> None:
    from werkzeug.serving import WSGIRequestHandler, make_server

    class Quiet(WSGIRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_request(self, code: int | str = "-", size: int | str = "-") -> None:
            """Nothing."""

    server = make_server("127.0.0.1", 0, app, threaded=True, request_handler=Quiet)
    print(server.server_port, flush=True)
    server.serve_forever()


def _waitress() -> None:
    from waitress.server import create_server

    server = create_server(app, host="127.0.0.1", port=0, threads=64, max_request_body_size=1_000_000)
    print(server.effective_port, flush=True)
    server.run()


def _cheroot() -> None:
    from cheroot.wsgi import Server

    server = Server(("127.0.0.1", 0), app, numthreads=64, request_queue_size=128)
    server.max_request_body_size = 1_000_000
    server.prepare()
    print(server.bind_addr[1], flush=True)
    server.serve()


def _ours() -> None:
    from dashboard.web_server import SHARED, WebServer

    server = WebServer("127.0.0.1", 0, app, SHARED)
    print(server.server_port, flush=True)
    server.serve_forever()


SERVERS: dict[str, Callable[[], None]] = {
    "werkzeug": _werkzeug,
    "waitress": _waitress,
    "cheroot": _cheroot,
    "cheroot with limits": _ours,
}


def _per_second(port: int) -> str:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    began_s = time.perf_counter()
    for _ in range(REQUESTS):
        connection.request("GET", "/")
        connection.getresponse().read()
    connection.close()
    return f"{REQUESTS / (time.perf_counter() - began_s):.0f}"


def _slowest_page(port: int) -> str:
    slowest_s = 0.0
    for _ in range(PAGES):
        began_s = time.perf_counter()
        try:
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
            connection.request("GET", "/")
            connection.getresponse().read()
            connection.close()
        except OSError:
            return "none"
        slowest_s = max(slowest_s, time.perf_counter() - began_s)
    return f"{1000 * slowest_s:.0f} ms"


def _with_half_open(port: int) -> str:
    with ExitStack() as stack:
        for k in range(HALF_OPEN):
            with suppress(OSError):
                # from other addresses of this computer's own network: each has its own count
                source = (f"127.0.{1 + k % 20}.1", 0)
                c = stack.enter_context(socket.create_connection(("127.0.0.1", port), PATIENCE_S, source))
                c.sendall(b"GET / HT" if k % 2 else b"")
        return _slowest_page(port)


def _with_streams(port: int) -> str:
    with ExitStack() as stack:
        for k in range(STREAMS):
            with suppress(OSError):
                source = (f"127.0.{1 + k % 20}.1", 0)
                c = stack.enter_context(socket.create_connection(("127.0.0.1", port), PATIENCE_S, source))
                c.sendall(b"GET /stream HTTP/1.1\r\nHost: x\r\n\r\n")
        time.sleep(1.0)
        return _slowest_page(port)


def _drips_until_cut(port: int) -> str:
    with socket.create_connection(("127.0.0.1", port), PATIENCE_S) as c:
        began_s = time.perf_counter()
        c.sendall(b"GET / HTTP/1.1\r\nX-A: ")
        while time.perf_counter() - began_s < DRIP_S:
            time.sleep(0.2)
            try:
                c.sendall(b"x")
            except OSError:
                return f"after {time.perf_counter() - began_s:.0f} s"
    return "never"


def _body_taken(port: int) -> str:
    taken = 0
    with socket.create_connection(("127.0.0.1", port), PATIENCE_S) as c, suppress(OSError):
        c.sendall(b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 10000000000\r\n\r\n")
        while taken < MOST_BODY:
            taken += c.send(bytes(1 << 16))
    return f"{taken / 1e6:.1f} MB" + ("+" if taken >= MOST_BODY else "")


ASKED: dict[str, Callable[[int], str]] = {
    "requests a second": _per_second,
    f"{HALF_OPEN} half open: slowest page": _with_half_open,
    f"{STREAMS} streams: slowest page": _with_streams,
    "dripping head cut off": _drips_until_cut,
    "body taken unasked": _body_taken,
}


def main() -> None:
    print("| server | " + " | ".join(ASKED) + " |\n" + "| --- " * (1 + len(ASKED)) + "|")
    for name in SERVERS:
        if name == "waitress" and importlib.util.find_spec("waitress") is None:
            continue
        found = []
        for ask in ASKED.values():
            told = [sys.executable, "-m", "tests.benchmarks.web_servers", name]
            with subprocess.Popen(
                told, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
            ) as process:
                assert process.stdout is not None
                try:
                    found.append(ask(int(process.stdout.readline())))
                except OSError as error:
                    found.append(type(error).__name__)
                finally:
                    process.kill()
        print(f"| {name} | " + " | ".join(found) + " |", flush=True)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        SERVERS[sys.argv[1]]()
    else:
        main()
