"""How screens hear of the drink under way: server-sent events out, small JSON in.

Chosen by measurement: `tests/benchmarks/live_transport.py` holds the ways that were compared.
Server-sent events are those of the HTML standard, section 9.2.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from typing import Any

from flask import Flask, Response, request

from dashboard.headers import GUEST
from dashboard.live.room import LiveRoom, act
from dashboard.live.session import Cursor
from rig.errors import RigError

EVENTS, ACT = "/live/events", "/live/act"
HEARTBEAT_S = 1.0
"""How long nothing may be said: so a screen knows that it is still listened to, and the server who has left."""
ONLY_HERE = "This screen only watches. Start, stop and keep on the computer that records."


def register(server: Flask, room: LiveRoom) -> None:
    """Serve what screens hear, and take what they ask for."""

    def events() -> Response:
        return Response(
            heard(room, watching=bool(request.environ.get(GUEST))),
            mimetype="text/event-stream",
            headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
        )

    def acted() -> Response:
        if request.environ.get(GUEST):
            return _said(ONLY_HERE, 403)
        told = request.get_json(silent=True)
        if not isinstance(told, dict):
            return _said("the page sent nothing that can be read; load it again", 400)
        try:
            return _said(act(room, told), 200)
        except RigError as error:
            return _said(str(error), 409)

    server.add_url_rule(EVENTS, "live_events", events)
    server.add_url_rule(ACT, "live_act", acted, methods=["POST"])


def heard(room: LiveRoom, *, watching: bool = False) -> Iterator[str]:
    """Events for one screen, without end: what is new whenever something is, else a sign of life."""
    of, cursor, before, said_s = None, Cursor(), "", -HEARTBEAT_S
    while True:
        told, of, cursor = room.told(of, cursor)
        text = json.dumps(told | {"watching": watching}, separators=(",", ":"))
        now_s = time.monotonic()
        if text != before or now_s - said_s >= HEARTBEAT_S:
            yield ":\n\n" if text == before else f"data: {text}\n\n"
            before, said_s = text, now_s
        with room.fresh:
            room.fresh.wait(HEARTBEAT_S)


def _said(words: str, status: int) -> Response:
    body: dict[str, Any] = {"said": words}
    return Response(json.dumps(body), status, mimetype="application/json")
