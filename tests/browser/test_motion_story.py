"""Somebody drags where motion starts and stops, by mouse, finger and keys; what is typed says the same."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import axe_faults
from tests.browser.test_bring_in_story import _shot
from tests.dashboard.test_bring_in_several import FILES

OpenPage = Callable[..., Any]


def _seconds(handle: Any) -> float:
    return float(handle.get_attribute("aria-valuenow"))


def _middle(page: Any, handle: Any) -> tuple[float, float]:
    """Where the handle's word is grabbed, once it lies still and nothing lies over it."""
    grip = handle.locator(".strip-grip")
    grip.hover(trial=True)
    box = grip.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def _drag(page: Any, handle: Any, by_px: float) -> None:
    x, y = _middle(page, handle)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + by_px / 2, y + 3)
    page.mouse.move(x + by_px, y)
    page.mouse.up()


def _px_per_s(handle: Any) -> float:
    low, high = (float(handle.get_attribute(f"aria-value{end}")) for end in ("min", "max"))
    width = handle.locator("xpath=..").bounding_box()["width"]
    return float(width * (1 - 2 * 8 / 320) / (high - low))


def _line(page: Any, line: Any, start: Any) -> str:
    """What stands in a line once it says the same as its handle."""
    page.wait_for_function(
        "([line, handle]) => Number(line.value) === Number(handle.getAttribute('aria-valuenow'))",
        arg=[line.element_handle(), start.element_handle()],
    )
    return str(line.input_value())


@pytest.mark.parametrize("width", [1440, 390])
def test_a_run_that_was_found_is_put_right_by_dragging(open_logbook_page: OpenPage, width: int) -> None:
    page = open_logbook_page("/runs/bring-in/several", width=width)
    field = page.locator("#drawer-zone input[type=file]").first
    field.wait_for(state="attached")
    field.set_input_files([{"name": n, "mimeType": "text/csv", "buffer": raw} for n, raw in FILES[:2]])
    run = page.locator(".drawer-run").first
    start, stop = (run.get_by_role("slider", name=f"Motion {word}") for word in ("starts", "stops"))
    start.wait_for()
    found_start_s, found_stop_s = _seconds(start), _seconds(stop)
    px = _px_per_s(start)
    _drag(page, start, 3.0 * px)
    assert _seconds(start) == pytest.approx(found_start_s + 3.0, abs=0.3)
    assert _seconds(stop) == found_stop_s
    _line(page, run.get_by_label("Starts at"), start)
    lasts = run.get_by_label("Shaken or stirred for [s]")
    assert float(lasts.input_value()) == pytest.approx(found_stop_s - _seconds(start), abs=0.06)
    stop.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("PageDown")
    assert _seconds(stop) == pytest.approx(found_stop_s - 0.9, abs=1e-9)
    lasts.fill("4,5")
    assert _seconds(stop) == pytest.approx(_seconds(start) + 4.5, abs=0.06)
    _shot(page, "strip-dragged")
    assert axe_faults(page) == []
    start_s = _seconds(start)
    page.get_by_role("button", name="Look again").click()
    page.get_by_text(f"Motion starts at {start_s:.1f} s").wait_for()
    assert _seconds(run.get_by_role("slider", name="Motion stops")) == pytest.approx(start_s + 4.5, abs=0.06)


def test_a_runs_start_and_stop_are_dragged_on_its_page_by_finger_and_undone(
    open_logbook_page: OpenPage,
) -> None:
    page = open_logbook_page("/runs/long", width=390)
    page.get_by_text("Move its start or its stop").click()
    start = page.get_by_role("slider", name="Motion starts")
    start.wait_for()
    x, y = _middle(page, start)
    moved_by_s = 40.0 / _px_per_s(start)
    finger = page.context.new_cdp_session(page)
    for kind, at in (("touchStart", x), ("touchMove", x + 20.0), ("touchMove", x + 40.0)):
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": at, "y": y}]})
    finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    start.and_(page.locator(":not([aria-valuenow='0.0'])")).wait_for()
    # a browser may hold a finger to be still for its first pixels
    assert 0.5 * moved_by_s < _seconds(start) < 1.1 * moved_by_s
    moved_s = _line(page, page.get_by_label("Starts at [s]"), start)
    page.get_by_label("Shaken or stirred for [s]").fill("12,5")
    stop = page.get_by_role("slider", name="Motion stops")
    assert _seconds(stop) == pytest.approx(_seconds(start) + 12.5, abs=0.06)
    page.locator("#run-move-why").fill("the tin was tapped first")
    _shot(page, "strip-run")
    assert axe_faults(page) == []
    page.get_by_role("button", name="Move them").click()
    page.get_by_text(
        f"The start is {float(moved_s):.1f} s later. It was shaken or stirred for 12.5 s"
    ).wait_for()
    page.wait_for_selector("#run-history >> text=the tin was tapped first")
    page.get_by_label("Starts at [s]").and_(page.locator("[value='0']")).wait_for()
    page.get_by_role("button", name="Undo the last change").click()
    page.get_by_text("Taken back: ").wait_for()
