"""The server: this computer alone, or the local network behind a one-time code."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from urllib.parse import urlsplit

from dash import Dash
from flask import Response, request

from dashboard.app import SERVICE, make_app
from dashboard.classroom.served import CLASSROOM
from dashboard.guests.owner import answer_guests
from dashboard.guests.process import GuestsProcess, Open, Plan
from dashboard.headers import GUEST
from dashboard.sending import Sender
from dashboard.sources import Wanted
from dashboard.web_server import OWN, WebServer, address_of
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
    wanted: Wanted,
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
    """Serve the benches that are wanted until stopped; `opened` hears this computer's address once it answers.

    With `share`, other screens are served too, at `host` and nowhere else, or at this computer's own address on the
    network where none is told: by a process of their own, so that whatever happens on the network, this computer's
    own pages do not wait for it. Without it `host` may be a loopback address only.

    Raises
    ------
    RigError
        The port is taken, or the address is not this computer's; there is no network to share on.
    """
    own = LOOPBACK[0] if share or host is None else host
    at = None if not share else local_address() if host is None else _one_address(host)
    with ExitStack() as ending:
        guests = None if at is None else ending.enter_context(GuestsProcess(tell))
        source = wanted.source()
        app = make_app(source, chromium, devices, dialects, ahead=True)
        server = server_of(app, own, port)
        ending.callback(server.server_close)
        if source.logbook is not None:
            sender = Sender(source.logbook)
            ending.callback(sender.close)
            sender.start()
        if at is not None and guests is not None:
            key = secrets.token_urlsafe(32)
            service, classroom = app.server.extensions[SERVICE], app.server.extensions[CLASSROOM]
            service.also_leave.append(guests.logbook_left)
            answer_guests(app.server, service, key)

            def begun(there: Open) -> None:
                classroom.where, classroom.code = there.where, there.class_code
                tell(f"Other screens: http://{there.where}/")

            # the same port, except where the address is the one that this computer serves itself at
            free = 0 if at in LOOPBACK else server.server_port
            printing = None if chromium is None else str(chromium)
            plan = Plan(wanted, at, free, server.server_port, key, printing, devices, dialects)
            guests.serve(plan, begun)
        opened(f"http://{address_of(own, server.server_port)}/")
        server.serve_forever()


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
