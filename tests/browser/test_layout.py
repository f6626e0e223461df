"""Nothing jumps while a page comes, the number follows the hand, and a phone's bar has five places."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dashboard.app import PAGES
from tests.browser.conftest import axe_faults, opening

OpenPage = Callable[..., Any]
SETTLED = {
    "/shake-time": "#call-levers h2",
    "/compare": "#compare-averages .main-svg",
    "/rehearsal": "#rehearsal-spread .main-svg",
    "/runs": "table.runs tbody tr",
    "/recipe": "main h1",
    "/rig": "main h1",
    "/guide": ".guide section p",
    "/live": "#live-begin:visible",
    "/live/projector": "#wall-side h2",
    "/live/remote": "#remote-can li",
    "/by-hand": "#hand-begin:visible",
    "/runs/a3": "#run-residuals .main-svg",
    "/runs/bring-in": "main h1",
    "/runs/bring-in/several": "main h1",
    "/runs/sheet": "main h1",
    "/bench": "main h1",
    "/bench/vessels/steel tin": "main h1",
    "/compare/what-to-use": "#use-shares .js-plotly-plot .bars",
    "/compare/all-benches": "main h1",
    "/rig/kit": "#kit-answer table",
    "/compare/projector": "main h1",
    "/rehearsal/next-runs": "#plan-head p",
    "/recipe/coffee": "#coffee-head p",
    "/recipe/glass": "#glass-head p",
}
MOST_SHIFT = 0.02
# layout-shift entries of the Layout Instability API; those within half a second of a press do not count
WATCH = """
window.shift = 0;
new PerformanceObserver(list => {
    for (const entry of list.getEntries()) if (!entry.hadRecentInput) window.shift += entry.value;
}).observe({type: 'layout-shift', buffered: true});
"""


def test_every_page_is_watched_while_it_comes() -> None:
    plain = {p.path for p in PAGES}
    below = [path for path in plain if path.endswith("/")]
    watched = {a if a in plain else next(path for path in below if a.startswith(path)) for a in SETTLED}
    assert watched == plain


@pytest.mark.parametrize("width", [1440, 390])
@pytest.mark.parametrize("path", SETTLED)
def test_nothing_in_sight_moves_while_a_page_comes(browser: Any, address: str, path: str, width: int) -> None:
    context = browser.new_context(viewport={"width": width, "height": 900 if width > 999 else 844})
    context.add_init_script(WATCH)
    page = context.new_page()
    page.set_default_timeout(180_000)
    page.goto(address + path)
    page.wait_for_selector(SETTLED[path])
    # two frames, so that what the last answer moved has been counted
    page.evaluate("() => new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))")
    shift = page.evaluate("() => window.shift")
    context.close()
    assert shift < MOST_SHIFT


def test_a_phones_bar_has_five_places_for_a_thumb_and_the_rest_behind_the_last(open_page: OpenPage) -> None:
    page = open_page("/shake-time", width=390, height=844)
    page.wait_for_selector("#call-head .big")
    bar = page.locator("nav .places > li")
    assert bar.count() == 5
    boxes = [box for k in range(5) if (box := bar.nth(k).bounding_box()) is not None]
    assert len({round(b["y"]) for b in boxes}) == 1
    assert all(b["height"] >= 56 and b["width"] >= 56 for b in boxes)
    assert boxes[0]["y"] + boxes[0]["height"] <= 844
    assert 844 - boxes[0]["y"] < 844 / 10
    rehearsal = page.get_by_role("link", name="Rehearsal", exact=True)
    assert not rehearsal.is_visible()
    page.get_by_role("button", name="More", exact=True).click()
    assert page.get_attribute("#ways-more", "aria-expanded") == "true"
    assert axe_faults(page) == []
    rehearsal.click()
    page.wait_for_selector("#rehearsal-head .room-said")
    assert not rehearsal.is_visible()


def test_the_number_beside_a_slider_follows_the_hand_before_it_lets_go(open_page: OpenPage) -> None:
    page = open_page("/shake-time?target=short")
    page.wait_for_selector("#call-head .big")
    page.locator("details.ask").nth(0).locator("summary").click()
    box = page.locator("#call-drink_temp_c").bounding_box()
    assert box is not None
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] / 2, y)
    page.mouse.down()
    seen = []
    for share in (0.6, 0.7, 0.8):
        page.mouse.move(box["x"] + share * box["width"], y)
        page.wait_for_function(
            "() => parseFloat(document.querySelector('#call-drink_temp_c-shown').innerText)"
            " === Number(document.querySelector('#call-drink_temp_c').value)"
        )
        seen.append(page.inner_text("#call-drink_temp_c-shown"))
    assert len(set(seen)) == 3
    page.mouse.up()
    assert seen[-1] in page.locator("details.ask summary").nth(0).inner_text()


def test_a_desk_shows_all_that_is_asked_in_one_row_and_the_curves_above_the_fold(open_page: OpenPage) -> None:
    page = open_page("/shake-time")
    page.wait_for_selector("#call-landing .main-svg")
    rows = {round(b["y"]) for e in page.locator("details.ask").all() if (b := e.bounding_box()) is not None}
    assert len(rows) == 1
    drawn = page.locator("#call-landing").bounding_box()
    assert drawn is not None
    assert drawn["y"] < 400
    said = " ".join(page.locator("details.ask summary").all_inner_texts())
    assert "steel tin" in said
    assert "shake" in said


@pytest.mark.parametrize("width", [1440, 390])
def test_compare_opens_with_the_picture_and_the_targets_window(open_page: OpenPage, width: int) -> None:
    page = open_page("/compare?target=coupe", width=width)
    page.wait_for_selector("#compare-path .main-svg")
    picture, words = (
        page.locator(f".picture-first > .{name}").bounding_box() for name in ("drawn", "answer")
    )
    assert picture is not None and words is not None
    if width > 999:
        assert words["x"] > picture["x"] + picture["width"] - 1
        assert abs(words["y"] - picture["y"]) < 1
    else:
        assert words["y"] >= picture["y"] + picture["height"] - 1
    assert page.evaluate("document.querySelector('#compare-path .js-plotly-plot').layout.shapes.length") >= 1


def test_a_chip_closes_by_its_button_by_escape_and_by_a_press_beside_it(browser: Any, address: str) -> None:
    with opening(browser, address) as opened:
        page = opened("/shake-time", width=390, height=844)
        page.wait_for_selector("#call-head .big")
        first = page.locator("details.ask").nth(0)
        for shut in ("button", "escape", "beside"):
            first.locator("summary").click()
            assert first.get_attribute("open") is not None
            if shut == "button":
                first.get_by_role("button", name="Done").click()
            elif shut == "escape":
                page.keyboard.press("Escape")
            else:
                page.mouse.click(200, 20)
            assert first.get_attribute("open") is None


@pytest.mark.parametrize("path", ["/recipe", "/guide"])
def test_only_the_bar_of_places_lies_over_a_phones_page(open_page: OpenPage, path: str) -> None:
    page = open_page(path, width=390, height=844)
    page.wait_for_selector("main nav", state="attached")
    fixed = page.evaluate(
        "() => [...document.querySelectorAll('nav')]"
        ".filter(n => getComputedStyle(n).position === 'fixed').map(n => n.id)"
    )
    assert fixed == ["ways"]
