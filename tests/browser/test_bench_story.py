"""Somebody with an empty logbook makes a bench, brings in six runs and gets a call; then every step is undone."""

from __future__ import annotations

import csv
import io
import os
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dashboard.sources import logbook_source
from rig.importing.bench_folder import open_bench
from rig.logbook.store import open_logbook
from tests.browser.conftest import axe_faults, opening, served
from tests.dashboard.benches import close

ROOT = Path(__file__).parents[2]
CLASS = ROOT / "sample_logs" / "evening_class"
SET_UP = ("shake", "two-piece steel", "bar cube", "breakwater rested")
TYPED = {
    "duration_s": "Shaken or stirred for [s]",
    "drink_mass_g": "Drink before the ice [g]",
    "drink_temp_c": "Drink before the ice [°C]",
    "ice_mass_g": "Ice [g]",
    "ice_temp_c": "Ice [°C]",
    "room_temp_c": "Room [°C]",
    "strained_mass_g": "Strained [g]",
}


def six_runs() -> list[dict[str, str]]:
    """Six runs of one drink on one set-up, as a notebook has them."""
    with (CLASS / "run_sheet.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    mine = [r for r in rows if (r["technique"], r["vessel"], r["ice"], r["recipe"]) == SET_UP and r["trace"]]
    return mine[:6]


@pytest.fixture
def empty(browser: Any, tmp_path: Path) -> Iterator[tuple[Any, Path]]:
    """A page opener on a logbook with nothing in it, and where that is."""
    at = tmp_path / "own.sqlite"
    open_logbook(at).close()
    source = logbook_source(str(at))
    with served(source) as address, opening(browser, address) as opened:
        yield opened, at
    close(source)


def shot(page: Any, name: str) -> None:
    """A picture of the whole page, where somebody wants to look."""
    if where := os.environ.get("SHOTS"):
        page.screenshot(path=str(Path(where) / f"{name}-{page.viewport_size['width']}.png"), full_page=True)


def comma(text: str) -> str:
    return text.replace(".", ",").replace("-", "−")


def save(page: Any, name: str) -> None:
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_text(f"{name} is on the bench").wait_for()


@pytest.mark.slow
def test_a_bench_is_made_from_nothing_to_its_first_call_and_every_step_is_undone(
    empty: tuple[Any, Path], tmp_path: Path
) -> None:
    open_page, at = empty
    page = open_page("/")
    page.get_by_role("link", name="Begin a bench here").click()
    page.get_by_label("Name of the bench").fill("quay")
    assert axe_faults(page) == []
    page.get_by_role("button", name="Begin the bench").click()
    page.get_by_role("link", name="Add a vessel").click()

    page.get_by_label("Name", exact=True).fill("two-piece steel")
    page.get_by_label("Mass, empty [g]").fill("heavy")
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_text("Nothing was changed: Mass, empty: 'heavy' is not a number").wait_for()
    page.get_by_label("Mass, empty [g]").fill("0,31 kg")
    page.get_by_label("Held back [g]").fill("3")
    save(page, "two-piece steel")

    page.get_by_role("link", name="All of the bench").first.click()
    page.get_by_role("link", name="Add an ice").click()
    page.get_by_label("Name", exact=True).fill("bar cube")
    page.get_by_label("cube", exact=True).check()
    page.get_by_label("Edge, or diameter [mm]").fill("31")
    page.get_by_label("Usual temperature [°C]").fill("−0,5")
    save(page, "bar cube")

    page.get_by_role("link", name="All of the bench").first.click()
    page.get_by_role("link", name="Add a recipe").click()
    page.get_by_label("Name", exact=True).first.fill("breakwater rested")
    first = page.get_by_role("group", name="Ingredient 1")
    first.get_by_label("Name").fill("black coffee")
    first.get_by_label("Volume [ml]").fill("60")
    page.get_by_role("button", name="Add an ingredient").click()
    second = page.get_by_role("group", name="Ingredient 2")
    second.get_by_label("Name").fill("grain spirit")
    second.get_by_label("Volume [ml]").fill("4 cl")
    second.get_by_label("Alcohol [% vol]").fill("40")
    page.get_by_role("button", name="Add an ingredient").click()
    third = page.get_by_role("group", name="Ingredient 3")
    third.get_by_label("Name").fill("syrup")
    third.get_by_label("Volume [ml]").fill("12")
    third.get_by_label("Sugar [g/100 ml]").fill("61,5")
    third.get_by_label("Allergens").fill("tree nuts")
    assert axe_faults(page) == []
    save(page, "breakwater rested")

    page.get_by_role("link", name="All of the bench").first.click()
    page.get_by_role("link", name="Add a target").click()
    page.get_by_label("Name", exact=True).fill("class glass")
    page.get_by_label("Served at most at [°C]").fill("3")
    page.get_by_label("Water added ÷ starting volume from").fill("38 %")
    page.get_by_label("Water added ÷ starting volume to").fill("0,5")
    save(page, "class glass")
    shot(page, "bench-target")

    page.get_by_role("link", name="Runs", exact=True).click()
    page.get_by_role("link", name="Bring in tables").click()
    for run in six_runs():
        page.locator("#bring-zone input[type=file]").first.wait_for(state="attached")
        raw = (CLASS / run["trace"]).read_bytes()
        sent = {"name": f"{run['run']} probe.csv", "mimeType": "text/csv", "buffer": raw}
        page.locator("#bring-zone input[type=file]").first.set_input_files([sent])
        page.get_by_label("Name of the run").fill(run["run"])
        for of, name in zip(("technique", "vessel", "ice", "recipe"), SET_UP, strict=True):
            page.locator(f"#bring-{of}").get_by_label(name, exact=True).check()
        page.get_by_label(TYPED["duration_s"]).fill(comma(run["duration_s"]))
        if not page.get_by_label("Strained [g]").is_visible():
            page.get_by_text("What was weighed and measured by hand").click()
        for key, label in TYPED.items():
            page.get_by_label(label, exact=True).fill(comma(run[key]))
        page.get_by_role("button", name="Store the run").click()
        page.get_by_role("link", name=f"run {run['run']}").wait_for()
        page.get_by_role("link", name="Runs", exact=True).click()
        page.get_by_role("link", name="Bring in tables").click()

    page.get_by_role("link", name="Shake time").click()
    page.wait_for_selector("#call-head .big")
    assert " s" in page.inner_text("#call-head .big")
    shot(page, "bench-first-call")

    page.get_by_role("link", name="Bench", exact=True).click()
    page.get_by_role("button", name="Undo: run").wait_for()
    shot(page, "bench-done")
    assert axe_faults(page) == []
    with page.expect_download() as waiting:
        page.get_by_role("link", name="Take it away as a folder").click()
    with zipfile.ZipFile(io.BytesIO(Path(waiting.value.path()).read_bytes())) as archive:
        archive.extractall(tmp_path / "away")
    away = open_bench(tmp_path / "away" / "quay")
    with open_logbook(at) as logbook:
        kept = [replace(r, trace_file=f"{r.run}.csv") for r in logbook.book("quay").runs]
        assert away.bench == logbook.bench("quay") and list(away.runs) == kept and len(kept) == 6
        assert away.bench.vessel("two-piece steel").mass_g == 310.0
        assert away.bench.recipe("breakwater rested").allergens == ("tree nuts",)
        assert away.bench.target("class glass").dilution_by_volume == (0.38, 0.5)

    expected = [f"run {r['run']} brought in" for r in reversed(six_runs())]
    expected += ["target class glass added", "recipe breakwater rested added", "ice bar cube added"]
    expected += ["vessel two-piece steel added", "the bench begun"]
    for words in expected:
        page.get_by_role("button", name=f"Undo: {words}").click()
        if words != "the bench begun":
            page.get_by_text(f"Taken back: {words}").wait_for()
    page.get_by_role("heading", name="A new bench").wait_for()
    with open_logbook(at) as logbook:
        assert logbook.benches() == ()


@pytest.mark.parametrize("width", [1440, 390])
def test_a_sheet_is_pasted_put_right_saved_and_undone_by_keyboard(open_logbook_page: Any, width: int) -> None:
    page = open_logbook_page("/runs", width=width)
    page.get_by_role("link", name="Edit as a run sheet").click()
    cell = page.get_by_label("Ice temperature [°C], run a1", exact=True)
    cell.wait_for()
    assert axe_faults(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    was = cell.input_value()
    cell.fill("-3,5")
    cell.press("Enter")
    below = page.evaluate("document.activeElement.getAttribute('aria-label')")
    assert below.startswith("Ice temperature [°C], ") and "a1" not in below
    pasted = (
        "run\ttechnique\tvessel\tice\trecipe\tduration_s\nn1\tshake\ttin\tfreezer cube\tnone such\t12,5\n"
    )
    page.get_by_label("Run, new row 1", exact=True).focus()
    page.evaluate(
        """(text) => { const data = new DataTransfer(); data.setData('text/plain', text);
        document.activeElement.dispatchEvent(new ClipboardEvent('paste',
        { clipboardData: data, bubbles: true, cancelable: true })); }""",
        pasted,
    )
    recipe = page.get_by_label("Which recipe, new row 1", exact=True)
    page.locator(".sheet-faults").wait_for()
    assert recipe.get_attribute("aria-invalid") == "true"
    assert "no recipe 'none such'" in recipe.get_attribute("aria-description")
    shot(page, "sheet-faults")
    page.get_by_label("Why").fill("from the notebook")
    page.get_by_role("button", name="Save all").click()
    page.get_by_text("Nothing was saved").wait_for()
    known = page.locator("#sheet-names-recipe option").first.get_attribute("value")
    vessel = page.locator("#sheet-names-vessel option").first.get_attribute("value")
    recipe.fill(known)
    page.get_by_label("Which vessel, new row 1", exact=True).fill(vessel)
    page.get_by_text("all in order").wait_for()
    assert recipe.get_attribute("aria-invalid") is None
    page.get_by_label("Why").press("Tab")
    page.keyboard.press("Enter")
    page.get_by_text("Saved: 7 cells").wait_for()
    page.get_by_label("Shaken or stirred [s], run n1", exact=True).wait_for()
    assert page.get_by_label("Ice temperature [°C], run a1", exact=True).input_value() == "-3.5"
    shot(page, "sheet-saved")
    page.get_by_role("button", name="Undo: run n1 brought in, run a1 changed").click()
    page.get_by_text("Taken back: run n1 brought in").wait_for()
    assert page.get_by_label("Shaken or stirred [s], run n1", exact=True).count() == 0
    assert page.get_by_label("Ice temperature [°C], run a1", exact=True).input_value() == was
