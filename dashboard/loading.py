"""What a browser loads before it can show a page, and how long it may keep it.

Figures are drawn by plotly's basic bundle, as on pages that stand alone: see `rig.report.plotting`.
"""

from __future__ import annotations

import gzip
import hashlib
import pkgutil
import re
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

from dash import Dash
from dash.fingerprint import check_fingerprint
from flask import Flask, Response, request, send_file

from rig.report.plotting import BUNDLE

FIGURES_SCRIPT = "/_dash-component-suites/plotly/package_data/plotly.min.js"
"""Where Dash asks for the whole of plotly, once a page has its first figure."""

# a browser keeps what it compiled of a script only where it need not ask for that script again
HASH, IMMUTABLE = "h", "public, max-age=31536000, immutable"
_STATIC = frozenset({"text/css", "text/javascript", "application/javascript", "image/svg+xml"})
_ADDRESS = re.compile(r'((?:src|href)=")(/(?:assets|_dash-component-suites)/[^"?]+)(?:\?[^"]*)?(?=")')
_SERVED_LOCALLY = re.compile(r'"serve_locally":\s*true')

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


def register(app: Dash) -> None:
    """Serve the bundle in place of the whole, and let browsers keep whatever has its content's hash in its address."""
    server: Flask = app.server
    filled: Callable[..., str] = app.interpolate_index

    def figures_script() -> Response:
        return send_file(BUNDLE, mimetype="text/javascript", max_age=0)

    def index(**parts: str) -> str:
        # a page that has its first figure asks for the script by what the configuration says
        at = f'"serve_locally":false,"plotlyjs_url":"{stamped(FIGURES_SCRIPT, BUNDLE.read_bytes())}"'
        parts["config"] = _SERVED_LOCALLY.sub(at, parts["config"])
        return _ADDRESS.sub(lambda found: f"{found[1]}{_stamped_in(app, found[2])}", filled(**parts))

    def kept(response: Response) -> Response:
        if response.mimetype == "text/html":
            response.headers.setdefault("Cache-Control", "no-store")
        elif response.status_code == 200 and response.mimetype in _STATIC:
            response.direct_passthrough = False
            if request.args.get(HASH) == digest(response.get_data()):
                response.headers["Cache-Control"] = IMMUTABLE
        return _compressed(response)

    # a rule without parts that vary goes before Dash's own
    server.add_url_rule(FIGURES_SCRIPT, "figures_script", figures_script)
    server.after_request(kept)
    app.interpolate_index = index  # type: ignore[method-assign, assignment]


def stamped(address: str, content: bytes) -> str:
    """An address with its content's hash: other content has another address, and a browser need never ask again."""
    return f"{address}?{HASH}={digest(content)}"


def digest(content: bytes) -> str:
    """What tells one content from another, short enough for an address."""
    return hashlib.sha256(content).hexdigest()[:20]


def _stamped_in(app: Dash, address: str) -> str:
    """The address of an asset or of a part of a package with its hash; as it is where there is no such file."""
    kind, _, path = address.lstrip("/").partition("/")
    if kind == "assets":
        file = Path(app.config.assets_folder) / path
        return stamped(address, file.read_bytes()) if file.is_file() else address
    package, _, fingerprinted = path.partition("/")
    return _stamped_part(address, package, check_fingerprint(fingerprinted)[0])


@lru_cache(maxsize=256)
def _stamped_part(address: str, package: str, path: str) -> str:
    content = pkgutil.get_data(package, path)
    return address if content is None else stamped(address, content)


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
