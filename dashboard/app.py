"""The app: one frame and its pages, put together; `dashboard.serving` hands it out."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import dash
from dash import ClientsideFunction, Dash, Input, Output
from flask import Flask, request

from dashboard import downloads, frame, headers, loading, reader_units
from dashboard.page import Here, Page, StillFitting, page_at
from dashboard.pages import (
    all_benches,
    bench,
    bench_entry,
    bring_in,
    bring_in_several,
    by_hand,
    coffee,
    compare,
    glass,
    guide,
    kit,
    live,
    next_runs,
    projector,
    projector_live,
    recipe,
    rehearsal,
    remote,
    rig,
    run,
    runs,
    shake_time,
    sheet,
    what_to_use,
)
from dashboard.params import one, params_of_query
from dashboard.service import Service
from dashboard.sources import Source
from rig.errors import RigError

PAGES: tuple[Page, ...] = (
    live.PAGE,
    projector_live.PAGE,
    remote.PAGE,
    shake_time.PAGE,
    compare.PAGE,
    projector.PAGE,
    what_to_use.PAGE,
    all_benches.PAGE,
    runs.PAGE,
    run.PAGE,
    bring_in.PAGE,
    by_hand.PAGE,
    bring_in_several.PAGE,
    sheet.PAGE,
    bench.PAGE,
    bench_entry.PAGE,
    rehearsal.PAGE,
    next_runs.PAGE,
    recipe.PAGE,
    coffee.PAGE,
    glass.PAGE,
    rig.PAGE,
    kit.PAGE,
    guide.PAGE,
)
"""Every page there is, in the order of the ways: the first four stand in a phone's bar.

A new page is its module and its place here.
"""

SERVICE = "chillrig.service"
"""Under which name the server keeps what hands out its benches."""
HOME = "/shake-time"
"""Where `/` leads."""


def make_app(
    source: Source,
    chromium: Path | None = None,
    devices: tuple[str, ...] = (),
    dialects: tuple[str, ...] = (),
    *,
    ahead: bool = False,
) -> Dash:
    """The dashboard of a source's benches; opens nothing until a page is asked for, unless it works `ahead`.

    `chromium` is what makes PDFs; by default the first that is found. `devices` are addresses to record from that
    the system does not list.
    """
    app = Dash(
        __name__,
        title="chillrig",
        update_title="",
        serve_locally=True,
        suppress_callback_exceptions=True,
        index_string=frame.INDEX,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
        on_error=_broken,
    )
    service = Service(source, devices, dialects, ahead=ahead)
    app.layout = frame.frame()
    app.clientside_callback(
        ClientsideFunction("chillrig", "theme"), Output("theme", "data"), Input("theme-chosen", "value")
    )

    @app.callback(
        Output("page", "children"),
        Output("ways", "children"),
        Output("tick", "disabled"),
        Output("trouble", "children"),
        Output("frame", "className"),
        Input("address", "pathname"),
        Input("address", "search"),
        Input("tick", "n_intervals"),
    )
    def show(path: str | None, search: str | None, _ticks: int | None) -> tuple[Any, Any, bool, str, str]:
        made = page(service, path or "/", search, guest=bool(request.environ.get(headers.GUEST)))
        return made.content, made.ways, made.settled, "", "frame bare" if made.bare else "frame"

    for part in PAGES:
        part.register(app, service)
    server: Flask = app.server
    server.extensions[SERVICE] = service
    loading.register(app)
    reader_units.register(
        app, service
    )  # the last registered is the first to change an answer: before it is packed
    downloads.register(server, service, PAGES, chromium)
    headers.register(server, app.csp_hashes())
    # what was sent was no question of our pages: one line, whoever sent it
    server.log_exception = _refused_in_a_line  # type: ignore[method-assign]
    service.begin()
    return app


def _refused_in_a_line(exc_info: Any) -> None:
    log = logging.getLogger(__name__)
    log.error("a request could not be answered: %s at %s", exc_info[0].__name__, request.path[:80])
    log.debug("in full", exc_info=exc_info)


@dataclass(frozen=True)
class Shown:
    """What is shown at an address; `settled`: nothing is under way that would change it."""

    content: Any
    ways: Any
    settled: bool = True
    bare: bool = False


def page(service: Service, path: str, search: str | None, *, guest: bool = False) -> Shown:
    """What to show at an address."""
    with service.one_look():
        return _page(service, path, search, guest)


def _page(service: Service, path: str, search: str | None, guest: bool) -> Shown:
    params = params_of_query(search)
    place = path.rstrip("/") or HOME
    found = page_at(PAGES, place)
    shown = None if found is None else found[0]
    ways: Any = frame.ways(PAGES, shown, place, None, ())
    try:
        if found is None:
            told = f"Nothing is kept at {place[:80]}. Choose a page above."
            return Shown(frame.refused("There is no such page", told), ways)
        benches = service.names()
        if not benches and not found[0].needs_bench:
            return Shown(found[0].layout(Here(service, "", None, found[1], params, guest)), ways)
        if not benches:
            return Shown(
                frame.empty(None if guest or service.logbook is None else service.logbook.where), ways
            )
        name = service.chosen(one(params, "bench"))
        kept = name if len(benches) > 1 else None
        ways = frame.ways(PAGES, shown, place, kept, benches)
        content = found[0].layout(Here(service, name, kept, found[1], params, guest))
        return Shown(content, ways, bare=found[0].bare)
    except StillFitting as still:
        return Shown(frame.working(still.working.name, still.working.share), ways, settled=False)
    except RigError as error:
        return Shown(frame.refused("This cannot be shown", str(error)), ways)


def _broken(error: Exception) -> None:
    """The one place where an error nobody foresaw ends: told on the page, in full in the server's log.

    Of another screen's only a line: whoever is let in may not fill this computer's terminal.
    """
    guest = request.environ.get(headers.GUEST)
    said = f"a callback of another screen failed: {type(error).__name__}" if guest else "a callback failed"
    logging.getLogger(__name__).error(said, exc_info=None if guest else error)
    dash.set_props(
        "trouble",
        {
            "children": "Something here broke, and it is not your doing. What you see may be out of date: "
            "load the page again. The reason stands in the window that the dashboard was started from."
        },
    )
