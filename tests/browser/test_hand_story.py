"""The call follows the hand while the answer in full is still to come, and nothing jumps."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from dashboard.ahead import AHEAD, DrinksAhead
from dashboard.app import make_app
from dashboard.service import BenchView
from dashboard.serving import server_of
from tests.browser.conftest import axe_faults, opening
from tests.browser.test_layout import MOST_SHIFT, WATCH
from tests.dashboard.benches import source_of_view

PATIENCE_S = 600.0
"""An upper bound for a busy machine, never a measure of speed."""


@dataclass(frozen=True)
class Desk:
    """A dashboard that works ahead, and what it works out."""

    address: str
    drinks: DrinksAhead

    def until_worked_ahead(self) -> None:
        """Wait until the bench's usual drink is worked out; it is begun once the bench has been looked at."""
        ends_s = time.monotonic() + PATIENCE_S
        while not (begun := list(self.drinks._kept.values())):
            assert time.monotonic() < ends_s
            threading.Event().wait(0.05)
        begun[0].result(PATIENCE_S)


@pytest.fixture(scope="module")
def desk(view: BenchView) -> Iterator[Desk]:
    app = make_app(source_of_view(view), ahead=True)
    server = server_of(app, "127.0.0.1", 0)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield Desk(f"http://127.0.0.1:{server.server_port}", app.server.extensions[AHEAD])
    server.shutdown()
    thread.join()
    server.server_close()


def asks_for(output: str, request: Any) -> bool:
    """Whether a request asks for one of the page's answers."""
    return request.url.endswith("/_dash-update-component") and output in request.post_data_json["output"]


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (390, 844)])
def test_the_number_follows_the_hand_before_the_answer_in_full(
    browser: Any, desk: Desk, width: int, height: int
) -> None:
    with opening(browser, desk.address) as opened:
        page = opened("/shake-time?target=short", width=width, height=height)
        page.wait_for_selector("#call-head .big")
        page.wait_for_selector("#call-levers h2")
        page.locator("details.ask").nth(0).locator("summary").click()
        page.locator("#call-drink_temp_c").focus()
        desk.until_worked_ahead()

        held: list[Any] = []

        def hold_back(route: Any) -> None:
            if asks_for("call-head.children", route.request):
                held.append(route)
            else:
                route.continue_()

        page.route("**/_dash-update-component", hold_back)
        page.evaluate(WATCH)
        box = page.locator("#call-drink_temp_c").bounding_box()
        y = box["y"] + box["height"] / 2
        page.mouse.move(box["x"] + 0.17 * box["width"], y)
        page.mouse.down()
        seen = []
        for share in (0.2, 0.24, 0.32):
            page.mouse.move(box["x"] + share * box["width"], y)
            start = page.input_value("#call-drink_temp_c")
            page.wait_for_function(
                # told in whole degrees, beginning a sentence or within one
                "start => document.querySelector('#call-told').classList.contains('foretold')"
                " && Math.abs(start - /rink at (\\d+) °C \\(asked/.exec("
                "document.querySelector('#call-foretold').textContent)?.[1]) <= 0.5",
                arg=float(start),
            )
            seen.append(page.inner_text("#call-foretold .big") + page.inner_text("#call-foretold .window"))
            assert "once you let go" in page.inner_text("#call-foretold .how-told")
        assert len(set(seen)) == 3
        assert page.locator("#call-foretold").is_visible()
        assert not page.locator("#call-head .big").is_visible()
        page.mouse.up()
        page.wait_for_function("() => document.querySelector('#call-told').classList.contains('foretold')")
        page.unroute("**/_dash-update-component")
        for route in held:
            route.continue_()
        page.wait_for_selector("#call-told.in-full")
        page.wait_for_function("() => document.querySelector('#call-head').textContent.includes('(asked)')")
        assert "Worked out in full." in page.inner_text("#call-head")
        assert not page.locator("#call-foretold").is_visible()
        assert page.evaluate("() => window.shift") < MOST_SHIFT
        assert axe_faults(page) == []


# an answer of an older value, drawn over the slider while the hand has moved on, and what Dash hears in the end
OVERTAKEN = """
() => new Promise(done => {
    const slider = document.getElementById('call-drink_temp_c');
    const set = Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, 'value').set;
    const heard = [], tell = window.dash_clientside.set_props;
    window.dash_clientside.set_props = (id, props) => {
        if (id === slider.id) heard.push(props.value);
        tell(id, props);
    };
    for (const to of ['31', '33', '35']) {
        set.call(slider, to);
        slider.dispatchEvent(new Event('input', { bubbles: true }));
    }
    tell(slider.id, { value: 12 });
    const look = () => heard.length ? done(heard) : requestAnimationFrame(look);
    look();
})
"""


def test_dash_hears_of_a_slider_once_and_where_the_hand_has_it(browser: Any, desk: Desk) -> None:
    with opening(browser, desk.address) as opened:
        page = opened("/shake-time?target=short")
        page.wait_for_selector("#call-levers h2")
        assert page.evaluate(OVERTAKEN) == ["35"]
        page.wait_for_function("() => location.search.includes('drink_temp_c=35')")
        page.wait_for_function(
            "() => document.querySelector('#call-head').textContent.includes('at 35 °C (asked)')"
        )
        assert page.input_value("#call-drink_temp_c") == "35"


# away, and back before the hand rests
AWAY_AND_BACK = """
() => {
    const slider = document.getElementById('call-drink_temp_c'), stood = slider.value;
    const set = Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, 'value').set;
    for (const to of [String(Number(stood) + 9), stood]) {
        set.call(slider, to);
        slider.dispatchEvent(new Event('input', { bubbles: true }));
    }
}
"""


def test_a_slider_that_comes_back_to_where_it_stood_is_answered_in_full(browser: Any, desk: Desk) -> None:
    with opening(browser, desk.address) as opened:
        page = opened("/shake-time?target=short")
        page.wait_for_selector("#call-levers h2")
        desk.until_worked_ahead()
        told = page.inner_text("#call-head")
        page.evaluate(AWAY_AND_BACK)
        page.wait_for_selector("#call-told.foretold")
        page.wait_for_selector("#call-told.in-full")
        assert page.inner_text("#call-head") == told


def test_a_slider_moved_by_keys_loses_no_step(browser: Any, desk: Desk) -> None:
    with opening(browser, desk.address) as opened:
        page = opened("/shake-time?target=short&drink_temp_c=20")
        page.wait_for_selector("#call-levers h2")
        page.locator("details.ask").nth(0).locator("summary").click()
        page.locator("#call-drink_temp_c").focus()
        for _ in range(8):
            page.keyboard.press("ArrowRight")
        assert page.input_value("#call-drink_temp_c") == "24"
        page.wait_for_function("() => location.search.includes('drink_temp_c=24')")
        page.wait_for_function(
            "() => document.querySelector('#call-head').textContent.includes('at 24 °C (asked)')"
        )
        assert page.input_value("#call-drink_temp_c") == "24"
