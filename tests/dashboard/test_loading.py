"""What a browser loads: a small script for figures, which draws all that the pages draw, and what it may keep."""

from __future__ import annotations

import gzip
import http.client
import re
import threading
from pathlib import Path
from typing import Any

import plotly.graph_objects as go
import pytest
from plotly.basedatatypes import BaseTraceType
from plotly.offline import get_plotlyjs, get_plotlyjs_version

from dashboard.app import make_app
from dashboard.loading import FIGURES_SCRIPT, HASH, IMMUTABLE, digest
from dashboard.service import BenchView
from dashboard.serving import server_of
from rig.report.plotting import BUNDLE, KINDS
from rig.runs import RunBook
from tests.dashboard.benches import HeldSource, source_of_view

ROOT = Path(__file__).parents[2]


@pytest.fixture
def client(view: BenchView) -> Any:
    return make_app(source_of_view(view)).server.test_client()


def kept(client: Any, path: str) -> str:
    with client.get(path) as got:
        return str(got.headers.get("Cache-Control", ""))


def test_figures_are_drawn_by_the_small_script(client: Any) -> None:
    with client.get(FIGURES_SCRIPT) as got:
        assert got.data == BUNDLE.read_bytes()
        assert got.mimetype == "text/javascript"
    assert BUNDLE.stat().st_size < len(get_plotlyjs()) / 3


def test_the_small_script_is_of_the_release_that_figures_are_made_for() -> None:
    told = re.search(r"plotly\.js \(basic - minified\) v(\d+)\.", BUNDLE.read_text(encoding="utf-8")[:200])
    assert told is not None
    assert told[1] == get_plotlyjs_version().split(".")[0]


def _is_trace(made: Any) -> bool:
    return isinstance(made, type) and issubclass(made, BaseTraceType)


def test_it_draws_every_kind_of_trace_that_is_drawn_anywhere() -> None:
    written = [
        p.read_text(encoding="utf-8")
        for room in ("dashboard", "rig/report")
        for p in (ROOT / room).rglob("*.py")
    ]
    called = {
        name for text in written for pair in re.findall(r"\.add_(\w+)\(|\bgo\.(\w+)\(", text) for name in pair
    }
    drawn = {name.lower() for name in called if _is_trace(getattr(go, name.capitalize(), None))}
    assert "scatter" in drawn
    assert drawn <= KINDS


def test_what_a_page_loads_carries_its_contents_hash_and_is_kept_for_good(client: Any) -> None:
    home = client.get("/").text
    loaded = re.findall(r'(?:src|href)="(/[^"]+)"', home)
    assert any("chillrig.js" in s for s in loaded) and any("dash_renderer" in s for s in loaded)
    figures = re.search(r'"plotlyjs_url":"([^"]+)"', home)
    assert figures is not None and figures[1].startswith(FIGURES_SCRIPT)
    for address in (*loaded, figures[1]):
        with client.get(address) as got:
            assert got.headers["Cache-Control"] == IMMUTABLE, address
            assert address.endswith(f"?{HASH}={digest(got.data)}")
        for other in (address.partition("?")[0], f"{address[:-1]}x"):
            # an address that does not tell what it holds is asked for again, or lives by Dash's own rule
            assert "immutable" not in kept(client, other)


def test_pages_are_not_kept(client: Any) -> None:
    assert kept(client, "/") == kept(client, "/runs") == "no-store"


def test_an_asset_that_changes_has_another_address(tmp_path: Path, monkeypatch: Any) -> None:
    app = make_app(HeldSource(dict[str, RunBook]()))
    (tmp_path / "mark.svg").write_text("<svg/>", encoding="utf-8")
    monkeypatch.setitem(app.config.__dict__, "_read_only", {})
    monkeypatch.setitem(app.config, "assets_folder", str(tmp_path))
    one = app.server.test_client().get("/").text
    (tmp_path / "mark.svg").write_text("<svg></svg>", encoding="utf-8")
    other = app.server.test_client().get("/").text
    at = re.compile(r"/assets/mark.svg\?h=(\w+)")
    assert at.search(one) and at.search(other) and at.search(one)[1] != at.search(other)[1]  # type: ignore[index]


def test_the_real_server_says_so_too() -> None:
    app = make_app(HeldSource(dict[str, RunBook]()))
    server = server_of(app, "127.0.0.1", 0)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()

    def asked(path: str) -> tuple[dict[str, str], bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=60)
        connection.request("GET", path, headers={"Accept-Encoding": "gzip"})
        answer = connection.getresponse()
        headers, body = dict(answer.getheaders()), answer.read()
        connection.close()
        assert answer.status == 200
        return headers, gzip.decompress(body) if headers.get("Content-Encoding") == "gzip" else body

    try:
        headers, home = asked("/")
        assert headers["Cache-Control"] == "no-store"
        loaded = re.findall(r'(?:src|href)="(/[^"]+)"', home.decode())
        assert len(loaded) > 10
        for address in loaded:
            headers, content = asked(address)
            assert headers["Cache-Control"] == IMMUTABLE and digest(content) in address
    finally:
        server.shutdown()
        thread.join()
