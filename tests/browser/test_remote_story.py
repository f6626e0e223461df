"""A phone starts and stops the drink that a computer records, once it is let, and feels the moment to stop."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from dashboard.live.state_json import call_of
from rig.advice.live.live import LiveEstimate, Word
from rig.logbook.store import open_logbook
from rig.runs import HEARD
from tests.browser.conftest import axe_faults, opening, weigh_nothing
from tests.capture.drill_screens import Shared

# what the phone was asked to do, beside doing it
PHONE = """
window.buzzes = [];
const buzz = navigator.vibrate.bind(navigator);
navigator.vibrate = (pattern) => { window.buzzes.push(pattern); return buzz(pattern); };
"""
REFUSED = """
Object.defineProperty(navigator, 'vibrate', { value: undefined });
Object.defineProperty(Navigator.prototype, 'wakeLock', { value: undefined });
"""


def at(place: tuple[str, int]) -> str:
    return "http://{}:{}".format(*place)


def _phone(browser: Any, others: str, code: str, *scripts: str) -> Any:
    """The remote on a phone that gave its code."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    context.set_default_timeout(180_000)
    for script in scripts:
        context.add_init_script(script)
    page = context.new_page()
    page.goto(others)
    page.fill("#code", code)
    page.tap("button[type=submit]")
    page.wait_for_selector("nav .places")
    page.goto(f"{others}/live/remote")
    page.wait_for_selector("#remote-can li")
    return page


def test_a_phone_starts_feels_the_call_and_stops_once_it_is_let(browser: Any, tmp_path: Path) -> None:
    with (
        Shared(tmp_path / "bar") as shared,
        opening(browser, at(shared.own)) as open_page,
    ):
        phone = _phone(browser, at(shared.others), shared.codes.get(), PHONE)
        phone.wait_for_function(
            "() => document.querySelector('#remote-word').innerText === 'No drink is under way'"
        )
        assert "only watches" in phone.inner_text("#remote-acts")
        # in real time, so that "get ready" lasts longer than a busy machine takes from word to word
        page = open_page("/live?target=coupe&seed=3&speed=1&devices=simulated")
        page.click("#live-begin")
        page.wait_for_selector("#live-act.ready")
        phone.wait_for_function("() => chillrigLive.state.phase === 'ready'")
        assert phone.locator("#remote-act").count() == 0
        refused = phone.evaluate(
            "() => fetch('/live/act', {method: 'POST', headers: {'Content-Type': 'application/json'}, "
            "body: JSON.stringify({act: 'go', phase: 'ready'})}).then(answer => answer.status)"
        )
        assert refused == 403
        page.get_by_text("A phone as the remote").click()
        page.click("#live-remotes")
        phone.wait_for_selector("#remote-act.ready")
        phone.tap("#remote-ready")
        phone.wait_for_function("() => chillrigPhone.lock && chillrigPhone.lock.release")
        phone.wait_for_function("() => /sounds at/.test(document.querySelector('#remote-can').innerText)")
        assert "The screen stays on." in phone.inner_text("#remote-can")
        assert axe_faults(phone) == []
        box = phone.locator("#remote-act").bounding_box()
        assert box["width"] >= 300 and box["height"] >= 150 and box["y"] + box["height"] <= 844
        phone.tap("#remote-act")
        page.wait_for_selector("#live-act.moving")
        phone.wait_for_function("() => document.querySelector('#remote-big').innerText === 'STOP'")
        assert axe_faults(phone) == []
        assert phone.evaluate("() => chillrigLive.tones.filter(t => t === 'stop').length") == 2
        assert phone.evaluate("() => window.buzzes.filter(b => b.length > 3).length") == 2
        assert phone.evaluate("() => chillrigPhone.buzzed.slice(-2)") == ["ready", "stop"]
        phone.tap("#remote-act.moving")
        page.wait_for_selector("#live-keep")
        # a remote stops; to keep, discard and begin is the computer's
        for act in ("keep", "discard", "again", "remotes"):
            answer = phone.evaluate(
                "(act) => fetch('/live/act', {method: 'POST', headers: {'Content-Type': 'application/json'}, "
                "body: JSON.stringify({act, allowed: true})}).then(answer => answer.status)",
                act,
            )
            assert answer == 403
        page.click("#live-remotes")
        phone.wait_for_function("() => /only watches/.test(document.querySelector('#remote-acts').innerText)")
        page.click("#live-discard")
        page.wait_for_selector("#live-begin:visible")
        phone.context.close()


def test_what_a_phones_browser_refuses_is_said_in_words(browser: Any, tmp_path: Path) -> None:
    with Shared(tmp_path / "bar") as shared:
        phone = _phone(browser, at(shared.others), shared.codes.get(), REFUSED)
        said = phone.inner_text("#remote-can")
        assert "The screen may go dark: this browser cannot keep it on" in said
        assert "It does not buzz: this browser cannot." in said
        assert "No sound yet: the browser waits for a press." in said
        phone.evaluate("() => Object.defineProperty(window, 'isSecureContext', { value: false })")
        phone.tap("#remote-ready")
        phone.wait_for_function(
            "() => /only for pages with a certificate/.test(document.querySelector('#remote-can').innerText)"
        )
        phone.context.close()


def test_the_screen_is_kept_awake_again_once_the_page_is_back_in_sight(browser: Any, tmp_path: Path) -> None:
    """A browser lets go of the screen whenever its page is out of sight (W3C Screen Wake Lock, from memory)."""
    says = "(words) => document.querySelector('#remote-can').innerText.includes(words)"
    with Shared(tmp_path / "bar") as shared:
        phone = _phone(browser, at(shared.others), shared.codes.get())
        phone.tap("#remote-ready")
        phone.wait_for_function(says, arg="The screen stays on.")
        phone.evaluate("() => chillrigPhone.lock.release()")
        phone.wait_for_function(says, arg="The screen may go dark until")
        phone.evaluate("() => document.dispatchEvent(new Event('visibilitychange'))")
        phone.wait_for_function(says, arg="The screen stays on.")
        assert phone.evaluate(
            "() => chillrigPhone.lock instanceof WakeLockSentinel && !chillrigPhone.lock.released"
        )
        phone.context.close()


def test_the_remote_says_what_the_cadence_does_to_the_stop_as_live_does(browser: Any, tmp_path: Path) -> None:
    """What screens are told of a drink that is heard and has no probe, as the remote shows it."""
    heard = LiveEstimate(
        *(6.0, (1.0, 2.0, 3.0), (0.2, 0.25, 0.3), 12.0, 6.0, 0.3, 0.8, Word.KEEP_GOING, 0, "by the clock"),
        cadence="quicker than usual (3.9 strokes a second, usually 3.4): stop 1.0 s earlier (±0.3 s)",
        by_clock=True,
    )
    moving: Any = SimpleNamespace(moved_s=6.0, moving=True, expecting=None)
    told = {"phase": "moving", "drink": "night shift", "moved_s": 6.0, "call": call_of([heard], moving, "")}
    believed = {**told, "call": {**told["call"], "by_clock": False}}
    with Shared(tmp_path / "bar") as shared:
        phone = _phone(browser, at(shared.others), shared.codes.get())
        phone.wait_for_function("() => chillrigLive.state")
        shown = "(told) => { chillrigLive.remote(told); return document.querySelector('#remote-cadence').textContent; }"
        said = phone.evaluate(shown, told)
        assert said == "Quicker than usual (3.9 strokes a second, usually 3.4): stop 1.0 s earlier (±0.3 s)"
        assert phone.evaluate(shown, believed) == ""
        assert phone.evaluate(shown, {**told, "call": call_of([], moving, "")}) == ""
        assert phone.evaluate(shown, {**told, "phase": "done"}) == ""
        # a heading that says nothing, or in spare spaces, is a title that a browser tells otherwise
        for asked, title in (("", "chillrig"), ("Add  the ice ", "Add the ice · chillrig")):
            phone.evaluate(
                shown, {"phase": "moving", "drink": "", "asked": asked, "call": {"word": "", "note": ""}}
            )
            phone.wait_for_function("(title) => document.title === title", arg=title)
        phone.context.close()


# an arm that rests, shakes and rests, as a phone's sensor tells it: sixty readings a second by the page's own clock
ARM = """
window.arm = (rest_s, shake_s, hz) => new Promise((done) => {
    const from = performance.now();
    const timer = setInterval(() => {
        const t = (performance.now() - from) / 1000, moved = t - rest_s;
        const swing = moved > 0 && moved < shake_s ? 16 * Math.sin(2 * Math.PI * hz * moved) : 0;
        const still = 0.2 * Math.sin(91 * t);
        const acceleration = { x: 0.8 * swing + still, y: 0.6 * swing, z: still };
        const accelerationIncludingGravity = { ...acceleration, z: 9.8 + still };
        window.dispatchEvent(new DeviceMotionEvent('devicemotion', { acceleration, accelerationIncludingGravity }));
        if (moved > shake_s + rest_s) { clearInterval(timer); done(); }
    }, 1000 / 60);
});
"""
SHAKEN_S, SHAKEN_HZ = 6.0, 3.0


def test_a_phone_on_the_arm_starts_and_stops_the_drink_and_gives_it_its_cadence(
    browser: Any, tmp_path: Path
) -> None:
    """No press starts or stops it: the clock is the arm's."""
    with (
        Shared(tmp_path / "bar") as shared,
        opening(browser, at(shared.own)) as open_page,
    ):
        phone = _phone(browser, at(shared.others), shared.codes.get(), ARM)
        page = open_page("/live?target=coupe&seed=3&speed=1&devices=simulated")
        page.click("#live-begin")
        page.get_by_text("A phone as the remote").click()
        page.click("#live-remotes")
        weigh_nothing(page)
        phone.wait_for_selector("#remote-act.ready")
        phone.tap("#remote-feel")
        phone.wait_for_function("() => chillrigLive.feeling.take")
        phone.evaluate(f"() => arm(2, {SHAKEN_S}, {SHAKEN_HZ})")
        page.wait_for_function("() => ['after', 'done'].includes(chillrigLive.state.phase)")
        assert "the drink goes by it" in phone.inner_text("#remote-felt")
        page.click("#live-end")
        page.wait_for_selector("#live-keep")
        page.click("#live-keep")
        kept = page.wait_for_function("() => chillrigLive.state.kept").json_value()
        phone.context.close()
    with open_logbook(shared.book) as logbook:
        run = logbook.run("corner", kept["run"])
    assert run.duration_s == pytest.approx(SHAKEN_S, abs=0.3)
    assert run.extra[HEARD].startswith(
        "start felt by a motion sensor; stop felt by a motion sensor; 3.0 strokes"
    )


# what a browser may lack, one after the other, and what is said of it
LACKS = (
    ("() => {}", "no motion sensor that its browser gives"),
    ("() => { DeviceMotionEvent.requestPermission = () => Promise.resolve('denied'); }", "was not allowed. Allow it"),
    ("() => Object.defineProperty(window, 'isSecureContext', { value: false })", "only for pages with a certificate"),
)  # fmt: skip


def test_a_motion_sensor_that_is_refused_is_said_in_words(browser: Any, tmp_path: Path) -> None:
    with Shared(tmp_path / "bar") as shared:
        phone = _phone(browser, at(shared.others), shared.codes.get())
        for lack, says in LACKS:
            phone.evaluate(lack)
            phone.tap("#remote-feel")
            phone.wait_for_function(
                "(says) => document.querySelector('#remote-felt').innerText.includes(says)", arg=says
            )
        phone.context.close()
