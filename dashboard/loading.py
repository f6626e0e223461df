"""What a browser loads before it can show a page, and how long it may keep it.

Figures are drawn by plotly's basic bundle, as on pages that stand alone: see `rig.report.plotting`.
"""

from __future__ import annotations

import gzip
from functools import lru_cache

from flask import Flask, Response, request, send_file

from rig.report.plotting import BUNDLE

FIGURES_SCRIPT = "/_dash-component-suites/plotly/package_data/plotly.min.js"
"""Where Dash asks for the whole of plotly, once a page has its first figure."""

# a browser keeps what it compiled of a script only where it need not ask for that script again
DAY_S, YEAR_S = 86_400, 31_536_000

_TEXT = frozenset(
    {
        "text/html",
        "text/css",
        "text/javascript",
        "application/javascript",
        "application/json",
        "image/svg+xml",
    }
)
_LEAST_BYTES = 800
_LEVEL = 6


def register(server: Flask) -> None:
    """Serve the bundle in place of the whole, and let browsers keep what carries its version in its address."""

    def figures_script() -> Response:
        return send_file(BUNDLE, mimetype="text/javascript", max_age=DAY_S)

    def kept(response: Response) -> Response:
        # Dash asks for an asset by the moment of its last change: another file has another address
        if request.endpoint == "_dash_assets.static" and "m" in request.args and response.status_code == 200:
            response.headers["Cache-Control"] = f"max-age={YEAR_S}, immutable"
        return _compressed(response)

    # a rule without parts that vary goes before Dash's own
    server.add_url_rule(FIGURES_SCRIPT, "figures_script", figures_script)
    server.after_request(kept)


def _compressed(response: Response) -> Response:
    """An answer of text as gzip (RFC 1952), where the browser takes that; a stream of events goes as it is said."""
    if (
        response.mimetype not in _TEXT
        or response.status_code != 200
        or "Content-Encoding" in response.headers
    ):
        return response
    response.vary.add("Accept-Encoding")
    if not request.accept_encodings["gzip"] or request.method == "HEAD":
        return response
    response.direct_passthrough = False
    content = response.get_data()
    if len(content) < _LEAST_BYTES:
        return response
    # what browsers may keep is the same for all of them
    pack = _packed_once if response.cache_control.max_age else _packed
    response.set_data(pack(content))
    response.headers["Content-Encoding"] = "gzip"
    if response.get_etag()[0] is not None:
        response.set_etag(str(response.get_etag()[0]), weak=True)  # of two encodings of one content
    return response


def _packed(content: bytes) -> bytes:
    return gzip.compress(content, _LEVEL, mtime=0)


_packed_once = lru_cache(maxsize=64)(_packed)
