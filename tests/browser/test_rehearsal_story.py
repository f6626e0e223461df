"""A competitor looks back on a week of rehearsal; a bar works out a recipe, its coffee and its glass."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dashboard.service import BenchView
from rig.fitting import fit
from tests.browser.conftest import axe_faults, opening, served
from tests.dashboard.benches import source_of_view

OpenPage = Callable[..., Any]
TOGETHER = "#rehearsal-together .main-svg"


@pytest.fixture(scope="module")
def rehearsed(view: BenchView) -> BenchView:
    """The small bench with its runs in two sessions."""
    runs = tuple(
        replace(r, session=f"evening {1 + (k % 5 > 2)}", foam_ml=8.0 + k % 5, foam_half_life_s=90.0 + k)
        for k, r in enumerate(view.book.runs)
    )
    book = replace(view.book, runs=runs)
    return BenchView("corner", book, fit(book))


@pytest.fixture
def open_rehearsal(browser: Any, rehearsed: BenchView) -> Iterator[OpenPage]:
    with served(source_of_view(rehearsed)) as address, opening(browser, address) as opened:
        yield opened


def _shot(page: Any, name: str) -> None:
    """A picture to look at, where a folder for pictures is named."""
    folder = os.environ.get("CHILLRIG_SHOTS", "")
    if folder:
        page.screenshot(path=f"{folder}/{name}.png", full_page=True)


def _fits(page: Any) -> None:
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0


def test_a_competitor_sees_what_to_practise_replays_two_runs_and_takes_a_run_sheet(
    open_rehearsal: OpenPage,
) -> None:
    page = open_rehearsal("/rehearsal?target=coupe")
    page.wait_for_selector(TOGETHER)
    assert page.inner_text("h1") == "Rehearsal"
    head = page.inner_text("#rehearsal-head")
    assert head.index("What to practise") < head.index("How often it lands")
    assert "of 5 landed" in head
    _shot(page, "rehearsal-1440")
    assert axe_faults(page) == []

    page.get_by_role("button", name="Play both").click()
    page.get_by_role("button", name="Play again").wait_for()
    drawn = "document.querySelector('#rehearsal-together .js-plotly-plot')._fullData"
    assert page.evaluate(f"Math.max(...{drawn}.map(t => t.x.length))") == 160

    page.locator("details.ask summary", has_text="sessions").click()
    page.get_by_role("group", name="Sessions").get_by_text("evening 2").click()
    page.get_by_text("of 3 landed").wait_for()
    page.wait_for_function("() => location.search.includes('session=evening+1')")
    whole = page.url
    page.goto(whole)
    page.get_by_text("of 3 landed").wait_for()
    page.locator("details.ask summary", has_text="sessions").click()
    page.get_by_role("group", name="Sessions").get_by_text("evening 1").click()
    page.get_by_text("no session is chosen").wait_for()

    page.get_by_role("link", name="Which runs to make next").click()
    page.get_by_text("Make them in this order").wait_for()
    page.wait_for_function("() => location.search.includes('count=6')")
    assert "→" in page.inner_text("#plan-head")
    _shot(page, "next-runs-1440")
    assert axe_faults(page) == []
    with page.expect_download() as download:
        page.get_by_role("link", name="Run sheet to fill in (CSV)").click()
    assert download.value.suggested_filename == "next-runs.csv"
    sheet = Path(download.value.path()).read_text(encoding="utf-8")
    assert len(sheet.strip().splitlines()) == 7


def test_a_rehearsal_is_read_on_a_phone_in_the_dark(open_rehearsal: OpenPage) -> None:
    page = open_rehearsal("/rehearsal", width=390, height=844, scheme="dark")
    page.wait_for_selector(TOGETHER)
    _fits(page)
    _shot(page, "rehearsal-390-dark")
    assert axe_faults(page) == []
    page.get_by_text("Light or dark", exact=True).click()
    page.get_by_text("Light", exact=True).click()
    drawn = "() => getComputedStyle(document.querySelector('#rehearsal-together .main-svg')).backgroundColor"
    page.wait_for_function(f"() => ({drawn})() === 'rgb(255, 255, 255)'")
    page.goto(page.url.replace("/rehearsal", "/rehearsal/next-runs"))
    page.get_by_text("Make them in this order").wait_for()
    _fits(page)
    _shot(page, "next-runs-390-dark")


def test_a_bar_works_out_a_recipe_its_coffee_and_its_glass(open_rehearsal: OpenPage) -> None:
    page = open_rehearsal("/recipe")
    page.wait_for_selector("#recipe-foam .main-svg, #recipe-texture p")
    page.wait_for_selector("#recipe-wash-line .main-svg")
    before = page.inner_text("#recipe-head .big")
    assert not page.get_by_label("Strength to land on").is_visible()
    page.get_by_label("Water to").fill("80")
    page.wait_for_function("b => document.querySelector('#recipe-head .big')?.innerText !== b", arg=before)
    page.get_by_text("land on a strength", exact=True).click()
    page.get_by_text("New pours").wait_for()
    assert page.get_by_label("Strength to land on").is_visible()
    page.wait_for_function("() => location.search.includes('change=strengthen')")
    _shot(page, "recipe-1440")
    assert axe_faults(page) == []
    page.goto(page.url)
    page.get_by_text("New pours").wait_for()
    assert page.get_by_label("Water to").input_value() == "80"

    page.get_by_role("link", name="The coffee", exact=True).click()
    page.wait_for_selector("#coffee-resting .main-svg")
    assert page.get_attribute("nav a[aria-current='page'][href^='/recipe/coffee']", "href")
    page.get_by_label("Brews", exact=True).fill("3")
    page.get_by_text("△ Above what is held safe at once").wait_for()
    _shot(page, "coffee-1440")
    assert axe_faults(page) == []

    page.get_by_role("link", name="The glass", exact=True).click()
    page.wait_for_selector("#glass-sips .main-svg")
    assert page.locator("main .notice").count() == 0
    page.get_by_text("Bands: still to breezy rooms").wait_for()
    _shot(page, "glass-1440")
    assert axe_faults(page) == []
    page.get_by_text("rocks glass", exact=True).click()
    page.get_by_label("Ice in the glass").fill("100")
    page.get_by_text("over 100 g of ice").wait_for()
    page.wait_for_function("() => location.search.includes('ice_mass_g=100')")
    page.get_by_role("link", name="The drink", exact=True).click()
    page.wait_for_selector("#recipe-head .big")


@pytest.mark.parametrize("part", ["", "/coffee", "/glass"])
def test_every_part_of_a_recipe_is_read_on_a_phone_in_the_dark(open_rehearsal: OpenPage, part: str) -> None:
    page = open_rehearsal(f"/recipe{part}", width=390, height=844, scheme="dark")
    page.wait_for_selector("main figure .main-svg")
    page.wait_for_selector("main .big")
    _fits(page)
    _shot(page, f"recipe{part.replace('/', '-')}-390-dark")
    assert axe_faults(page) == []
