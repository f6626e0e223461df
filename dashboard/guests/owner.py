"""What the process for other screens asks of the one for this computer: the drink under way, its class, and the fits.

There is one drink and one class, and each bench is fitted once, by the process that records. The other asks it over
the loopback address, with a key that only the two know; whatever comes with it is a guest's.
"""

from __future__ import annotations

import hmac
import http.client
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING
from urllib.parse import quote

from flask import Flask, Response, request

from dashboard.classroom.served import JOIN, WALL
from dashboard.headers import GUEST
from dashboard.live.hearing import HEAR
from dashboard.live.stream import ACT, EVENTS
from dashboard.service import Service, Working
from dashboard.sources import Progress
from dashboard.turns import Turns
from rig.errors import NotEnoughData, RigError
from rig.fitting.kept_fit import fit_from_bytes, fit_or_kept, fit_to_bytes
from rig.fitting.result import Fit
from rig.logbook.store import Logbook
from rig.runs import RunBook

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIEnvironment

FIT = "/guests/fit"
KEY = "X-Chillrig-Key"
_ENVIRON_KEY = f"HTTP_{KEY.upper().replace('-', '_')}"
_ASKED_ON = ("Host", "Cookie", "Origin", "Sec-Fetch-Site", "Accept-Encoding")
_OF_ONE_CONNECTION = frozenset({"connection", "keep-alive", "transfer-encoding", "server", "date"})
_PATIENCE_S = 30.0
_LOOK_S = 0.3
_MOST_BYTES = 65_536


def is_owners(path: str) -> bool:
    """Whether only the process of this computer can answer this."""
    return any(path == p or path.startswith(f"{p}/") for p in (EVENTS, ACT, HEAR, WALL, JOIN))


def answer_guests(server: Flask, service: Service, key: str) -> None:
    """Have this computer's process answer the one for other screens, which shows a key."""
    inner = server.wsgi_app
    looks = Turns(1, 2, "Another bench is being looked at", 1)
    # a look opens the logbook again
    service.also_leave.append(partial(looks.stopped, _PATIENCE_S))

    def known(environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        if hmac.compare_digest(environ.get(_ENVIRON_KEY, "").encode(), key.encode()):
            environ[GUEST] = True
        return inner(environ, start_response)

    def fit() -> Response:
        if not request.environ.get(GUEST):
            return Response("Nothing is kept here.", 404)
        with looks.mine(""):
            seen = service.look(service.chosen(request.args.get("bench")))
        if isinstance(seen, Working):
            return Response(f"{seen.share}", 202)
        if seen.fit is None:
            return Response(seen.lacking, 409)
        return Response(fit_to_bytes(seen.fit), mimetype="application/octet-stream")

    server.wsgi_app = known  # type: ignore[method-assign]
    server.add_url_rule(FIT, "guests_fit", fit)


@dataclass(frozen=True)
class Owner:
    """The process of this computer, at a port of the loopback address."""

    port: int
    key: str

    def fit(
        self, book: RunBook, logbook: Logbook | None, bench: str, progress: Progress | None = None
    ) -> Fit:
        """The fit of a bench, made there; made here only where the bench has changed while it was asked for.

        Raises
        ------
        NotEnoughData, RigError
            The runs do not allow one; it cannot be had.
        """
        while True:
            status, content = self._whole(f"{FIT}?bench={quote(bench)}")
            if status == 200:
                return fit_from_bytes(content, book) or fit_or_kept(book, logbook, bench, progress)
            if status == 409:
                raise NotEnoughData(content.decode())
            if status not in (202, 503):
                raise RigError(content.decode(errors="replace")[:300])
            if progress is not None and status == 202:
                progress(float(content))
            time.sleep(_LOOK_S)

    def asked(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Ask it what a guest asks, and hand on what it says while it says it (a WSGI application)."""
        names = {name: f"HTTP_{name.upper().replace('-', '_')}" for name in _ASKED_ON} | {
            "Content-Type": "CONTENT_TYPE"
        }
        told = {name: environ[at] for name, at in names.items() if environ.get(at)}
        query = environ.get("QUERY_STRING", "")
        place = quote(environ["PATH_INFO"].encode("latin-1")) + (f"?{query}" if query else "")
        connection = self._connection()
        try:
            connection.request(
                environ["REQUEST_METHOD"], place, environ["wsgi.input"].read(), told | {KEY: self.key}
            )
            said = connection.getresponse()
        except (OSError, http.client.HTTPException):
            connection.close()
            return Response("The computer that records does not answer just now.", 502)(
                environ, start_response
            )
        kept = [(n, v) for n, v in said.getheaders() if n.lower() not in _OF_ONE_CONNECTION]
        start_response(f"{said.status} {said.reason}", kept)
        return _said(connection, said)

    def _whole(self, place: str) -> tuple[int, bytes]:
        connection = self._connection()
        try:
            connection.request("GET", place, headers={KEY: self.key})
            said = connection.getresponse()
            return said.status, said.read()
        except (OSError, http.client.HTTPException) as error:
            raise RigError(
                "the computer that records does not answer just now. Load the page again"
            ) from error
        finally:
            connection.close()

    def _connection(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=_PATIENCE_S)


def _said(connection: http.client.HTTPConnection, said: http.client.HTTPResponse) -> Iterator[bytes]:
    """What is said, as it is said; hung up on when nobody listens any more."""
    try:
        while part := said.read1(_MOST_BYTES):
            yield part
    except (OSError, http.client.HTTPException):
        return  # it has ended, and so does this
    finally:
        connection.close()
