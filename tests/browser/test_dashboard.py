from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

OpenPage = Callable[..., Any]
PAGES = {
    "/runs": "table.runs tbody tr",
    "/runs?over=a1&over=a2": "#runs-over-figure .main-svg",
    "/runs/b3": "#run-trace .main-svg",
    "/compare/projector": ".guess",
    "/compare": "#compare-averages .main-svg",
    "/compare?recipe=night+shift": "#compare-check-figure .main-svg",
    "/shake-time": "#call-levers h2",
    "/guide": ".guide section p",
    "/rig/kit?have=scale": "#kit-answer tbody tr",
}
BIG = "#call-head .big"


def _call(page: Any) -> str:
    page.wait_for_selector(BIG)
    return str(page.inner_text("#call-head"))


def _opened(page: Any) -> None:
    """All chips open, as a press on each would have it."""
    page.evaluate("() => document.querySelectorAll('details.ask').forEach(d => { d.open = true; })")


def _pressed(page: Any, label: str) -> None:
    """Press the chip whose sheet holds a control, unless it is open; the sheets of two lie in the same place."""
    chip = page.locator("details.ask").filter(has=page.get_by_label(label, exact=True))
    if chip.get_attribute("open") is None:
        chip.locator("summary").click()


def _until_changed(page: Any, before: str) -> str:
    page.wait_for_function(
        "before => { const head = document.querySelector('#call-head'); "
        "return head && head.innerText && head.innerText !== before; }",
        arg=before,
    )
    return str(page.inner_text("#call-head"))


def test_every_page_is_reached_by_its_link_and_stays_in_the_house(open_page: OpenPage) -> None:
    page = open_page("/")
    _call(page)
    for name, heading, settled in (
        ("Runs", "Runs", PAGES["/runs"]),
        ("Compare", "Compare", PAGES["/compare"]),
        ("Shake time", "Shake time", PAGES["/shake-time"]),
    ):
        page.get_by_role("link", name=name, exact=True).click()
        page.wait_for_selector(settled)
        assert page.inner_text("h1") == heading
        assert page.title() == f"{heading} · chillrig"
        assert page.get_attribute("nav a[aria-current='page']", "href").startswith(
            f"/{name.lower().replace(' ', '-')}"
        )
    page.go_back()
    page.wait_for_selector(PAGES["/compare"])


def test_a_slider_moved_by_keyboard_changes_the_call_and_the_address(open_page: OpenPage) -> None:
    page = open_page("/shake-time?ice=wet+cube&drink_temp_c=20&target=short")
    before = _call(page)
    _opened(page)
    slider = page.get_by_label("Drink before the ice", exact=True)
    slider.focus()
    for _ in range(3):
        page.keyboard.press("PageUp")
    after = _until_changed(page, before)
    assert after != before
    shown = slider.input_value()
    assert float(shown) > 20
    assert page.inner_text("#call-drink_temp_c-shown") == f"{float(shown):g} °C"
    page.wait_for_function("value => location.search.includes(`drink_temp_c=${value}`)", arg=shown)


def test_a_slider_moved_is_asked_and_its_box_brings_back_what_is_usual(open_page: OpenPage) -> None:
    page = open_page("/shake-time?target=short")
    usual = _call(page)
    assert "asked" not in usual
    _pressed(page, "Drink before the ice as usual")
    box = page.get_by_role("checkbox", name="Drink before the ice as usual")
    assert box.is_checked()
    page.get_by_label("Drink before the ice", exact=True).focus()
    page.keyboard.press("PageUp")
    moved = _until_changed(page, usual)
    assert "(asked)" in moved and not box.is_checked()
    page.wait_for_function("() => location.search.includes('drink_temp_c=')")
    _pressed(page, "Drink before the ice as usual")
    box.check()
    assert _until_changed(page, moved) == usual
    page.wait_for_function("() => !location.search.includes('drink_temp_c=')")


def test_an_address_restores_what_was_asked(open_page: OpenPage) -> None:
    page = open_page("/shake-time?ice=wet+cube&ice_mass_g=240&drink_temp_c=55&target=short&dilution_high=44")
    _call(page)
    _opened(page)
    assert page.get_by_role("radio", name="wet cube").is_checked()
    assert page.get_by_role("radio", name="short").is_checked()
    assert page.get_by_label("Ice, weighed", exact=True).input_value() == "240"
    assert page.get_by_label("Drink before the ice", exact=True).input_value() == "55"
    assert page.get_by_label("Dilution to").input_value() == "44"
    page.wait_for_function("() => location.search.includes('recipe=night')")
    whole = page.url
    first = _call(page)
    page.goto(whole)
    assert _call(page) == first
    _opened(page)
    assert page.get_by_label("Dilution to").input_value() == "44"


def test_a_named_target_moves_its_sliders_and_another_ice_its_own(open_page: OpenPage) -> None:
    page = open_page("/shake-time")
    before = _call(page)
    chips = page.locator("details.ask summary")
    chips.nth(3).click()
    page.get_by_text("short", exact=True).click()
    changed = _until_changed(page, before)
    assert page.get_by_label("Serve at or below").input_value() == "2"
    chips.nth(2).click()
    page.get_by_text("wet cube", exact=True).click()
    _until_changed(page, changed)
    page.wait_for_function("() => document.getElementById('call-ice_temp_c').value === '0'")


def test_set_ups_chosen_in_a_comparison_are_drawn_and_kept_in_the_address(open_page: OpenPage) -> None:
    page = open_page("/compare?target=")
    page.wait_for_selector(PAGES["/compare"])
    said = "document.querySelectorAll('#compare-answer .answer section:first-child h2:first-child + ul li').length"
    assert page.evaluate(said) == 1
    page.locator("details.ask summary").nth(1).click()
    page.locator("#compare-set_up").get_by_text("stir · mixing glass · wet cube", exact=True).click()
    page.wait_for_function(f"() => {said} === 3")
    page.wait_for_function("() => location.search.includes('stir')")
    whole = page.url
    page.goto(whole)
    page.wait_for_function(f"() => {said} === 3")


def test_runs_are_narrowed_by_a_filter_and_opened_by_their_name(open_page: OpenPage) -> None:
    page = open_page("/runs")
    page.wait_for_selector(PAGES["/runs"])
    page.get_by_text("Filter", exact=True).click()
    page.get_by_role("radiogroup", name="Verdict").get_by_text("doubtful").click()
    page.wait_for_function("() => document.querySelectorAll('table.runs tbody tr').length === 1")
    page.get_by_role("link", name="b3").click()
    page.wait_for_selector(PAGES["/runs/b3"])
    assert "strained mass is" in page.inner_text("main")
    page.go_back()
    page.wait_for_function("() => document.querySelectorAll('table.runs tbody tr').length === 1")


def test_the_tab_key_reaches_every_control_and_shows_where_it_is(open_page: OpenPage) -> None:
    page = open_page("/shake-time")
    page.wait_for_selector(PAGES["/shake-time"])
    _opened(page)
    reached, unseen = [], []
    for _ in range(60):
        page.keyboard.press("Tab")
        name, seen = page.evaluate(
            """() => {
                const e = document.activeElement, shown = e.closest("label, .slider") || e;
                const marked = [e, shown].some(x => getComputedStyle(x).outlineStyle !== "none");
                return [e === document.body ? "" : e.id || e.name || e.innerText || e.tagName, marked];
            }"""
        )
        if not name:
            break
        reached.append(name)
        if not seen:
            unseen.append(name)
    assert reached[0] == "Skip to the page"
    assert unseen == []
    sliders = (
        "drink_temp_c",
        "ice_temp_c",
        "ice_mass_g",
        "serve_temp_c_max",
        "dilution_low",
        "dilution_high",
    )
    choices = ("recipe", "ice", "target", "technique", "vessel")
    wanted = {"Runs", "Compare", "Shake time", "Light or dark"} | {f"call-{n}" for n in (*sliders, *choices)}
    assert wanted <= set(reached)


def test_the_page_follows_the_systems_light_and_can_be_switched(open_page: OpenPage) -> None:
    page = open_page("/shake-time", scheme="dark")
    page.wait_for_selector("#call-landing .main-svg")
    paper = "() => getComputedStyle(document.body).backgroundColor"
    drawn = "() => getComputedStyle(document.querySelector('#call-landing .main-svg')).backgroundColor"
    dark = page.evaluate(paper)
    assert page.evaluate(drawn) == dark == "rgb(21, 24, 28)"
    page.get_by_text("Light or dark", exact=True).click()
    page.get_by_text("Light", exact=True).click()
    page.wait_for_function(f"() => ({drawn})() === 'rgb(255, 255, 255)'")
    assert page.evaluate(paper) == "rgb(255, 255, 255)"
    page.reload()
    page.wait_for_selector("#call-landing .main-svg")
    assert page.evaluate(paper) == "rgb(255, 255, 255)"


@pytest.mark.parametrize("path", PAGES)
def test_a_phone_needs_no_sideways_scrolling_and_its_targets_are_large(
    open_page: OpenPage, path: str
) -> None:
    page = open_page(path, width=390, height=844)
    page.wait_for_selector(PAGES[path])
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    small = page.evaluate(
        """() => [...document.querySelectorAll("nav a, .chips label, .slider input, summary")]
            .filter(e => e.offsetParent !== null && e.getBoundingClientRect().height < 44)
            .map(e => e.outerHTML)"""
    )
    assert small == []


def test_on_a_phone_the_call_stays_in_sight_while_its_sliders_move(open_page: OpenPage) -> None:
    page = open_page("/shake-time", width=390, height=844)
    _call(page)
    _opened(page)
    page.get_by_label("Dilution to").scroll_into_view_if_needed()
    box = page.locator(BIG).bounding_box()
    assert box is not None
    assert 0 <= box["y"] < 844


def test_an_address_that_cannot_be_meant_is_answered_in_words(open_page: OpenPage) -> None:
    page = open_page("/shake-time?ice=gravel")
    page.wait_for_selector("main .notice")
    assert "there is no ice 'gravel'" in page.inner_text("main .notice >> nth=0")
    assert re.search(r"\d+ s", _call(page))
