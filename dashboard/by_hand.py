"""What a phone asks of the server for a drink made by hand: what its numbers were taken for, the call, the verdict.

A screen that gave the one-time code may do this much: add a run that it made itself, and take that one back. It can
change, delete or record nothing else.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from threading import Lock
from typing import Any

from flask import Flask, Response, request

from dashboard.live.room import NO_LOGBOOK
from dashboard.questions.by_hand import HandQuestion, take_back
from dashboard.service import Service, Working
from rig.errors import RigError
from rig.fitting.bench_fit import prior_fit
from rig.fitting.result import Fit
from rig.logbook.store import Logbook
from rig.session.tally import alike, score_of, tally_words

READ, CALL, KEEP, UNDO = "/by-hand/read", "/by-hand/call", "/by-hand/keep", "/by-hand/undo"
Told = Mapping[str, Any]


def register(server: Flask, service: Service) -> None:
    """Answer phones."""

    def question(told: Told) -> HandQuestion:
        name = service.chosen(str(told["bench"]) if told.get("bench") else None)
        return HandQuestion.of(name, service.bench(name), told)

    def fit_of(bench: str) -> Fit:
        view = service.view(bench)
        return view.fit or prior_fit(view.book)

    def read(told: Told) -> dict[str, Any]:
        return question(told).read()

    def call(told: Told) -> dict[str, Any]:
        asked = question(told)
        if isinstance(service.look(asked.bench), Working):
            return asked.read() | {"working": True}
        return asked.read() | {"call": asked.call(fit_of(asked.bench))}

    one_at_a_time = Lock()

    def keep(told: Told) -> dict[str, Any]:
        asked, logbook = question(told), logbook_of(service)
        fit = fit_of(asked.bench)
        with one_at_a_time:  # what a slow network made the phone send twice is stored once
            kept = asked.keep(logbook, fit, told, datetime.now(UTC))
        like_it = alike(logbook, asked.bench, kept.run)
        said: dict[str, Any] = {
            "tally": tally_words(like_it, kept.run),
            "by_feel": score_of(fit, like_it, kept.run),
        }
        said |= {"foam_half_life_s": asked.foam_half_life_s(fit)}
        return kept.to_json() | said

    def undo(told: Told) -> dict[str, Any]:
        bench = service.chosen(str(told["bench"]) if told.get("bench") else None)
        return {"undone": take_back(logbook_of(service), bench, str(told.get("number", "")))}

    for path, answer in ((READ, read), (CALL, call), (KEEP, keep), (UNDO, undo)):
        server.add_url_rule(path, path.strip("/").replace("/", "_"), answering(answer), methods=["POST"])


def answering(answer: Callable[[Told], dict[str, Any]]) -> Callable[[], Response]:
    """A view that takes JSON and answers it; what cannot be done is said in words."""

    def view() -> Response:
        told = request.get_json(silent=True)
        if not isinstance(told, dict):
            return _json({"said": "the page sent nothing that can be read; load it again"}, 400)
        try:
            return _json(answer(told))
        except RigError as error:
            return _json({"said": str(error)}, 409)

    return view


def logbook_of(service: Service) -> Logbook:
    """Where runs are kept.

    Raises
    ------
    RigError
        The bench is a folder, which is only read.
    """
    if service.logbook is None:
        raise RigError(NO_LOGBOOK)
    return service.logbook


def _json(told: Any, status: int = 200) -> Response:
    return Response(
        json.dumps(told), status, mimetype="application/json", headers={"Cache-Control": "no-store"}
    )
