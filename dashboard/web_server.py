"""The web server: threads that are bounded, connections that are counted, and nobody who can hold others up.

cheroot, which serves WSGI by threads (chosen by measurement: `tests/benchmarks/web_servers.py`), with what it lacks:
a connection takes a thread only once something has come on it; each address has so many connections and no more; a
request must have come whole within a time, however it drips.
"""

from __future__ import annotations

import io
import logging
import math
import socket
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING, Any

from cheroot.connections import ConnectionManager
from cheroot.errors import MaxSizeExceeded
from cheroot.server import HTTPConnection
from cheroot.workers.threadpool import _SHUTDOWNREQUEST, ThreadPool, WorkerThread
from cheroot.wsgi import Gateway_10
from cheroot.wsgi import Server as WSGIServer

from rig.errors import RigError

if TYPE_CHECKING:
    from _typeshed.wsgi import WSGIApplication


@dataclass(frozen=True)
class Limits:
    """What one server bears.

    Connections in all and of one address; seconds within which a request's head and body must have come, for which a
    connection may idle or may not take what it is sent; bytes of a head and of a body; seconds that an answer under way
    has when the server stops.
    """

    connections: int = 400
    of_one_address: int = 400
    request_s: float = 10.0
    idle_s: float = 60.0
    head_bytes: int = 32_768
    body_bytes: int = 1_000_000
    stop_s: float = 2.0


OWN = Limits()
"""For this computer itself."""
SHARED = Limits(connections=160, of_one_address=24)
"""For other screens; a browser opens up to six connections, and two screens may share an address."""
_FULL = (
    b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 5\r\nRefresh: 5\r\nConnection: close\r\n"
    b"Content-Type: text/plain\r\nContent-Length: 49\r\n\r\nToo many connections. Asked again in 5 seconds.\r\n"
)
_MOST_TURNED_AWAY = 64
"""Connections that are open only so that they hear why."""


def address_of(host: str, port: int) -> str:
    """Host and port as an address has them."""
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


class WebServer:
    """A bound server of a WSGI application; `serve_forever` serves until `shutdown`, which any thread may call."""

    def __init__(self, host: str, port: int, app: WSGIApplication, limits: Limits) -> None:
        """Raises RigError where the address is taken or is not this computer's; port 0 takes a free one."""
        self._server = _Server((host, port), app, limits)
        try:
            self._server.prepare()
        except OSError as error:
            why = str(error.__cause__ or error)
            raise RigError(
                f"{host}:{port} cannot be served: {why}. Close what serves there, or choose another --port or --host"
            ) from error

    @property
    def server_port(self) -> int:
        """The port it has."""
        return int(self._server.bind_addr[1])

    @property
    def app(self) -> WSGIApplication:
        """What it serves."""
        return self._server.wsgi_app

    @app.setter
    def app(self, app: WSGIApplication) -> None:
        self._server.wsgi_app = app

    def serve_forever(self) -> None:
        """Serve until `shutdown` or an interrupt."""
        self._server.serve()

    def shutdown(self) -> None:
        """Stop: no new connection, and what is being answered has a moment to end."""
        self._server.stop()

    server_close = shutdown


class _Connections(ConnectionManager):
    """All connections of a server: counted by address, and closed when they take too long to say what they want."""

    def __init__(self, server: _Server) -> None:
        super().__init__(server)
        self._lock, self._of = Lock(), dict[str, int]()
        self._open = set[_Connection]()
        self._turned_away = deque[_Connection]()

    def _from_server_socket(self, server_socket: socket.socket) -> _Connection | None:
        conn: _Connection | None = super()._from_server_socket(server_socket)
        if conn is None:
            return None
        limits, address = self.server.limits, conn.remote_addr or ""
        conn.due_s = time.monotonic() + limits.request_s
        with self._lock:
            mine = self._of.get(address, 0)
            taken = mine < limits.of_one_address and self._has_place(limits.connections)
            if taken:
                self._of[address] = mine + 1
                self._open.add(conn)
        if not taken:
            self._turn_away(conn)
            return None
        return conn

    def _has_place(self, most: int) -> bool:
        """Whether one more finds a place; where all are taken, who has dawdled for longest gives up theirs."""
        if len(self._open) < most:
            return True
        dawdling = min(
            (c for c in self._open if 0.0 < c.due_s < math.inf), key=lambda c: c.due_s, default=None
        )
        if dawdling is None or len(self._open) >= 2 * most:
            return False
        dawdling.due_s = 0.0
        dawdling.cut()
        return True

    def _turn_away(self, conn: _Connection) -> None:
        """Say when to come again; closed at once, what the other end is still sending would undo that."""
        with suppress(OSError):
            conn.socket.settimeout(0.0)
            conn.socket.send(_FULL)
            conn.socket.shutdown(socket.SHUT_WR)
        self._turned_away.append(conn)
        if len(self._turned_away) > _MOST_TURNED_AWAY:
            self._turned_away.popleft().close()

    def forget(self, conn: _Connection) -> None:
        """A connection is closed."""
        with self._lock:
            if conn in self._open:
                self._open.discard(conn)
                left = self._of.pop(conn.remote_addr or "", 1) - 1
                if left > 0:
                    self._of[conn.remote_addr or ""] = left

    def _expire(self, threshold: float) -> None:
        super()._expire(threshold)
        now_s = time.monotonic()
        with self._lock:
            late = [c for c in self._open if c.due_s < now_s]
        for conn in late:
            conn.cut()  # whichever thread reads it finds that it has ended
        while self._turned_away and self._turned_away[0].due_s < now_s:
            self._turned_away.popleft().close()

    def close(self) -> None:
        """Close all."""
        super().close()
        while self._turned_away:
            self._turned_away.popleft().close()
        with self._lock:
            left = list(self._open)
        for conn in left:
            conn.cut()


class _Connection(HTTPConnection):
    """One connection; `due_s` is when the request that is being read must have come whole."""

    due_s = math.inf
    fresh = True

    def communicate(self) -> bool:
        """Read one request and answer it."""
        self.due_s = time.monotonic() + self.server.limits.request_s
        try:
            return bool(super().communicate())
        finally:
            self.due_s = math.inf

    def cut(self) -> None:
        """End it for whoever reads or writes it."""
        with suppress(OSError):
            self.socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Close it."""
        self.server.forget(self)
        super().close()


class _Gateway(Gateway_10):
    """Reads a request's body before anything answers it, so that nobody's dripping holds the application up."""

    def get_environ(self) -> dict[str, Any]:
        """The request's environment, its body in memory: it is small, or was refused by its length."""
        environ: dict[str, Any] = super().get_environ()
        if environ.get("CONTENT_LENGTH") or self.req.chunked_read:
            try:
                body = self.req.rfile.read()
            except MaxSizeExceeded:
                self.req.simple_response("413 Request Entity Too Large")
                raise
            environ["wsgi.input"] = io.BytesIO(body)
            environ["CONTENT_LENGTH"] = str(len(body))
            environ.pop("HTTP_TRANSFER_ENCODING", None)
        else:
            environ["wsgi.input"] = io.BytesIO()
        self.req.conn.due_s = math.inf
        return environ


class _Threads(ThreadPool):
    """As many threads as there are connections that want something, up to their limit."""

    def put(self, obj: Any) -> None:
        """Have a connection served."""
        if self.idle <= self._queue.qsize() and len(self._threads) < self.max:
            self._threads.append(self._spawn_worker())
        super().put(obj)

    def _spawn_worker(self) -> WorkerThread:
        worker = WorkerThread(self.server)
        worker.name, worker.daemon = "serve", True
        worker.start()
        return worker

    def stop(self, timeout: float = 5.0) -> None:
        """Let what is being answered end; whoever takes longer is cut off, and is not waited for."""
        for _ in self._threads:
            self._queue.put(_SHUTDOWNREQUEST)
        ends_s = time.monotonic() + timeout
        for worker in self._clear_threads():
            worker.join(max(ends_s - time.monotonic(), 0.0))
            if worker.is_alive() and worker.conn is not None:
                worker.conn.cut()


class _Server(WSGIServer):
    """cheroot's server, with these connections and threads."""

    ConnectionClass = _Connection

    def __init__(self, address: tuple[str, int], app: WSGIApplication, limits: Limits) -> None:
        super().__init__(
            address,
            app,
            server_name="chillrig",
            timeout=limits.idle_s,
            shutdown_timeout=limits.stop_s,
            request_queue_size=128,
        )
        self.limits = limits
        self.gateway = _Gateway
        self.requests = _Threads(self, min=2, max=limits.connections)
        self.max_request_header_size = limits.head_bytes
        self.max_request_body_size = limits.body_bytes
        self.keep_alive_conn_limit = limits.connections

    @staticmethod
    def bind_socket(socket_: socket.socket, bind_addr: Any) -> Any:
        """Bind a socket; one that cannot be bound is closed."""
        try:
            return WSGIServer.bind_socket(socket_, bind_addr)
        except OSError:
            socket_.close()
            raise

    _connections: Any

    def prepare(self) -> None:
        """Bind, and take this server's own connections."""
        super().prepare()
        self._connections.close()
        self._connections = _Connections(self)

    def process_conn(self, conn: _Connection) -> None:
        """Have a connection served; one that is new waits first, without a thread, until something comes on it."""
        if conn.fresh:
            conn.fresh = False
            self._connections.put(conn)
        else:
            super().process_conn(conn)

    def forget(self, conn: _Connection) -> None:
        """A connection is closed."""
        connections = getattr(self, "_connections", None)
        if isinstance(connections, _Connections):
            connections.forget(conn)

    def error_log(self, msg: str = "", level: int = logging.INFO, traceback: bool = False) -> None:
        """What others send is nobody's business in this terminal."""
        logging.getLogger(__name__).debug(msg, exc_info=traceback)
