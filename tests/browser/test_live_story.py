"""The story of one drink in a real browser: weighed in, shaken, stopped by its cue, kept, found among the runs.

Simulated devices on real pseudo-terminals, the real recorder process, and a browser that hears all of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.sources import logbook_source
from rig.logbook.store import open_logbook
from tests.browser.conftest import axe_faults, served
from tests.dashboard.live_drinks import small_logbook

OpenPage = Callable[..., Any]
ASKED = "/live?target=coupe&seed=3&speed=4&devices=simulated"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_logbook(tmp_path_factory.mktemp("live"))


@pytest.fixture(scope="module")
def address(book: Path) -> Iterator[str]:
    with served(logbook_source(str(book))) as address:
        yield address


@pytest.fixture(autouse=True)
def nothing_left_under_way(open_page: OpenPage) -> Iterator[None]:
    yield
    page = open_page("/live")
    page.wait_for_function("() => chillrigLive.state")
    if page.evaluate("() => chillrigLive.state.phase") != "idle":
        page.evaluate("() => fetch('/live/act', {method: 'POST', headers: {'Content-Type': 'application/json'}, "
                      "body: JSON.stringify({act: 'discard'})})")  # fmt: skip
        page.wait_for_selector("#live-begin:visible")


def _begun(open_page: OpenPage, **how: Any) -> Any:
    page = open_page(ASKED, **how)
    page.wait_for_selector("#live-begin:visible")
    page.focus("#live-begin")
    page.keyboard.press("Enter")
    page.wait_for_selector("#live-steps")
    return page


def test_a_drink_from_weigh_in_to_kept_run_by_keyboard_alone(open_page: OpenPage, book: Path) -> None:
    page = _begun(open_page)
    page.wait_for_selector("#live-act.ready")
    page.wait_for_function("() => chillrigLive.state.call.waiting.includes('rests on')")
    page.wait_for_function("() => document.activeElement.id === 'live-act'")
    assert axe_faults(page) == []
    page.keyboard.press("Space")
    page.wait_for_selector("#live-act.moving")
    page.wait_for_function("() => / left /.test(` ${document.querySelector('#live-second').innerText}`)")
    page.wait_for_function("() => chillrigLive.tones.includes('stop')")
    page.wait_for_function("() => document.querySelector('#live-big').innerText === 'STOP'")
    assert page.inner_text("#live-word") in ("Stop now", "Past the best moment: stop")
    assert "cue-stop" in page.get_attribute("#live-stage", "class")
    assert page.evaluate("() => chillrigLive.audio.state") == "running"
    assert axe_faults(page) == []
    page.keyboard.press("Space")
    page.wait_for_selector("#live-keep")
    assert axe_faults(page) == []
    page.focus("#live-note")
    page.keyboard.type("as the tone said")
    page.focus("#live-keep")
    page.keyboard.press("Enter")
    page.get_by_role("link", name="Look at run").click()
    page.wait_for_selector("#run-trace .main-svg")
    name = page.url.rpartition("/runs/")[2].partition("?")[0]
    page.get_by_role("link", name="Runs", exact=True).click()
    page.wait_for_selector(f"table.runs >> text={name}")
    with open_logbook(book) as logbook:
        run = logbook.run("corner", name)
    assert run.notes == "as the tone said"
    assert run.strained_mass_g is not None
    assert run.duration_s is not None
    assert run.duration_s > 5.0


def test_a_browser_that_is_closed_loses_nothing(open_page: OpenPage) -> None:
    page = _begun(open_page)
    page.wait_for_selector("#live-act.ready")
    page.keyboard.press("Space")
    page.wait_for_selector("#live-act.moving")
    page.wait_for_function("() => chillrigLive.state.moved_s > 2")
    heard = page.evaluate("() => chillrigLive.probe.length")
    page.context.close()
    again = open_page("/live", width=390, height=844)
    again.wait_for_selector("#live-act.moving")
    assert again.evaluate("() => chillrigLive.probe.length") >= heard
    again.wait_for_function("() => chillrigLive.estimates.length > 2")
    again.locator("#live-act").click()
    again.wait_for_selector("#live-act.after")


def test_a_room_guesses_before_it_sees_the_drink(open_page: OpenPage) -> None:
    page = _begun(open_page)
    room = open_page("/live/projector", width=1920, height=1080, scheme="dark")
    room.wait_for_selector(".guess")
    room.click(".guess >> nth=3")
    room.click(".guess >> nth=0")
    page.wait_for_selector("#live-act.ready")
    page.keyboard.press("Space")
    page.wait_for_function("() => chillrigLive.estimates.length > 1")
    assert not room.is_visible("#room-live-temp")
    assert axe_faults(room) == []
    room.click("#room-live-reveal")
    room.wait_for_selector("#room-live-temp:visible")
    page.wait_for_function("() => chillrigLive.cued === 'stop'")
    assert axe_faults(room) == []
    page.keyboard.press("Space")
    room.wait_for_function(
        "() => /of 2 hands had it/.test(document.querySelector('#room-live-said').innerText)"
    )
    assert room.evaluate("document.documentElement.scrollHeight - innerHeight") <= 0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_on_a_phone_every_target_is_large_and_the_stop_is_in_sight(open_page: OpenPage, scheme: str) -> None:
    page = _begun(open_page, width=390, height=844, scheme=scheme)

    def small() -> Any:
        return page.evaluate(
            """() => [...document.querySelectorAll("#live button, #live .chips label, #live summary, #live a")]
                .filter(e => e.offsetParent !== null && e.getBoundingClientRect().height < 55.5)
                .map(e => e.outerHTML)"""
        )

    assert small() == []
    page.wait_for_selector("#live-act.ready")
    page.locator("#live-act").click()
    page.wait_for_function("() => chillrigLive.cued === 'stop'")
    assert small() == []
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    box = page.locator("#live-act").bounding_box()
    assert box is not None
    assert 0 <= box["y"] <= 844 - box["height"]
    assert axe_faults(page) == []


@pytest.mark.parametrize(
    ("path", "ready"),
    [("/live", "#live-begin:visible"), ("/rig", "#rig-backup"), ("/live/projector", "#live-wait:visible")],
)
def test_the_pages_at_rest_are_open_to_everybody(open_page: OpenPage, path: str, ready: str) -> None:
    page = open_page(path)
    page.wait_for_selector(ready)
    assert axe_faults(page) == []


def test_a_backup_is_made_by_a_press_and_told(open_page: OpenPage, book: Path) -> None:
    page = open_page("/rig")
    page.get_by_role("button", name="Make a backup").click()
    page.wait_for_selector("#rig-cared .notice")
    assert "Copied and checked" in page.inner_text("#rig-cared")
    assert len(list((book.parent / "backups").glob("bar-*.sqlite"))) == 1
