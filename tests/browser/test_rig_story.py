"""Somebody at the bar calibrates a probe that is plugged in, then one by hand, and finds both in the list.

An emulated board on a real pseudo-terminal is listened to; all of it by keyboard alone.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.sources import logbook_source
from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock
from rig.logbook.calibrations import calibrations
from rig.logbook.store import open_logbook
from rig.sensors.calibration import CalibrationKind
from tests.browser.conftest import axe_faults, served
from tests.dashboard.live_drinks import small_logbook

OpenPage = Callable[..., Any]
PROBE_C, SCALE_G = 0.31, 100.4


@pytest.fixture
def book(tmp_path: Path) -> Path:
    return small_logbook(tmp_path)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[SimulatedDevice]:
    """A board with a probe that shows 0.3 °C in ice, a room sensor and a scale with a weight on it."""

    def says(at_s: float) -> list[tuple[str, float, str]]:
        reading = round(at_s * 20)
        if reading and reading % 2 == 0:
            device.identify()  # a board says so as it boots, which this one does all the time
        noise = (-0.02, 0.0, 0.02, 0.0)[reading % 4]
        return [("room", 21.0, "C"), ("tip", PROBE_C + noise, "C"), ("pan", SCALE_G + noise, "g")]

    device = SimulatedDevice(tmp_path / "board", says, 20.0, board="bar-1")
    pacer = Pacer(device, simulated_clock(1.0))
    pacer.start()
    yield device
    pacer.stop()
    device.close()


@pytest.fixture
def address(book: Path, board: SimulatedDevice) -> Iterator[str]:
    source = logbook_source(str(book))
    with served(source, (board.address,)) as address:
        yield address
    source.lists.close()
    source.logbook.close()


def _shot(page: Any, name: str) -> None:
    """A picture of the whole page, where somebody wants to look."""
    if where := os.environ.get("SHOTS"):
        page.screenshot(path=str(Path(where) / f"{name}-{page.viewport_size['width']}.png"), full_page=True)


def _choose(page: Any, what: str) -> None:
    page.get_by_label(what, exact=True).focus()
    page.keyboard.press("Space")


def _press(page: Any, id_: str) -> None:
    page.focus(f"#{id_}")
    page.keyboard.press("Enter")


def _type(page: Any, id_: str, text: str) -> None:
    page.focus(f"#{id_}")
    page.keyboard.press("Control+a")
    page.keyboard.type(text)


@pytest.mark.parametrize(("width", "height", "scheme"), [(1440, 900, "light"), (390, 844, "dark")])
def test_a_probe_in_ice_is_read_worked_out_kept_and_listed_by_keyboard_alone(
    open_page: OpenPage, book: Path, width: int, height: int, scheme: str
) -> None:
    page = open_page("/rig", width=width, height=height, scheme=scheme)
    page.wait_for_selector("#calibrate-what")
    page.get_by_text("Nothing is calibrated yet").wait_for()
    assert not page.is_visible("#calibrate-ice-work")
    _choose(page, "Probe in ice")
    page.wait_for_selector("#calibrate-ice-work:visible")
    _shot(page, "ice-empty")
    assert axe_faults(page) == []

    _press(page, "calibrate-ice-work")
    page.get_by_text("Type what it shows, a few times").wait_for()
    page.wait_for_function("() => document.querySelector('#calibrate-port input:checked')")
    _press(page, "calibrate-ice-read")
    page.get_by_text("It sends room too").wait_for()
    assert page.input_value("#calibrate-ice-device") == "bar-1"
    assert page.input_value("#calibrate-ice-channel") == "tip"
    readings = [float(r) for r in page.input_value("#calibrate-ice-readings").split()]
    assert len(readings) == 20
    assert np.mean(readings) == pytest.approx(PROBE_C, abs=0.03)

    _type(page, "calibrate-ice-days", "soon")
    _press(page, "calibrate-ice-work")
    page.get_by_text("Give whole days, 1 to 3650").wait_for()
    assert len(page.input_value("#calibrate-ice-readings").split()) == 20
    assert not page.is_visible("#calibrate-ice-keep")
    _shot(page, "ice-wrong")
    assert axe_faults(page) == []
    _type(page, "calibrate-ice-days", "30")
    _press(page, "calibrate-ice-work")
    page.get_by_text("Shows 0.31 °C too much").wait_for()
    _shot(page, "ice-result")
    assert axe_faults(page) == []
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    with open_logbook(book) as logbook:
        assert calibrations(logbook) == ()

    _press(page, "calibrate-ice-keep")
    page.get_by_role("link", name="See it in the list").wait_for()
    page.wait_for_selector("#rig-calibrations table >> text=bar-1 tip")
    assert page.evaluate("document.activeElement.id") == "calibrate-ice-keep"
    _shot(page, "ice-kept")
    with open_logbook(book) as logbook:
        (made,) = calibrations(logbook)
    assert (made.device, made.channel, made.kind) == ("bar-1", "tip", CalibrationKind.TEMPERATURE)
    assert (made.expires - made.when.date()).days == 30


def test_a_scale_is_typed_and_read_and_a_scoop_is_weighed(open_page: OpenPage, book: Path) -> None:
    page = open_page("/rig?calibrate=weights", width=390, height=844)
    page.wait_for_selector("#calibrate-weights-work:visible")
    page.wait_for_function("() => document.querySelector('#calibrate-port input:checked')")
    _type(page, "calibrate-weights-shows-0", "0")
    _press(page, "calibrate-weights-read")
    page.get_by_text("Type what is true in the next empty row first").wait_for()
    _type(page, "calibrate-weights-true-1", "100")
    _press(page, "calibrate-weights-read")
    page.get_by_text("in the mean").wait_for()
    assert float(page.input_value("#calibrate-weights-shows-1")) == pytest.approx(SCALE_G, abs=0.05)
    _type(page, "calibrate-weights-true-2", "500")
    _type(page, "calibrate-weights-shows-2", "501,8")
    _press(page, "calibrate-weights-work")
    page.wait_for_selector("#calibrate-weights-result .calibrate-result, #calibrate-weights-result .notice")
    _shot(page, "weights-result")
    assert "too much at 200.7 g" in page.inner_text("#calibrate-weights-result")
    assert axe_faults(page) == []
    _type(page, "calibrate-weights-shows-2", "501.9")
    _press(page, "calibrate-weights-keep")
    page.get_by_text("what is typed has changed").wait_for()
    _press(page, "calibrate-weights-work")
    page.wait_for_function("() => !document.querySelector('#calibrate-weights-kept').innerText")
    _press(page, "calibrate-weights-keep")
    page.wait_for_selector("#rig-calibrations table >> text=bar-1")

    _choose(page, "Scoop, cup or bottle mark")
    page.wait_for_selector("#calibrate-measure-work:visible")
    _type(page, "calibrate-measure-device", "steel scoop")
    _type(page, "calibrate-measure-readings", "41.6 41.9 41.5")
    _press(page, "calibrate-measure-work")
    page.get_by_text("Holds 41.79 ml").wait_for()
    _shot(page, "measure-result")
    _press(page, "calibrate-measure-keep")
    page.wait_for_selector("#rig-measures table >> text=steel scoop")
    with open_logbook(book) as logbook:
        assert {c.kind for c in calibrations(logbook)} == {CalibrationKind.MASS, CalibrationKind.VOLUME}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_form_has_targets_for_wet_thumbs_and_nothing_beside_the_phone(
    open_page: OpenPage, scheme: str
) -> None:
    for what in ("boiling", "points", "plunge", "weights", "measure"):
        page = open_page(f"/rig?calibrate={what}", width=390, height=844, scheme=scheme)
        page.wait_for_selector(f"#calibrate-{what}-work:visible")
        assert axe_faults(page) == []
        _shot(page, f"form-{what}-{scheme}")
        small = page.evaluate(
            """() => [...document.querySelectorAll(
                    ".calibrate button, .calibrate .chips label, .calibrate input[type=text]")]
                .filter(e => e.offsetParent !== null && e.getBoundingClientRect().height < 55.5)
                .map(e => e.outerHTML)"""
        )
        assert small == []
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        page.context.close()
