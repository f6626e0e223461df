from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from dashboard.__main__ import main
from dashboard.app import make_app, page
from dashboard.service import BenchView, Service
from dashboard.serving import server_of
from dashboard.sources import logbook_source
from rig.logbook.store import open_logbook
from tests.cli.small_bench import small_bench
from tests.dashboard.asking import callback
from tests.dashboard.benches import HeldSource, source_of_view
from tests.dashboard.reading import text

ASSETS = Path(__file__).parents[2] / "dashboard" / "assets"


class Untouchable:
    """A source that must not be asked for anything."""

    def __getattr__(self, name: str) -> Any:
        raise AssertionError(f"asked for {name}")


def test_making_the_app_opens_nothing() -> None:
    make_app(Untouchable())  # type: ignore[arg-type]


@pytest.fixture
def client(view: BenchView) -> Any:
    return make_app(source_of_view(view)).server.test_client()


def test_nothing_may_load_from_elsewhere(client: Any) -> None:
    got = client.get("/")
    policy = got.headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe-eval" not in policy
    assert not re.search(r"""(?:src|href)=["'](?:https?:)?//""", got.text)


@pytest.mark.parametrize("asset", sorted(p.name for p in ASSETS.iterdir() if p.is_file()))
def test_no_asset_names_another_address(asset: str) -> None:
    found = re.findall(r"https?://[^\s\"')]+", (ASSETS / asset).read_text(encoding="utf-8"))
    assert [u for u in found if u != "http://www.w3.org/2000/svg"] == []


def test_no_tools_for_developers_are_served(client: Any) -> None:
    config = json.loads(re.search(r'id="_dash-config"[^>]*>(.*?)</script>', client.get("/").text)[1])  # type: ignore[index]
    assert not config.get("ui")
    assert not config.get("hot_reload")
    assert "console" not in client.get("/?__debugger__=yes&cmd=resource&f=debugger.js").text[:200]


@pytest.mark.parametrize(
    ("output", "store"),
    [("call-head.children", "call-asked"), ("compare-answer", "compare-asked"), ("runs-list", "runs-asked")],
)
@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("<script>", "nothing that can be read"),
        ({"recipe": "'; drop table run; --"}, "there is no"),
        ({"bench": "elsewhere"}, "there is no bench"),
    ],
)
def test_what_a_callback_cannot_use_is_answered_in_words(
    client: Any, output: str, store: str, asked: Any, said: str
) -> None:
    got = callback(client, output, {f"{store}.data": asked, "theme.data": "light"}, {})
    assert got.status_code == 200
    assert said in got.text


def test_a_callback_answers_as_the_page_asks(client: Any) -> None:
    asked = {"recipe": "night shift", "ice": "freezer cube", "drink_temp_c": 22}
    got = callback(client, "call-head.children", {"call-asked.data": asked}, {}).get_json()["response"]
    assert "will do" in json.dumps(got["call-head"])
    assert got["call-answered"]["data"] == asked
    drawn = callback(client, "call-figures.children", {"call-answered.data": asked, "theme.data": "dark"}, {})
    assert "#15181c" in drawn.text


def test_another_ice_moves_its_sliders(client: Any) -> None:
    got = callback(client, "call-ice_temp_c-at.data", {"call-ice.value": "wet cube"}, {})
    moved = got.get_json()["response"]
    assert moved["call-ice_temp_c-at"]["data"] == {"value": 0.0, "reset": True}
    assert 150 <= moved["call-ice_mass_g-at"]["data"]["value"] <= 170


def test_an_error_nobody_foresaw_is_told_on_the_page_not_in_full(
    view: BenchView, caplog: pytest.LogCaptureFixture
) -> None:
    source = source_of_view(view)
    source.trouble = RuntimeError("secret detail")
    client = make_app(source).server.test_client()
    got = callback(client, "runs-list", {"runs-asked.data": {}}, {})
    assert got.status_code == 200
    assert "Something here broke" in got.text
    assert "secret detail" not in got.text
    assert "secret detail" in caplog.text


def test_on_the_loopback_address_only_loopback_names_are_answered() -> None:
    app = make_app(HeldSource({}))
    server_of(app, "127.0.0.1", 0).server_close()
    client = app.server.test_client()
    assert client.get("/", headers={"Host": "127.0.0.1:8050"}).status_code == 200
    assert client.get("/", headers={"Host": "localhost"}).status_code == 200
    assert client.get("/", headers={"Host": "rebound.example"}).status_code == 403


def test_the_program_serves_a_bench_and_says_where(tmp_path: Path) -> None:
    home = small_bench(tmp_path / "corner")
    environment = {k: v for k, v in os.environ.items() if k != "CHILLRIG_LOGBOOK"}
    command = [sys.executable, "-m", "dashboard", "--bench", str(home), "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            found = re.search(r"http://127\.0\.0\.1:\d+/", line)
            assert found, line
            with urllib.request.urlopen(found[0]) as got:
                assert got.status == 200
        finally:
            process.terminate()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "nothing to show"),
        (["--logbook", "no-such-file.sqlite"], "there is no logbook at"),
    ],
)
def test_the_program_says_why_it_cannot_start(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("CHILLRIG_LOGBOOK", raising=False)
    assert main(arguments) == 1
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    "asked",
    [
        "",
        "{",
        "[]",
        "5",
        '{"output": 5}',
        '{"output": "page.children", "inputs": 7}',
        '{"output": "..", "inputs": [{}]}',
    ],
)
def test_what_is_no_question_of_our_pages_is_refused_in_a_line(
    view: BenchView, caplog: pytest.LogCaptureFixture, asked: str
) -> None:
    client = make_app(source_of_view(view)).server.test_client()
    got = client.post("/_dash-update-component", data=asked, content_type="application/json")
    assert got.status_code in (400, 404, 500)
    assert "Traceback" not in caplog.text and "Traceback" not in got.text


def test_an_empty_logbook_opens_and_leads_on(tmp_path: Path) -> None:
    with open_logbook(tmp_path / "bar.sqlite"):
        pass
    service = Service(logbook_source(str(tmp_path / "bar.sqlite")))
    for path in ("/", "/runs", "/compare", "/live"):
        said = text(page(service, path, "").content)
        assert "Nothing is logged yet" in said and "chillrig demo" in said
    assert "bar.sqlite" not in text(page(service, "/", "", guest=True).content)
    assert "Ports" in text(page(service, "/rig", "").content)
