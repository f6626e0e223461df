"""Where a class is served: the page for phones and the wall's state; who may guess, and who may lead."""

from __future__ import annotations

import json
import secrets
from dataclasses import dataclass, field
from importlib.resources import files
from io import BytesIO
from typing import Any

import segno
from flask import Flask, Response, request

from dashboard.classroom.state_json import phone_of, wall_of
from dashboard.classroom.votes import Asked, Votes
from dashboard.headers import GUEST
from dashboard.live.room import LiveRoom
from dashboard.live.session import Cursor
from dashboard.loading import stamped
from rig.errors import RigError

JOIN, SCRIPT, WALL = "/class", "/class/phone.js", "/live/class"
VOTER = "chillrig_voter"
CLASSROOM = "chillrig.classroom"
"""Under which name the server keeps it for the gate."""
NOT_SHARED = (
    "Phones can join once the dashboard is started with: chillrig dashboard --share. "
    "Until then, guess on this computer."
)
ONLY_HERE = "Only the computer that records leads the class."


@dataclass
class Classroom:
    """The class of this dashboard: its guesses, and where and by which code phones join."""

    room: LiveRoom
    votes: Votes = field(default_factory=Votes)
    where: str | None = None
    """Host and port that phones reach; None while nothing is shared."""
    code: str = ""

    def look(self) -> Votes:
        """The guesses, with what the drink under way has come to."""
        self.votes.hear(self.room.told(None, Cursor())[0])
        return self.votes

    @property
    def link(self) -> str | None:
        """What the code on the wall holds."""
        return None if self.where is None else f"http://{self.where}{JOIN}?code={self.code}"

    def act(self, told: Any) -> str:
        """Lead the class: ask, show, or go on to the next drink.

        Raises
        ------
        RigError
            It cannot be done now, or is not known.
        """
        match told.get("act"):
            case "ask" if told.get("asked") in list(Asked):
                self.votes.ask(Asked(told["asked"]))
            case "show":
                self.votes.show()
            case "next":
                self.votes.next()
            case _:
                raise RigError("the page asked for something that is not known here. Load it again")
        return ""


def qr_svg(link: str) -> str:
    """A link as a square code (ISO/IEC 18004), dark on light in either theme, with the quiet zone it needs."""
    drawn = BytesIO()
    segno.make(link, error="m").save(
        drawn, kind="svg", border=4, dark="#000000", light="#ffffff", omitsize=True
    )
    return drawn.getvalue().decode()


def register(server: Flask, room: LiveRoom) -> Classroom:
    """Serve a class that guesses the drinks of this room."""
    classroom = server.extensions[CLASSROOM] = Classroom(room)

    def written(name: str) -> bytes:
        return files("dashboard.classroom").joinpath(name).read_bytes()

    def voter() -> str:
        return request.cookies.get(VOTER, "")

    def phone() -> Response:
        text = written("phone.html").decode("utf-8")
        text = text.replace(SCRIPT, stamped(SCRIPT, written("phone.js")))
        answer = Response(text, mimetype="text/html", headers={"Cache-Control": "no-store"})
        if not voter():
            answer.set_cookie(VOTER, secrets.token_urlsafe(16), httponly=True, samesite="Strict")
        return answer

    def script() -> Response:
        return Response(
            written("phone.js"), mimetype="text/javascript", headers={"Cache-Control": "no-cache"}
        )

    def state() -> Response:
        return _json(phone_of(classroom.look(), voter()))

    def guess() -> Response:
        told = request.get_json(silent=True)
        if not isinstance(told, dict) or not voter():
            return _json({"said": "the page sent nothing that can be read; load it again"}, 400)
        try:
            classroom.look().guess(voter(), str(told.get("name", "")), told.get("value"))
        except RigError as error:
            return _json({"said": str(error)}, 409)
        return _json(phone_of(classroom.votes, voter()))

    def wall() -> Response:
        link = classroom.link
        join = {"link": link, "code": classroom.code, "where": f"{classroom.where}{JOIN}"} if link else None
        leads = not request.environ.get(GUEST)
        return _json(wall_of(classroom.look()) | {"join": join, "leads": leads, "not_shared": NOT_SHARED})

    def qr() -> Response:
        link = classroom.link
        if link is None:
            return Response("Nothing is shared.", 404)
        return Response(qr_svg(link), mimetype="image/svg+xml", headers={"Cache-Control": "no-store"})

    def acted() -> Response:
        told = request.get_json(silent=True)
        if request.environ.get(GUEST):
            return _json({"said": ONLY_HERE}, 403)
        if not isinstance(told, dict):
            return _json({"said": "the page sent nothing that can be read; load it again"}, 400)
        try:
            return _json({"said": classroom.act(told)})
        except RigError as error:
            return _json({"said": str(error)}, 409)

    server.add_url_rule(JOIN, "class_phone", phone)
    server.add_url_rule(SCRIPT, "class_script", script)
    server.add_url_rule(f"{JOIN}/state", "class_state", state)
    server.add_url_rule(f"{JOIN}/guess", "class_guess", guess, methods=["POST"])
    server.add_url_rule(WALL, "class_wall", wall)
    server.add_url_rule(f"{WALL}/qr.svg", "class_qr", qr)
    server.add_url_rule(f"{WALL}/act", "class_act", acted, methods=["POST"])
    return classroom


def _json(told: Any, status: int = 200) -> Response:
    return Response(
        json.dumps(told), status, mimetype="application/json", headers={"Cache-Control": "no-store"}
    )
