"""What other screens are served: the dashboard behind its gate, so many answers at once, and each screen its share."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from werkzeug.wrappers import Request

from dashboard.gate import COOKIE, PUPIL, Gate
from dashboard.guests.owner import Owner, is_owners
from dashboard.live.hearing import HEAR
from dashboard.live.stream import ACT, EVENTS
from dashboard.turns import Busy, Turns, asked_again
from dashboard.web_server import SHARED, Limits, WebServer, address_of

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

AT_ONCE, ASKED_OF_OWNER_AT_ONCE = 2, 1
"""Answers under way for all other screens together; of them those that this computer's own process gives."""
PATIENCE_S, AGAIN_S = 20.0, 5
"""How long a question waits for its turn, and when to ask anew after that [s]."""
_FILES = ("/assets/", "/_dash-component-suites/")
_WORDS = f"Other screens are being answered. Asked again in {AGAIN_S} seconds."


def _turns(at_once: int) -> Turns:
    return Turns(at_once, SHARED.connections, _WORDS, AGAIN_S, PATIENCE_S)


class Shares:
    """The dashboard as a WSGI application that gives each screen its share of what one process can answer."""

    def __init__(self, app: WSGIApplication, owner: Owner) -> None:
        self._app, self._owner = app, owner
        self.turns, self._owners_turns = _turns(AT_ONCE), _turns(ASKED_OF_OWNER_AT_ONCE)

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Answer in turn; what needs no work, and the stream of the drink and its remotes, at once."""
        path = str(environ["PATH_INFO"])
        if path in (EVENTS, ACT, HEAR):
            return self._owner.asked(environ, start_response)
        if path.startswith(_FILES):
            return self._app(environ, start_response)
        answer, turns = (
            (self._owner.asked, self._owners_turns) if is_owners(path) else (self._app, self.turns)
        )
        cookies = Request(environ).cookies
        try:
            with turns.mine(cookies.get(COOKIE) or cookies.get(PUPIL, "")):
                return answer(environ, start_response)
        except Busy as busy:
            return asked_again(busy)(environ, start_response)


def sharing_server(
    app: WSGIApplication,
    host: str,
    port: int,
    tell: Callable[[str], None],
    limits: Limits = SHARED,
) -> tuple[WebServer, Gate]:
    """A server for other screens, every one of which has to give a code first; `tell` hears the codes."""
    server = WebServer(host, port, lambda e, s: iter(()), limits)
    gate = Gate(
        app, address_of(host, server.server_port), lambda code: tell(f"Code for the next screen: {code}")
    )
    server.app = gate
    return server, gate
