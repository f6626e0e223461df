"""What is taken away: any page's finding as one HTML file, the technique card as HTML and PDF, a bench as a folder."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from flask import Flask, Response, request

from dashboard.answers import complete, make_call
from dashboard.headers import GUEST
from dashboard.page import Here, Page, page_at
from dashboard.params import one, params_of_query
from dashboard.questions.bench import as_folder
from dashboard.questions.call import CallQuestion
from dashboard.reader_units import chosen_units
from dashboard.service import Service, Working
from dashboard.turns import Busy, Turns, asked_again
from rig.answer_units import AnswerUnits
from rig.bench import Bench
from rig.errors import NotFound, RigError
from rig.report.card import technique_card
from rig.report.finding_page import render_finding
from rig.report.pdf import find_chromium, pdf_of

KEEP, CARD, CARD_PDF, FOLDER = "/keep", "/card", "/card.pdf", "/bench.zip"
"""Before the address of any page; of a call's technique card; of the same as PDF; of a bench as a folder."""


def register(server: Flask, service: Service, pages: Sequence[Page], chromium: Path | None = None) -> None:
    """Serve what can be taken away."""

    def keep(place: str) -> Response:
        found = page_at(pages, f"/{place}")
        if found is None or found[0].finding is None:
            raise NotFound("page to keep", place[:80], [p.path for p in pages if p.finding])
        here = _here(service, found[1])
        finding = found[0].finding(here)
        page = render_finding(
            finding, service.bench(here.bench).title, _now(), _units(service.bench(here.bench))
        )
        return _file(page.encode(), "text/html; charset=utf-8", f"{finding.slug}.html")

    def card() -> Response:
        return Response(_card(service), mimetype="text/html")

    # one browser prints at a time, whoever asks
    printer = Turns(1, 3, "Other cards are being printed. Ask for this one again in half a minute", 20)

    def card_pdf() -> Response:
        with printer.mine(request.remote_addr or ""):
            content = pdf_of(_card(service), find_chromium(chromium))
        return _file(content, "application/pdf", "technique-card.pdf")

    def folder() -> Response:
        logbook = service.logbook
        if logbook is None or request.environ.get(GUEST):
            raise RigError("A bench is taken away as a folder on the computer that keeps its logbook.")
        name = service.chosen(
            one(params_of_query(request.query_string.decode("utf-8", errors="replace")), "bench")
        )
        return _file(as_folder(logbook, name), "application/zip", "bench.zip")

    def refused(error: RigError) -> Response:
        return Response(str(error), 400, mimetype="text/plain")

    server.add_url_rule(f"{KEEP}/<path:place>", "keep", keep)
    server.add_url_rule(CARD, "card", card)
    server.add_url_rule(CARD_PDF, "card_pdf", card_pdf)
    server.add_url_rule(FOLDER, "bench_folder", folder)
    server.register_error_handler(RigError, refused)
    server.register_error_handler(Busy, asked_again)


def _here(service: Service, rest: str) -> Here:
    params = params_of_query(request.query_string.decode("utf-8", errors="replace"))
    name = service.chosen(one(params, "bench"))
    if isinstance(service.look(name), Working):
        service.view(name)  # who takes a page away waits for its fit
    return Here(service, name, None, rest, params)


def _card(service: Service) -> str:
    here = _here(service, "")
    view = here.view()
    asked = CallQuestion.of(view, here.params)
    call = make_call(view, asked)
    call = complete(view, call)
    return technique_card(call, view.bench.recipe(asked.recipe), view.bench.title, _now(), _units(view.bench))


def _units(bench: Bench) -> AnswerUnits:
    """The units of whoever takes the page away, beside what the bench calls its things."""
    return chosen_units().beside(bench.names)


def _now() -> datetime:
    return datetime.now().astimezone()


def _file(content: bytes, kind: str, name: str) -> Response:
    response = Response(content, mimetype=kind.partition(";")[0])
    response.headers["Content-Type"] = kind
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
