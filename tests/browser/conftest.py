"""A served dashboard, and a Chromium that keeps account of what it asked for and complained of."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Thread
from typing import Any

import numpy as np
import pytest

from dashboard.app import make_app
from dashboard.service import BenchView
from dashboard.serving import server_of
from dashboard.sources import Source, logbook_source
from rig.logbook.store import open_logbook
from rig.runs import Trace
from tests.dashboard.benches import fitted_view, source_of_view
from tests.shared_fits import keep_fit

# as root Chromium has no sandbox of its own; the rest keeps it from looking things up on its own behalf
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
WAIT_MS = 180_000
"""Longest wait for a page: an upper bound for a busy machine, never a measure of speed."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in Path(item.path).parents:
            item.add_marker(pytest.mark.browser)


AXE_RULES = "['wcag2a', 'wcag2aa', 'wcag21aa', 'best-practice']"


def axe_script() -> Path | None:
    """axe-core, where AXE_CORE_JS says it is; None where it is not installed."""
    script = Path(os.environ.get("AXE_CORE_JS", ""))
    return script if script.is_file() else None


def axe_faults(page: Any) -> list[Any]:
    """What axe finds against the rules of access on a page; nothing where axe is not installed."""
    return [] if axe_script() is None else _faults(_axe(page))


def axe_and_texts(page: Any) -> tuple[list[Any], list[Any]]:
    """What axe finds, and every text on one colour that it measured: its ink, its paper and the contrast it needs."""
    found = _axe(page)
    texts = [
        (data["fgColor"], data["bgColor"], float(data["expectedContrastRatio"].removesuffix(":1")), n["html"])
        for rule in found["passes"]
        if rule["id"] == "color-contrast"
        for n in rule["nodes"]
        if {"fgColor", "bgColor"} <= (data := n["any"][0]["data"] or {}).keys()
    ]
    return _faults(found), texts


def _axe(page: Any) -> Any:
    script = axe_script()
    assert script is not None
    page.evaluate(script.read_text(encoding="utf-8"))
    return page.evaluate(f"() => axe.run(document, {{runOnly: {AXE_RULES}}})")


def _faults(found: Any) -> list[Any]:
    return [(v["id"], v["impact"], [n["html"][:160] for n in v["nodes"]][:3]) for v in found["violations"]]


@pytest.fixture(scope="session")
def chromium() -> str:
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        why = "no Chromium here; install Debian's package chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    return found


@pytest.fixture(scope="session")
def view() -> BenchView:
    return fitted_view()


@contextmanager
def served(source: Source, devices: tuple[str, ...] = ()) -> Iterator[str]:
    """The address at which a source's dashboard is served meanwhile."""
    server = server_of(make_app(source, devices=devices), "127.0.0.1", 0)
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


def weigh_nothing(page: Any) -> None:
    """Leave out all that a drink on Live could be weighed in with, up to its start."""
    while page.evaluate("() => chillrigLive.state.phase") != "ready":
        page.evaluate(
            "() => chillrigLive.state.phase === 'weighing' && "
            "chillrigLive.parts.ask('skip', {step: chillrigLive.state.step})"
        )


@pytest.fixture(scope="session")
def address(view: BenchView) -> Iterator[str]:
    with served(source_of_view(view)) as address:
        yield address


SAMPLES = 1_000_000
SPIKE_AT_S, SPIKE_C = 1234.5, 60.0


@pytest.fixture
def logbook_address(view: BenchView, tmp_path: Path) -> Iterator[str]:
    """A logbook of the small bench, already fitted, and one run left out whose trace has a million samples."""
    at = tmp_path / "bar.sqlite"
    time_s = np.linspace(0.0, 3600.0, SAMPLES)
    probe = 4.0 + np.sin(time_s / 40.0)
    probe[np.searchsorted(time_s, SPIKE_AT_S)] = SPIKE_C
    long = replace(
        view.book.runs[0],
        run="long",
        trace=Trace(time_s, {"": probe}),
        duration_s=None,
        excluded_because="left running",
    )
    with open_logbook(at) as logbook:
        logbook.add(replace(view.book, runs=(*view.book.runs, long)), "corner", "test")
    source = logbook_source(str(at))
    keep_fit(source.logbook, "corner")
    with served(source) as address:
        yield address
    source.lists.close()
    source.logbook.close()


@dataclass
class Account:
    """What a browser asked for and complained of while a test drove it."""

    elsewhere: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)


@pytest.fixture(scope="session")
def browser(chromium: str) -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(FLAGS))
        yield launched
        launched.close()


@pytest.fixture
def open_page(browser: Any, address: str) -> Iterator[Callable[..., Any]]:
    """Opens a path of the dashboard with nothing remembered; afterwards nothing may have gone astray."""
    with opening(browser, address) as opened:
        yield opened


@pytest.fixture
def open_logbook_page(browser: Any, logbook_address: str) -> Iterator[Callable[..., Any]]:
    """The same of a logbook whose runs can be corrected."""
    with opening(browser, logbook_address) as opened:
        yield opened


@contextmanager
def opening(browser: Any, address: str) -> Iterator[Callable[..., Any]]:
    """Opens pages and watches what they ask for and complain of."""
    contexts, account = [], Account()

    def opened(path: str, *, width: int = 1440, height: int = 900, scheme: str = "light") -> Any:
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.on("request", lambda r: _watch(account, address, r.url))
        page.on("console", lambda m: account.complaints.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda e: account.complaints.append(str(e)))
        page.on(
            "response", lambda r: account.failed.append(f"{r.status} {r.url}") if r.status >= 400 else None
        )
        page.goto(address + path)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert account == Account()


def _watch(account: Account, address: str, url: str) -> None:
    if not url.startswith((f"{address}/", "data:", "blob:")):
        account.elsewhere.append(url)
