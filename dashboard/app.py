"""The app: one frame, its pages, and the server that hands them out on this computer."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

import dash
from dash import ClientsideFunction, Dash, Input, Output
from flask import Response, request
from werkzeug.serving import BaseWSGIServer, make_server

from dashboard import frame
from dashboard.desk import BenchView, Desk, Working
from dashboard.pages import compare, run, runs, shake_time
from dashboard.params import Params, one, params_of_query
from dashboard.sources import Source
from rig.errors import RigError

LOOPBACK = ("127.0.0.1", "localhost", "::1")
Layout = Callable[[BenchView, str | None, Params], Any]

_LAYOUTS: dict[str, Layout] = {
    "/": shake_time.layout,
    "/runs": runs.layout,
    "/compare": compare.layout,
    "/shake-time": shake_time.layout,
}


def make_app(source: Source) -> Dash:
    """The dashboard of a source's benches; opens nothing until a page is asked for."""
    app = Dash(
        "dashboard",
        title="chillrig",
        update_title="",
        serve_locally=True,
        suppress_callback_exceptions=True,
        index_string=frame.INDEX,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
        on_error=_broken,
    )
    desk = Desk(source)
    app.layout = frame.frame()
    app.clientside_callback(
        ClientsideFunction("chillrig", "theme"), Output("theme", "data"), Input("theme-chosen", "value")
    )

    @app.callback(
        Output("page", "children"),
        Output("ways", "children"),
        Output("tick", "disabled"),
        Output("trouble", "children"),
        Input("address", "pathname"),
        Input("address", "search"),
        Input("tick", "n_intervals"),
    )
    def show(path: str | None, search: str | None, _ticks: int | None) -> tuple[Any, Any, bool, str]:
        return page(desk, path or "/", search)

    for part in (runs, run, compare, shake_time):
        part.register(app, desk)
    _guard(app)
    return app


def page(desk: Desk, path: str, search: str | None) -> tuple[Any, Any, bool, str]:
    """What to show at an address: page, links, whether nothing is under way, and no trouble."""
    params = params_of_query(search)
    place = path.rstrip("/") or "/"
    ways: Any = frame.ways("/shake-time" if place == "/" else place, None, ())
    try:
        name = desk.chosen(one(params, "bench"))
        benches = desk.names()
        kept = name if len(benches) > 1 else None
        ways = frame.ways("/shake-time" if place == "/" else place, kept, benches)
        seen = desk.look(name)
        if isinstance(seen, Working):
            return frame.working(seen.name, seen.share), ways, False, ""
        return _content(seen, kept, place, params), ways, True, ""
    except RigError as error:
        return frame.refused("This cannot be shown", str(error)), ways, True, ""


def _content(view: BenchView, bench: str | None, place: str, params: Params) -> Any:
    if place.startswith("/runs/"):
        return run.layout(view, bench, place.removeprefix("/runs/"))
    layout = _LAYOUTS.get(place)
    if layout is None:
        return frame.refused(
            "There is no such page", f"Nothing is kept at {place[:80]}. Choose a page above."
        )
    return layout(view, bench, params)


def _broken(error: Exception) -> None:
    """The one place where an error nobody foresaw ends: told on the page, in full in the server's log."""
    logging.getLogger(__name__).error("a callback failed", exc_info=error)
    dash.set_props(
        "trouble",
        {
            "children": "Something here broke, and it is not your doing. What you see may be out of date: "
            "load the page again. The reason stands in the window that the dashboard was started from."
        },
    )


def _guard(app: Dash) -> None:
    """Serve nothing that loads from elsewhere, and nothing to pages of other origins."""
    policy = "; ".join(
        (
            "default-src 'self'",
            f"script-src 'self' {' '.join(app.csp_hashes())}",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "frame-ancestors 'none'",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )

    def guarded(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "no-referrer"
        return response

    app.server.after_request(guarded)


def server_of(app: Dash, host: str, port: int) -> BaseWSGIServer:
    """A threaded server of the app; port 0 takes a free one.

    On the loopback address it answers only to a loopback name, so that no page elsewhere can reach it through
    a name of its own that points here.
    """
    if host in LOOPBACK:

        def only_this_computer() -> Response | None:
            if urlsplit(f"//{request.host}").hostname in LOOPBACK:
                return None
            return Response("This dashboard serves its own computer only.", 403)

        app.server.before_request(only_this_computer)

    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    return make_server(host, port, app.server, threaded=True)


def serve(
    source: Source, host: str = "127.0.0.1", port: int = 8050, opened: Callable[[str], None] | None = None
) -> None:
    """Serve a source's benches until stopped; `opened` hears the address once it answers.

    Raises
    ------
    OSError
        The port is taken, or the address is not this computer's.
    """
    server = server_of(make_app(source), host, port)
    if opened is not None:
        shown = f"[{host}]" if ":" in host else host
        opened(f"http://{shown}:{server.server_port}/")
    try:
        server.serve_forever()
    finally:
        server.server_close()
