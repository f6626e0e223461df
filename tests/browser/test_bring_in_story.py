"""Somebody drops a logger's table whose dates leave a question, answers it, and finds the run."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import axe_faults
from tests.dashboard.logger_tables import SCALE, TIMER
from tests.dashboard.test_bring_in_several import FILES, scale, stamped

OpenPage = Callable[..., Any]


def _shot(page: Any, name: str) -> None:
    """A picture of the whole page, where somebody wants to look."""
    if where := os.environ.get("SHOTS"):
        page.screenshot(path=str(Path(where) / f"{name}-{page.viewport_size['width']}.png"), full_page=True)


def _choose(page: Any, *files: tuple[str, bytes]) -> None:
    sent = [{"name": name, "mimeType": "text/csv", "buffer": raw} for name, raw in files]
    page.locator("#bring-upload input[type=file]").set_input_files(sent)


@pytest.mark.parametrize("width", [1440, 390])
def test_an_ambiguous_table_is_asked_about_then_stored_and_seen(
    open_logbook_page: OpenPage, width: int
) -> None:
    page = open_logbook_page("/runs", width=width)
    page.get_by_role("link", name="Bring in tables").click()
    page.locator("#bring-upload input[aria-label]").wait_for(state="attached")
    assert axe_faults(page) == []
    _shot(page, "bring-empty")

    _choose(page, ("bar probe.csv", TIMER))
    page.get_by_text("may be hours and minutes or minutes and seconds").wait_for()
    assert axe_faults(page) == []
    _shot(page, "bring-asked")
    page.get_by_label("mm:ss", exact=True).check()
    page.get_by_role("button", name="Read again").click()
    page.get_by_text("temperature").first.wait_for()
    _shot(page, "bring-read")
    assert axe_faults(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")

    page.get_by_label("Name of the run").fill("q9")
    for of in ("technique", "vessel", "ice", "recipe"):
        page.locator(f"#bring-{of} label").first.click()
    page.get_by_label("Moved for [s]").fill("12")
    page.get_by_role("button", name="Store the run").click()
    page.get_by_role("link", name="run q9").wait_for()
    _shot(page, "bring-stored")
    page.get_by_role("button", name="Store the run").click()
    page.get_by_text("Nothing was stored: there is a run 'q9'").wait_for()
    page.get_by_role("link", name="Runs", exact=True).click()
    page.get_by_role("link", name="q9", exact=True).click()
    page.wait_for_selector("#run-trace .main-svg")
    assert "q9" in page.inner_text("h1")


def test_a_column_taken_wrongly_is_put_right_by_its_select(open_logbook_page: OpenPage) -> None:
    page = open_logbook_page("/runs/bring-in")
    page.get_by_role("button", name="Choose tables").wait_for()
    _choose(page, ("scale.csv", SCALE))
    page.get_by_text("The unit of 'load' is open").wait_for()
    assert not page.get_by_role("button", name="Store the run").is_visible()
    page.get_by_text("Change column 2").click()
    page.get_by_role("group", name="Column 2 measures").get_by_label("in kg").check()
    _shot(page, "bring-change")
    page.get_by_role("button", name="Read again").click()
    page.get_by_text("100 to 390 g").wait_for()
    page.get_by_text("Change column 2").click()
    page.get_by_role("group", name="Column 2 measures").get_by_label("in oz").check()
    page.get_by_role("button", name="Store the run").click()
    page.get_by_text("Nothing was stored: the answers have changed").wait_for()


def test_files_that_are_too_large_are_told_before_anything_is_sent(open_logbook_page: OpenPage) -> None:
    page = open_logbook_page("/runs/bring-in")
    page.get_by_role("button", name="Choose tables").wait_for()
    _choose(page, ("long.csv", b"1,2\n" * 300_000))
    page.get_by_text("larger than 700 kB").wait_for()


@pytest.mark.parametrize("width", [1440, 390])
def test_several_runs_are_seen_merged_and_stored_at_once(open_logbook_page: OpenPage, width: int) -> None:
    page = open_logbook_page("/runs/bring-in", width=width)
    page.get_by_role("link", name="Bring in several runs").click()
    page.locator("#drawer-upload input[aria-label]").wait_for(state="attached")
    assert axe_faults(page) == []
    left = stamped(scale(), "scale_g")
    files = [("m1 probe.csv", stamped(FILES[0][1], "probe_c")), ("shelf.csv", left), *FILES[1:]]
    sent = [{"name": name, "mimeType": "text/csv", "buffer": raw} for name, raw in files]
    page.locator("#drawer-upload input[type=file]").set_input_files(sent)
    first = page.get_by_role("region", name="m1probe").or_(page.locator(".drawer-run").first)
    first.locator("img").wait_for()
    _shot(page, "several-found")
    assert axe_faults(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    runs = page.locator(".drawer-run")
    count = runs.count()
    for n, name in enumerate(["k1", "k2", "k3"][:count]):
        runs.nth(n).get_by_label("Name").fill(name)
    runs.nth(count - 1).get_by_label("Starts at").fill("9,5")
    page.get_by_role("button", name="Look again").click()
    page.get_by_text("Motion starts at 9.5 s").wait_for()
    page.locator(".drawer-run").nth(0).get_by_label("bring it in").uncheck()
    for of in ("technique", "vessel", "ice", "recipe"):
        page.locator(f"#drawer-{of} label").first.click()
    page.get_by_role("button", name="Store these runs").click()
    page.get_by_text(f"Stored {count - 1} runs: k2").wait_for()
    if width < 500:
        page.get_by_role("button", name="More").click()
    page.get_by_role("link", name="Bench", exact=True).click()
    page.get_by_role("button", name=f"Undo: {count - 1} runs brought in").click()
    page.get_by_text(f"Taken back: {count - 1} runs brought in").wait_for()
