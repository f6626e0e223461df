"""The server: this computer alone, or the local network behind a one-time code."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path
from threading import Thread
from urllib.parse import urlsplit

from dash import Dash
from flask import Response, request

from dashboard.app import make_app
from dashboard.classroom.served import CLASSROOM
from dashboard.gate import Gate
from dashboard.headers import GUEST
from dashboard.sending import Sender
from dashboard.sources import Source
from dashboard.web_server import OWN, SHARED, Limits, WebServer
from rig.errors import RigError

LOOPBACK = ("127.0.0.1", "localhost", "::1")
Tell = Callable[[str], None]


def server_of(app: Dash, host: str, port: int) -> WebServer:
    """A server of the app for this computer; port 0 takes a free one.

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
    return WebServer(host, port, app.server, OWN)


def sharing_server(app: Dash, host: str, port: int, tell: Tell, limits: Limits = SHARED) -> WebServer:
    """A server for other screens, every one of which has to give a code first; `tell` hears the codes.

    Its connections, threads and limits are its own: whatever happens on the network, this computer's own server
    answers.
    """
    server = WebServer(host, port, lambda e, s: iter(()), limits)
    where = f"[{host}]:{server.server_port}" if ":" in host else f"{host}:{server.server_port}"
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
    host: str | None = None,
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

    With `share`, other screens are served too, at `host` and nowhere else, or at this computer's own address on the
    network where none is told. Without it `host` may be a loopback address only.

    Raises
    ------
    RigError
        The port is taken, or the address is not this computer's; there is no network to share on.
    """
    own = LOOPBACK[0] if share or host is None else host
    at = None if not share else local_address() if host is None else _one_address(host)
    app = make_app(source, chromium, devices, dialects, ahead=True)
    server = server_of(app, own, port)
    shared: WebServer | None = None
    sender = None if source.logbook is None else Sender(source.logbook)
    try:
        if sender is not None:
            sender.start()
        if at is not None:
            # the same port, except where the address is the one that this computer serves itself at
            shared = sharing_server(app, at, 0 if at in LOOPBACK else server.server_port, tell)
            tell(f"Other screens: http://{_in_address(at)}:{shared.server_port}/")
            Thread(target=shared.serve_forever, daemon=True).start()
        opened(f"http://{_in_address(own)}:{server.server_port}/")
        server.serve_forever()
    finally:
        if sender is not None:
            sender.close()
        if shared is not None:
            shared.server_close()
        server.server_close()


def _one_address(host: str) -> str:
    """The address to share at.

    Raises
    ------
    RigError
        It stands for all of them: who asks by which could not be told.
    """
    if host in ("", "0.0.0.0", "::"):
        raise RigError(
            f"{host or 'nothing'} is no one address. Name this computer's address on the network: --host"
        )
    return host


def _in_address(host: str) -> str:
    return f"[{host}]" if ":" in host else host
