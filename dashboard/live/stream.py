"""How screens hear of the drink under way: server-sent events out, small JSON in.

Chosen by measurement: `tests/benchmarks/live_transport.py` holds the ways that were compared.
Server-sent events are those of the HTML standard, section 9.2.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from flask import Flask, Response, request

from dashboard.headers import GUEST
from dashboard.live.acts import REMOTE, act
from dashboard.live.room import LiveRoom
from dashboard.live.session import Cursor, LiveSession
from rig.errors import RigError

EVENTS, ACT = "/live/events", "/live/act"
HEARTBEAT_S = 1.0
"""How long nothing may be said: so a screen knows that it is still listened to, and the server who has left."""
CURVES = ("probe", "others", "estimates")
ONLY_HERE = "This screen only watches. Start, stop and keep on the computer that records."


def register(server: Flask, room: LiveRoom) -> None:
    """Serve what screens hear, and take what they ask for."""
    teller = Teller(room)

    def events() -> Response:
        return Response(
            heard(teller, watching=bool(request.environ.get(GUEST))),
            mimetype="text/event-stream",
            headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
        )

    def acted() -> Response:
        told = request.get_json(silent=True)
        if not isinstance(told, dict):
            return _said("the page sent nothing that can be read; load it again", 400)
        if request.environ.get(GUEST) and not (room.remotes and told.get("act") in REMOTE):
            return _said(ONLY_HERE, 403)
        try:
            return _said(act(room, told), 200)
        except RigError as error:
            return _said(str(error), 409)

    server.add_url_rule(EVENTS, "live_events", events)
    server.add_url_rule(ACT, "live_act", acted, methods=["POST"])


@dataclass(frozen=True, eq=False)
class Said:
    """What a screen was told last: of which drink, up to where, and the event that says so; empty where none."""

    live: LiveSession | None = None
    cursor: Cursor = field(default_factory=Cursor)
    told: Mapping[str, Any] = field(default_factory=dict)
    event: str = ""


class Teller:
    """Makes events; those for screens that were told the same before are made once for them all."""

    def __init__(self, room: LiveRoom) -> None:
        self.room, self._lock = room, threading.Lock()
        self._asked: tuple[int, Said, bool] | None = None
        self._answer = Said()

    def after(self, before: Said, watching: bool) -> Said:
        """What has changed since; its event is empty where nothing has."""
        with self._lock:
            asked = self.room.news.count, before, watching
            if asked != self._asked:
                self._asked, self._answer = asked, self._made(before, watching)
            return self._answer

    def _made(self, before: Said, watching: bool) -> Said:
        told, live, cursor = self.room.told(before.live, before.cursor)
        told["watching"] = watching
        if watching:
            told.pop(
                "interrupted", None
            )  # which names files of this computer, and is nothing to be done from there
        known = {} if told["begin"] else before.told
        # curves only grow, and nothing of them is left to tell where nothing has come
        fresh = {k: v for k, v in told.items() if (v if k in CURVES else known.get(k, ...) != v)}
        event = f"data: {json.dumps(fresh, separators=(',', ':'))}\n\n" if fresh else ""
        return Said(live, cursor, told, event)


def heard(teller: Teller, *, watching: bool = False) -> Iterator[str]:
    """Events for one screen, without end: what has changed whenever something has, else a sign of life."""
    said, said_s, news = Said(), -HEARTBEAT_S, teller.room.news
    teller.room.look(anew=True)
    while True:
        count = news.count
        said = teller.after(said, watching)
        now_s = time.monotonic()
        if said.event or now_s - said_s >= HEARTBEAT_S:
            yield said.event or ":\n\n"
            said_s = now_s
        news.wait(count, HEARTBEAT_S)
        if said.live is None:
            teller.room.look()


def _said(words: str, status: int) -> Response:
    body: dict[str, Any] = {"said": words}
    return Response(json.dumps(body), status, mimetype="application/json")
