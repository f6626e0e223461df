"""The story of one drink by hand on a phone: weighed, timed by the phone's own clock, judged, and taken back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from dashboard.sources import logbook_source
from rig.logbook.store import open_logbook
from tests.browser.conftest import WAIT_MS, axe_faults, served
from tests.dashboard.live_drinks import small_logbook

OpenPage = Callable[..., Any]
PHONE = {"width": 390, "height": 844}
WEIGHED = {"pour 0": "50,2", "pour 1": "33", "pour 2": "15.4 g", "drink_temp_c": "72 °F", "ice_mass_g": "200"}


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_logbook(tmp_path_factory.mktemp("hand"))


@pytest.fixture(scope="module")
def address(book: Path) -> Iterator[str]:
    with served(logbook_source(str(book))) as address:
        yield address


def _typed(page: Any, texts: dict[str, str]) -> None:
    for text in texts.values():
        page.wait_for_selector("#hand-typed")
        before = page.inner_text("#hand-stage")
        page.fill("#hand-typed", text)
        page.locator("#hand-next").click()
        page.wait_for_function(
            "before => document.querySelector('#hand-stage').innerText !== before", arg=before
        )


def _begun(open_page: OpenPage, **how: Any) -> Any:
    page = open_page("/by-hand?target=coupe", **(PHONE | how))
    page.wait_for_selector("#hand-begin:visible")
    page.evaluate("() => localStorage.clear()")
    return page


def _in_sight(page: Any, what: str) -> bool:
    box = page.locator(what).bounding_box()
    bar = 844 - 68
    return box is not None and box["y"] >= 0 and box["y"] + box["height"] <= bar


def test_a_phone_leads_through_a_drink_and_tells_how_it_landed(open_page: OpenPage, book: Path) -> None:
    page = _begun(open_page)
    assert axe_faults(page) == []
    page.locator("#hand-begin").click()
    assert "Pour coffee concentrate" in page.inner_text("#hand-stage")
    assert _in_sight(page, "#hand-next")
    assert axe_faults(page) == []
    _typed(page, WEIGHED)
    page.wait_for_selector("#hand-start")
    assert _in_sight(page, "#hand-start")
    page.wait_for_function("() => /lands/.test(document.querySelector('#hand-call').innerText)")
    assert "22.22 °C" in page.inner_text("#hand-list")
    assert axe_faults(page) == []
    page.locator("#hand-start").click()
    page.wait_for_function("() => parseFloat(document.querySelector('#hand-big').innerText) > 1")
    assert axe_faults(page) == []
    page.wait_for_function("() => document.querySelector('#hand-big').innerText === 'STOP'")
    assert page.evaluate("() => chillrigLive.tones.filter(t => t === 'stop').length") == 1
    assert axe_faults(page) == []
    page.locator("#hand-stop").click()
    _typed(page, {"end_temp_c": "-3", "strained_mass_g": "131"})
    page.wait_for_selector("#hand-keep")
    assert axe_faults(page) == []
    page.locator("#hand-keep").click()
    page.wait_for_selector("#hand-landed")
    assert page.inner_text("#hand-landed") in ("Landed", "Missed")
    assert "foretold" in page.inner_text("#hand-why")
    assert axe_faults(page) == []
    number, cue_s = page.evaluate("() => [chillrigHand.state.number, chillrigHand.cues[0]]")
    with open_logbook(book) as logbook:
        run = next(r.run for r in logbook.list_runs("corner") if r.run.extra.get("made by hand") == number)
        assert run.duration_s is not None and run.duration_s > cue_s
        page.locator("#hand-undo").click()
        page.wait_for_selector("#hand-keep")
        assert run.run in [d.run for d in logbook.deleted_runs("corner")]


def test_a_number_that_cannot_be_is_said_and_mended_without_losing_the_way(open_page: OpenPage) -> None:
    page = _begun(open_page)
    page.locator("#hand-begin").click()
    _typed(page, WEIGHED | {"ice_mass_g": "200 stones"})
    row = page.locator(".hand-row[data-name='ice_mass_g']")
    row.get_by_text("give a number in g").wait_for()
    row.locator("button").click()
    page.fill("#hand-typed", "200")
    page.keyboard.press("Enter")
    page.wait_for_selector("#hand-start")
    page.wait_for_function("() => !document.querySelector('#hand-list').innerText.includes('give a number')")


def test_a_drink_goes_on_after_the_page_was_loaded_anew_and_the_clock_with_it(open_page: OpenPage) -> None:
    page = _begun(open_page)
    page.locator("#hand-begin").click()
    _typed(page, {"pour 0": "50"})
    page.reload()
    page.wait_for_selector("#hand-typed")
    assert "Pour dark spirit" in page.inner_text("#hand-stage")
    _typed(page, {k: v for k, v in WEIGHED.items() if k != "pour 0"})
    page.locator("#hand-start").click()
    began_ms = page.evaluate("() => chillrigHand.state.started_ms")
    page.reload()
    page.wait_for_selector("#hand-stop")
    page.locator("#hand-stop").click()
    moved_s, now_ms = page.evaluate("() => [chillrigHand.state.moved_s, Date.now()]")
    assert 0.0 < moved_s <= (now_ms - began_ms) / 1000.0
    assert page.evaluate("() => chillrigHand.state.started_ms") == began_ms


def test_a_network_that_is_gone_spoils_neither_seconds_nor_numbers(browser: Any, address: str) -> None:
    context = browser.new_context(viewport=PHONE)  # whose console complains of what cannot be reached
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(f"{address}/by-hand?target=coupe")
    page.wait_for_selector("#hand-begin:visible")
    page.locator("#hand-begin").click()
    page.route("**/by-hand/*", lambda route: route.abort())
    _typed(page, WEIGHED)
    page.locator("#hand-start").click()
    page.wait_for_function("() => parseFloat(document.querySelector('#hand-big').innerText) > 0.5")
    assert "No call yet" in page.inner_text("#hand-call")
    page.locator("#hand-stop").click()
    _typed(page, {"end_temp_c": "-3", "strained_mass_g": "131"})
    page.locator("#hand-keep").click()
    page.get_by_text("All that you typed is on this phone").wait_for()
    page.unroute("**/by-hand/*")
    page.locator("#hand-keep").click()
    page.wait_for_selector("#hand-landed")
    context.close()


def test_stopping_by_feel_hides_the_call_and_the_seconds_until_the_stop(open_page: OpenPage) -> None:
    page = _begun(open_page)
    page.get_by_text("hidden: stop by feel").click()
    page.locator("#hand-begin").click()
    _typed(page, WEIGHED)
    page.wait_for_function("() => chillrigHand.state.call")
    assert "lands" not in page.inner_text("#hand-stage")
    page.locator("#hand-start").click()
    page.wait_for_function("() => document.querySelector('#hand-big').innerText === 'By feel'")
    page.evaluate("() => { chillrigHand.state.started_ms -= 90000; chillrigHand.begun_here_ms -= 90000; }")
    assert not any(c.isdigit() for c in page.inner_text("#hand-big") + page.inner_text("#hand-call"))
    page.locator("#hand-stop").click()
    _typed(page, {"end_temp_c": "-3", "strained_mass_g": "131"})
    page.locator("#hand-keep").click()
    page.wait_for_selector("#hand-score")
    assert page.evaluate("() => chillrigLive.tones") == []
    assert "late" in page.inner_text("#hand-score h2")
    assert "more blind stop" in page.inner_text("#hand-score")


def test_the_metronome_is_put_into_the_sound_cards_own_time_ahead_and_evenly(open_page: OpenPage) -> None:
    page = _begun(open_page)
    page.locator("#hand-begin").click()
    _typed(page, WEIGHED)
    page.locator(".metronome-on").click()
    for _ in range(4):
        page.get_by_role("button", name="Faster", exact=True).click()
    assert page.inner_text(".metronome output") == "5 a second"
    page.locator("#hand-start").click()
    # a page that is held up, as by a figure that is drawn, must not be heard in the beat
    held = "() => { const until = performance.now() + 400; while (performance.now() < until); }"
    page.wait_for_function("() => chillrigMetronome.running && chillrigMetronome.next > 3")
    page.evaluate(held)
    page.wait_for_function("() => chillrigMetronome.next > 12")
    beats, ahead = page.evaluate(
        "() => [chillrigMetronome.beats, chillrigMetronome.beats.at(-1) - chillrigMetronome.audio.currentTime]"
    )
    steps = [b - a for a, b in pairwise(beats)]
    assert steps == pytest.approx([0.2] * len(steps), abs=1e-6)
    assert ahead > 0.0
    assert axe_faults(page) == []
    page.wait_for_function("() => document.querySelector('.metronome-lamp').dataset.side")
    page.locator("#hand-stop").click()
    assert page.evaluate("() => chillrigMetronome.running") is False
    assert page.evaluate("() => chillrigMetronome.pending.length") == 0


def test_the_metronomes_light_stands_still_for_who_wants_no_motion(browser: Any, address: str) -> None:
    context = browser.new_context(viewport=PHONE, reduced_motion="reduce")
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(f"{address}/by-hand?target=coupe")
    page.locator("#hand-begin").click()
    _typed(page, WEIGHED)
    page.locator(".metronome-on").click()
    page.locator("#hand-start").click()
    page.wait_for_function("() => chillrigMetronome.next > 6")
    assert page.evaluate("() => document.querySelector('.metronome-lamp').dataset.side") is None
    context.close()
