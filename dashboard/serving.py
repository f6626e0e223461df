"""The server: this computer alone, or the local network behind a one-time code."""

from __future__ import annotations

import logging
import socket
from collections.abc import Callable
from pathlib import Path
from threading import Thread
from urllib.parse import urlsplit

from dash import Dash
from flask import Response, request
from werkzeug.serving import BaseWSGIServer, WSGIRequestHandler, make_server

from dashboard.app import make_app
from dashboard.classroom.served import CLASSROOM
from dashboard.gate import Gate
from dashboard.headers import GUEST
from dashboard.sources import Source
from rig.errors import RigError

LOOPBACK = ("127.0.0.1", "localhost", "::1")
Tell = Callable[[str], None]


class _KeptOpen(WSGIRequestHandler):
    """Answers one request after the other on the same connection, and writes no log of them."""

    protocol_version = "HTTP/1.1"
    timeout = 60  # an idle connection holds a thread

    def log_request(self, code: int | str = "-", size: int | str = "-") -> None:
        """Nothing: what people look at is nobody's business."""


def server_of(app: Dash, host: str, port: int) -> BaseWSGIServer:
    """A threaded server of the app for this computer; port 0 takes a free one.

    It answers only to a loopback name, so that no page elsewhere can reach it through a name of its own that
    points here.
    """
    if host not in LOOPBACK:
        raise RigError(f"{host} is not this computer alone. To serve other screens, use --share")

    def only_this_computer() -> Response | None:
        if request.environ.get(GUEST) or urlsplit(f"//{request.host}").hostname in LOOPBACK:
            return None
        return Response("This dashboard serves its own computer only.", 403)

    app.server.before_request(only_this_computer)
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    return make_server(host, port, app.server, threaded=True, request_handler=_KeptOpen)


def sharing_server(app: Dash, host: str, port: int, tell: Tell) -> BaseWSGIServer:
    """A server for other screens, every one of which has to give a code first; `tell` hears the codes."""
    server = make_server(host, port, lambda e, s: iter(()), threaded=True, request_handler=_KeptOpen)
    where = f"{host}:{server.server_port}"
    gate = Gate(app.server.wsgi_app, where, lambda code: tell(f"Code for the next screen: {code}"))
    server.app = gate
    classroom = app.server.extensions[CLASSROOM]
    classroom.where, classroom.code = where, gate.class_code
    return server


def local_address() -> str:
    """The address of this computer on the local network.

    Raises
    ------
    RigError
        It is on no network.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # chooses the way out and sends nothing: 192.0.2.1 is kept for documentation (RFC 5737)
            probe.connect(("192.0.2.1", 9))
            found = str(probe.getsockname()[0])
        except OSError as error:
            raise RigError("this computer is on no network; join one, or name its address: --host") from error
    if found.startswith(("127.", "0.")):
        raise RigError("this computer is on no network; join one, or name its address: --host")
    return found


def serve(
    source: Source,
    host: str = "127.0.0.1",
    port: int = 8050,
    *,
    share: bool = False,
    chromium: Path | None = None,
    devices: tuple[str, ...] = (),
    dialects: tuple[str, ...] = (),
    tell: Tell = lambda text: None,
    opened: Tell = lambda address: None,
) -> None:
    """Serve a source's benches until stopped; `opened` hears this computer's address once it answers.

    With `share`, other screens of the local network are served too, at `host` or this computer's own address.

    Raises
    ------
    OSError, RigError
        The port is taken, or the address is not this computer's; there is no network to share on.
    """
    app = make_app(source, chromium, devices, dialects, ahead=True)
    server = server_of(app, "127.0.0.1" if share else host, port)
    shared: BaseWSGIServer | None = None
    try:
        if share:
            at = local_address() if host in LOOPBACK else host
            shared = sharing_server(app, at, server.server_port, tell)
            tell(f"Other screens: http://{at}:{shared.server_port}/")
            Thread(target=shared.serve_forever, daemon=True).start()
        shown = f"[{host}]" if ":" in host and not share else "127.0.0.1" if share else host
        opened(f"http://{shown}:{server.server_port}/")
        server.serve_forever()
    finally:
        if shared is not None:
            shared.server_close()
        server.server_close()
