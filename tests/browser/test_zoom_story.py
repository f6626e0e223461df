from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import SAMPLES, SPIKE_AT_S, SPIKE_C

OpenPage = Callable[..., Any]
STEP_S = 3600.0 / SAMPLES


@pytest.mark.parametrize(
    ("path", "figure"), [("/runs/long", "#run-trace"), ("/runs?over=long&over=a1", "#runs-over-figure")]
)
def test_a_million_samples_are_zoomed_by_hand_without_losing_a_peak(
    open_logbook_page: OpenPage, path: str, figure: str
) -> None:
    # a page is made anew once the fit has come, and then shows the whole again
    open_logbook_page("/shake-time").wait_for_selector("#call-head .big")
    page = open_logbook_page(path)
    page.wait_for_selector(f"{figure} .main-svg .scatterlayer path")
    plot = f"document.querySelector('{figure} .js-plotly-plot')"
    drawn, axis = f"{plot}._fullData[0]", f"{plot}._fullLayout.xaxis"
    seen = f"Array.from({drawn}.x).filter(x => x >= {axis}.range[0] && x <= {axis}.range[1])"
    assert page.evaluate(f"{drawn}.x.length") < 3000
    assert page.evaluate(f"Math.max(...{drawn}.y)") == SPIKE_C

    for _ in range(2):  # each time a tenth of what is in sight, round the peak
        _drag_over_a_tenth(page, figure, SPIKE_AT_S)
        put = page.evaluate(f"{axis}.range")
        assert put[0] < SPIKE_AT_S < put[1]
        page.wait_for_function(f"() => {seen}.length > 1000")
        assert page.evaluate(f"{axis}.range") == put
        assert page.evaluate(f"Math.max(...{drawn}.y)") == SPIKE_C
    steps = page.evaluate(f"(() => {{ const x = {seen}; return x.slice(1).map((t, k) => t - x[k]); }})()")
    assert max(steps) < 20 * STEP_S

    spot = page.locator(f"{figure} .nsewdrag").bounding_box()
    page.mouse.dblclick(spot["x"] + spot["width"] / 2, spot["y"] + spot["height"] / 2)
    page.wait_for_function(
        f"() => {axis}.range[0] <= 0 && {axis}.range[1] >= 3600 && {drawn}.x.length < 3000"
    )
    assert page.evaluate(f"Math.max(...{drawn}.y)") == SPIKE_C


def _drag_over_a_tenth(page: Any, figure: str, time_s: float) -> None:
    box = page.locator(f"{figure} .nsewdrag").bounding_box()
    low, high = page.evaluate(f"document.querySelector('{figure} .js-plotly-plot')._fullLayout.xaxis.range")
    x = box["x"] + box["width"] * (time_s - low) / (high - low)
    y = box["y"] + box["height"] / 2
    page.mouse.move(x - box["width"] / 20, y)
    page.mouse.down()
    page.mouse.move(x, y, steps=3)
    page.mouse.move(x + box["width"] / 20, y, steps=3)
    page.mouse.up()
    page.wait_for_function(
        f"before => document.querySelector('{figure} .js-plotly-plot')._fullLayout.xaxis.range[0] > before",
        arg=low,
    )
