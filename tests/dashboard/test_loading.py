"""What a browser loads: a small script for figures, which draws all that the pages draw, and what it may keep."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import plotly.graph_objects as go
import pytest
from plotly.basedatatypes import BaseTraceType
from plotly.offline import get_plotlyjs, get_plotlyjs_version

from dashboard.app import make_app
from dashboard.loading import FIGURES_SCRIPT
from dashboard.service import BenchView
from rig.report.plotting import BUNDLE, KINDS
from tests.dashboard.benches import source_of_view

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


def test_a_browser_need_not_ask_again_for_what_carries_its_version(client: Any) -> None:
    home = client.get("/").text
    scripts = re.findall(r'(?:src|href)="(/assets/[^"]+\?m=[^"]+)"', home)
    assert any("chillrig.js" in s for s in scripts)
    for script in scripts:
        assert "immutable" in kept(client, script)
        assert kept(client, script.partition("?")[0]) == "no-cache"
    assert "max-age" in kept(client, FIGURES_SCRIPT)
    assert kept(client, "/assets/none.js?m=1") == ""
