"""What a browser loads before it can show a page, and how long it may keep it.

Figures are drawn by plotly's basic bundle, as on pages that stand alone: see `rig.report.plotting`.
"""

from __future__ import annotations

from flask import Flask, Response, request, send_file

from rig.report.plotting import BUNDLE

FIGURES_SCRIPT = "/_dash-component-suites/plotly/package_data/plotly.min.js"
"""Where Dash asks for the whole of plotly, once a page has its first figure."""

# a browser keeps what it compiled of a script only where it need not ask for that script again
DAY_S, YEAR_S = 86_400, 31_536_000


def register(server: Flask) -> None:
    """Serve the bundle in place of the whole, and let browsers keep what carries its version in its address."""

    def figures_script() -> Response:
        return send_file(BUNDLE, mimetype="text/javascript", max_age=DAY_S)

    def kept(response: Response) -> Response:
        # Dash asks for an asset by the moment of its last change: another file has another address
        if request.endpoint == "_dash_assets.static" and "m" in request.args and response.status_code == 200:
            response.headers["Cache-Control"] = f"max-age={YEAR_S}, immutable"
        return response

    # a rule without parts that vary goes before Dash's own
    server.add_url_rule(FIGURES_SCRIPT, "figures_script", figures_script)
    server.after_request(kept)
