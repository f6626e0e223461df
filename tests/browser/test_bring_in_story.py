"""Somebody drops a logger's table whose dates leave a question, answers it, and finds the run."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dashboard.uploads import PIECE_BYTES
from tests.browser.conftest import WAIT_MS, axe_faults
from tests.dashboard.logger_tables import SCALE, TIMER
from tests.dashboard.test_bring_in_several import FILES, scale, stamped

OpenPage = Callable[..., Any]


def _shot(page: Any, name: str) -> None:
    """A picture of the whole page, where somebody wants to look."""
    if where := os.environ.get("SHOTS"):
        page.screenshot(path=str(Path(where) / f"{name}-{page.viewport_size['width']}.png"), full_page=True)


def _choose(page: Any, *files: tuple[str, bytes]) -> None:
    sent = [{"name": name, "mimeType": "text/csv", "buffer": raw} for name, raw in files]
    page.locator("#bring-zone input[type=file]").first.set_input_files(sent)


@pytest.mark.parametrize("width", [1440, 390])
def test_an_ambiguous_table_is_asked_about_then_stored_and_seen(
    open_logbook_page: OpenPage, width: int
) -> None:
    page = open_logbook_page("/runs", width=width)
    page.get_by_role("link", name="Bring in tables").click()
    page.locator("#bring-zone input[type=file]").first.wait_for(state="attached")
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
    page.get_by_label("Shaken or stirred for [s]").fill("12")
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
    page.locator("#bring-zone input[type=file]").first.wait_for(state="attached")
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


def test_answers_kept_for_files_much_like_one_are_offered_and_taken(open_logbook_page: OpenPage) -> None:
    page = open_logbook_page("/runs/bring-in")
    page.locator("#bring-zone input[type=file]").first.wait_for(state="attached")
    _choose(page, ("bar probe.csv", TIMER))
    page.get_by_label("mm:ss", exact=True).check()
    page.get_by_role("button", name="Read again").click()
    page.get_by_label("Name of the run").fill("q10")
    for of in ("technique", "vessel", "ice", "recipe"):
        page.locator(f"#bring-{of} label").first.click()
    page.get_by_label("Shaken or stirred for [s]").fill("12")
    page.get_by_label("Keep the answers as").fill("tin logger")
    page.get_by_role("button", name="Store the run").click()
    page.get_by_text("The answers are kept as tin logger").wait_for()
    rows = TIMER.decode().splitlines()
    wider = "\n".join(f"{row},{21 if n else 'Room (°C)'}" for n, row in enumerate(rows))
    _choose(page, ("next.csv", wider.encode()))
    page.get_by_text("much like the files that 'tin logger' was kept for: it also has 'Room (°C)'").wait_for()
    assert axe_faults(page) == []
    _shot(page, "bring-offered")
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    _shot(page, "bring-offered")
    page.get_by_label("read it by the answers kept as tin logger").check()
    page.get_by_role("button", name="Read again").click()
    page.get_by_text("Read by the answers kept as tin logger").wait_for()
    page.get_by_role("button", name="Store the run").wait_for()


LONG_BYTES = 30_000_000


def _long_table(at: Path) -> Path:
    """A probe a thousand times a second for minutes, with more digits than anybody needs."""
    with at.open("w") as file:
        file.write("time_s,probe_c\n")
        k = 0
        while file.tell() < LONG_BYTES:
            lines = (f"{j / 1000:.3f},{22.0 if j < 60_000 else 4.0:.60f}\n" for j in range(k, k + 10_000))
            file.writelines(lines)
            k += 10_000
    return at


def test_a_long_table_is_sent_in_pieces_and_goes_on_after_a_cut_and_after_a_reload(
    browser: Any, logbook_address: str, tmp_path: Path
) -> None:
    table = _long_table(tmp_path / "long.csv")
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    offsets: list[int] = []
    cuts = [5_000_000, 15_000_000]

    def pass_on(route: Any) -> None:
        """Each piece waits here, so that none slips through before the line is cut."""
        offsets.append(int(route.request.headers["upload-offset"]))
        if cuts and offsets[-1] >= cuts[0]:
            del cuts[0]
            context.set_offline(True)
        route.continue_()

    page.route("**/upload/*", pass_on)
    page.goto(f"{logbook_address}/runs/bring-in")
    field = page.locator("#bring-zone input[type=file]").first
    field.wait_for(state="attached")
    field.set_input_files(table)
    page.get_by_text("The connection is lost").wait_for()
    size = table.stat().st_size
    assert f"of {size / 1e6:.1f} MB" in page.inner_text(".upload-far")
    _shot(page, "bring-cut")
    assert axe_faults(page) == []
    context.set_offline(False)
    page.get_by_text(re.compile(r"^15\.\d of")).wait_for()
    page.get_by_text("The connection is lost").wait_for()
    context.set_offline(False)
    page.reload()
    field.wait_for(state="attached")
    came = len(offsets)
    field.set_input_files(table)
    page.get_by_text("First rows, as they stand in the file").wait_for()
    assert offsets[0] == 0 and offsets.count(0) == 1
    assert offsets[came] > size // 4
    assert sorted(set(offsets)) == list(range(0, size, PIECE_BYTES))
    context.close()


def test_a_folder_is_taken_for_the_tables_in_it(open_logbook_page: OpenPage, tmp_path: Path) -> None:
    for n in range(3):
        (tmp_path / "tuesday" / f"day {n}").mkdir(parents=True)
        (tmp_path / "tuesday" / f"day {n}" / "probe.csv").write_bytes(FILES[n][1])
        (tmp_path / "tuesday" / f"day {n}" / "photo.jpg").write_bytes(b"no table")
    page = open_logbook_page("/runs/bring-in/several")
    page.locator("#drawer-zone input[type=file]").nth(1).set_input_files(tmp_path / "tuesday")
    page.locator(".drawer-run img").nth(2).wait_for()
    assert page.locator(".drawer-run").count() == 3
    page.get_by_text("tuesday/day 1/probe.csv").first.wait_for()


@pytest.mark.parametrize("width", [1440, 390])
def test_several_runs_are_seen_merged_and_stored_at_once(open_logbook_page: OpenPage, width: int) -> None:
    page = open_logbook_page("/runs/bring-in", width=width)
    page.get_by_role("link", name="Bring in several runs").click()
    page.locator("#drawer-zone input[type=file]").first.wait_for(state="attached")
    assert axe_faults(page) == []
    left = stamped(scale(), "scale_g")
    files = [("m1 probe.csv", stamped(FILES[0][1], "probe_c")), ("shelf.csv", left), *FILES[1:]]
    sent = [{"name": name, "mimeType": "text/csv", "buffer": raw} for name, raw in files]
    page.locator("#drawer-zone input[type=file]").first.set_input_files(sent)
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
