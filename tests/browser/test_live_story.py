"""The story of one drink in a real browser: weighed in, shaken, stopped by its cue, kept, found among the runs.

Simulated devices on real pseudo-terminals, the real recorder process, and a browser that hears all of it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from dashboard.sources import logbook_source
from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock
from rig.logbook.store import open_logbook
from tests.browser.conftest import axe_faults, opening, served
from tests.capture.drill_screens import Shared
from tests.dashboard.live_drinks import small_logbook

OpenPage = Callable[..., Any]
ASKED = "/live?target=coupe&seed=3&speed=4&devices=simulated"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_logbook(tmp_path_factory.mktemp("live"))


@pytest.fixture(scope="module")
def address(book: Path) -> Iterator[str]:
    with served(logbook_source(str(book))) as address:
        yield address


@pytest.fixture(autouse=True)
def nothing_left_under_way(open_page: OpenPage) -> Iterator[None]:
    yield
    page = open_page("/live")
    page.wait_for_function("() => chillrigLive.state")
    if page.evaluate("() => chillrigLive.state.phase") != "idle":
        page.evaluate("() => fetch('/live/act', {method: 'POST', headers: {'Content-Type': 'application/json'}, "
                      "body: JSON.stringify({act: 'discard'})})")  # fmt: skip
        page.wait_for_selector("#live-begin:visible")


def _begun(open_page: OpenPage, **how: Any) -> Any:
    page = open_page(ASKED, **how)
    page.wait_for_selector("#live-begin:visible")
    page.focus("#live-begin")
    page.keyboard.press("Enter")
    page.wait_for_selector("#live-steps")
    return page


def test_a_drink_from_weigh_in_to_kept_run_by_keyboard_alone(open_page: OpenPage, book: Path) -> None:
    page = _begun(open_page)
    page.wait_for_selector("#live-act.ready")
    page.wait_for_function("() => chillrigLive.state.call.waiting.includes('rests on')")
    page.wait_for_function("() => document.activeElement.id === 'live-act'")
    assert axe_faults(page) == []
    page.keyboard.press("Space")
    page.wait_for_selector("#live-act.moving")
    page.wait_for_function("() => / left /.test(` ${document.querySelector('#live-second').innerText}`)")
    page.wait_for_function("() => chillrigLive.tones.includes('stop')")
    page.wait_for_function("() => document.querySelector('#live-big').innerText === 'STOP'")
    assert page.inner_text("#live-word") in ("Stop now", "Past the best moment: stop")
    assert "cue-stop" in page.get_attribute("#live-stage", "class")
    assert page.evaluate("() => chillrigLive.audio.state") == "running"
    assert axe_faults(page) == []
    page.keyboard.press("Space")
    page.wait_for_selector("#live-keep")
    assert axe_faults(page) == []
    page.get_by_text("Foam, or a note").click()
    page.focus("#live-note")
    page.keyboard.type("as the tone said")
    page.focus("#live-keep")
    page.keyboard.press("Enter")
    said = page.inner_text(".live-landed")
    assert said.startswith(("Landed. ", "Missed: "))
    page.get_by_role("link", name="Look at run").click()
    page.wait_for_selector("#run-trace .main-svg")
    assert page.inner_text("#run-landed") == said
    name = page.url.rpartition("/runs/")[2].partition("?")[0]
    page.get_by_role("link", name="Runs", exact=True).click()
    page.wait_for_selector(f"table.runs >> text={name}")
    with open_logbook(book) as logbook:
        run = logbook.run("corner", name)
    assert run.notes == "as the tone said"
    assert run.strained_mass_g is not None
    assert run.duration_s is not None
    assert run.duration_s > 5.0


def _in_sight(page: Any, what: str) -> bool:
    box = page.locator(what).bounding_box()
    return box is not None and 0 <= box["y"] <= page.viewport_size["height"] - box["height"]


@dataclass
class _Taps:
    """A thumb on what is in sight, and how often it came down."""

    page: Any
    count: int = 0

    def on(self, what: str) -> None:
        self.page.wait_for_selector(f"{what}:visible")
        assert _in_sight(self.page, what)
        self.page.locator(what).click()
        self.count += 1

    def until_told(self) -> None:
        """From a page that nobody touched to a drink that was made, and told whether it landed."""
        self.on("#live-begin")
        self.page.wait_for_selector("#live-missing")
        self.on("#live-act.ready")
        self.page.wait_for_function("() => chillrigLive.cued === 'stop'")
        self.on("#live-act.moving")
        self.page.wait_for_function(
            "() => /^(Landed|Missed)$/.test((document.querySelector('#live-big') || {}).innerText)"
        )


def test_with_nothing_chosen_four_taps_make_and_keep_a_simulated_drink(
    open_page: OpenPage, book: Path
) -> None:
    with open_logbook(book) as logbook:
        before = len(logbook.book("corner").runs)
    page = open_page("/live?speed=4", width=390, height=844)
    taps = _Taps(page)
    taps.until_told()
    taps.on("#live-keep")
    page.wait_for_selector("#live-again:visible")
    assert taps.count == 4
    with open_logbook(book) as logbook:
        runs = logbook.book("corner").runs
    assert len(runs) == before + 1
    taps.on("#live-again")
    page.wait_for_selector("#live-act.ready")
    assert taps.count == 5


def test_four_taps_make_a_drink_that_landed_or_missed_and_one_makes_the_next(
    open_page: OpenPage, book: Path
) -> None:
    page = open_page(f"{ASKED}&operator=Ada", width=390, height=844)
    taps = _Taps(page)
    taps.until_told()
    assert "foretold" in page.inner_text("#live-why")
    assert axe_faults(page) == []
    keep, discard = (page.locator(what).bounding_box() for what in ("#live-keep", "#live-discard"))
    assert keep is not None and discard is not None
    assert discard["y"] - (keep["y"] + keep["height"]) > 60
    assert _in_sight(page, "#live-keep")
    taps.on("#live-keep")
    assert taps.count == 4
    page.wait_for_selector("#live-again")
    assert re.search(r"\d+ of \d+ landed · Ada", page.inner_text("#live-tally"))
    page.wait_for_function("() => document.activeElement.id === 'live-again'")
    assert _in_sight(page, "#live-again")
    assert axe_faults(page) == []
    page.keyboard.press("Space")
    page.wait_for_selector("#live-act.ready")
    assert page.evaluate("() => chillrigLive.state.drink").startswith("night shift")
    page.wait_for_function("() => document.activeElement.id === 'live-act'")


def test_a_discarded_drink_is_brought_back_by_a_press(open_page: OpenPage, book: Path) -> None:
    page = _begun(open_page)
    page.locator("#live-act.ready").click()
    page.wait_for_function("() => chillrigLive.state.moved_s > 1")
    page.locator("#live-act.moving").click()
    page.locator("#live-discard").click()
    page.get_by_role("button", name="Bring it back").first.click()
    page.wait_for_selector("#live-kept >> text=Kept as run")
    assert axe_faults(page) == []


@pytest.fixture
def probe(tmp_path: Path) -> Iterator[SimulatedDevice]:
    """A probe on a real pseudo-terminal, not yet sending."""
    device = SimulatedDevice(
        tmp_path / "probe", lambda s: [("probe", 22.0 - s % 0.2, "C")], 20.0, board="tin"
    )
    yield device
    device.close()


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (390, 844)])
def test_a_probe_that_dies_while_the_drink_is_shaken_is_said_in_giant_letters(
    browser: Any, tmp_path: Path, probe: SimulatedDevice, width: int, height: int
) -> None:
    pacer = Pacer(probe, simulated_clock(1.0))
    pacer.start()
    source = logbook_source(str(small_logbook(tmp_path)))
    with served(source, (probe.address,)) as address, opening(browser, address) as opened:
        page = opened("/live?target=coupe&devices=heard", width=width, height=height, scheme="dark")
        page.locator("#live-begin").click()
        for step in ("empty vessel", "coffee concentrate", "dark spirit", "cream liqueur", "ice"):
            page.wait_for_function("step => (chillrigLive.state || {}).step === step", arg=step)
            page.locator("#live-skip").click()
        page.wait_for_selector("#live-act.ready")
        assert not page.is_visible("#live-doubt")
        page.locator("#live-act").click()
        page.wait_for_function("() => chillrigLive.estimates.length > 1")
        assert "probe believed" in page.inner_text("#live-temp-band")
        pacer.stop()
        page.wait_for_selector("#live-doubt:visible")
        assert "silent" in page.inner_text("#live-doubt")
        assert "By the clock now" in page.inner_text("#live-doubt")
        assert _in_sight(page, "#live-doubt")
        assert _in_sight(page, "#live-act")
        page.wait_for_function(
            "() => document.querySelector('#live-second').innerText.includes('by the clock')"
        )
        assert "foretold" in page.inner_text("#live-temp-band")
        size = page.evaluate(
            "() => parseFloat(getComputedStyle(document.querySelector('#live-doubt-words')).fontSize)"
        )
        assert size >= 24.0
        assert axe_faults(page) == []
        page.locator("#live-act").click()
        page.wait_for_selector("#live-end")
        page.locator("#live-end").click()
        page.wait_for_selector("#live-big >> text=Not known")
        page.locator("#live-discard").click()
        page.wait_for_selector("#live-again")


def test_a_browser_that_is_closed_loses_nothing(open_page: OpenPage) -> None:
    page = _begun(open_page)
    page.wait_for_selector("#live-act.ready")
    page.keyboard.press("Space")
    page.wait_for_selector("#live-act.moving")
    page.wait_for_function("() => chillrigLive.state.moved_s > 2")
    heard = page.evaluate("() => chillrigLive.probe.length")
    page.context.close()
    again = open_page("/live", width=390, height=844)
    again.wait_for_selector("#live-act.moving")
    assert again.evaluate("() => chillrigLive.probe.length") >= heard
    again.wait_for_function("() => chillrigLive.estimates.length > 2")
    again.locator("#live-act").click()
    again.wait_for_selector("#live-act.after")


def _guess(phone: Any, name: str, value: float) -> None:
    phone.wait_for_selector("#form:visible")
    phone.evaluate(
        "v => { const s = document.getElementById('value'); s.value = v; s.dispatchEvent(new Event('input')); }",
        value,
    )
    phone.fill("#name", name)
    phone.click("button[type=submit]")
    phone.wait_for_function("() => /Your guess/.test(document.querySelector('#said').innerText)")


def test_a_class_guesses_by_phone_and_the_wall_shows_who_was_near(browser: Any, tmp_path: Path) -> None:
    with Shared(tmp_path / "bar") as shared:
        ours, others = (f"http://{host}:{port}" for host, port in (shared.own, shared.others))
        with opening(browser, ours) as open_page, opening(browser, others) as open_phone:
            wall = open_page("/live/projector", width=1440, height=900, scheme="dark")
            code = wall.wait_for_selector("#wall-code").inner_text()
            assert "waits for a press" in wall.inner_text("#wall-sound")
            wall.wait_for_function("() => document.querySelector('.wall-join img').naturalWidth > 0")
            assert axe_faults(wall) == []
            ada, ben = (open_phone(f"/class?code={code}", width=390, height=844) for _ in range(2))
            _guess(ada, "Ada", -1.5)
            _guess(ben, "", 12.0)
            assert axe_faults(ada) == []
            wall.wait_for_function("() => /2 guesses/.test(document.querySelector('#wall-count').innerText)")
            assert "Ada" not in wall.inner_text("#wall-side")
            page = _begun(open_page)
            page.wait_for_selector("#live-act.ready")
            page.keyboard.press("Space")
            # the wall says when to stop before anything was pressed on it
            wall.wait_for_function("() => document.querySelector('#wall-big').innerText === 'STOP'")
            assert "cue-stop" in wall.get_attribute("#wall-now", "class")
            assert not wall.is_visible("#wall-plane")
            wall.click("#wall-tone")
            wall.wait_for_function(
                "() => /Sound is on/.test(document.querySelector('#wall-sound').innerText)"
            )
            wall.click("#wall-show")
            wall.wait_for_selector("#wall-plane")
            assert wall.evaluate("document.documentElement.scrollHeight - innerHeight") <= 0
            page.keyboard.press("Space")
            wall.wait_for_selector("#wall-said")
            near = wall.locator(".wall-near li").all_inner_texts()
            assert near[0].startswith("Ada −1.5 °C")
            assert near[1].startswith("no name 12.0 °C")
            assert wall.evaluate("document.documentElement.scrollHeight - innerHeight") <= 0
            assert axe_faults(wall) == []
            ada.wait_for_function("() => /Nobody was nearer/.test(document.querySelector('#said').innerText)")
            ben.wait_for_function(
                "() => /1 of 2 were nearer/.test(document.querySelector('#said').innerText)"
            )
            page.evaluate(
                "() => fetch('/live/act', {method: 'POST', headers: {'Content-Type': 'application/json'}, "
                "body: JSON.stringify({act: 'discard'})})"
            )
            wall.click("#wall-next")
            wall.wait_for_function(
                "() => /Ada was nearest/.test(document.querySelector('#wall-before').innerText)"
            )
            _guess(ada, "Ada", 3.0)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_on_a_phone_every_target_is_large_and_the_stop_is_in_sight(open_page: OpenPage, scheme: str) -> None:
    page = _begun(open_page, width=390, height=844, scheme=scheme)

    def small() -> Any:
        return page.evaluate(
            """() => [...document.querySelectorAll("#live button, #live .chips label, #live summary, #live a")]
                .filter(e => e.offsetParent !== null && e.getBoundingClientRect().height < 55.5)
                .map(e => e.outerHTML)"""
        )

    assert small() == []
    page.wait_for_selector("#live-act.ready")
    page.locator("#live-act").click()
    page.wait_for_function("() => chillrigLive.cued === 'stop'")
    assert small() == []
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    box = page.locator("#live-act").bounding_box()
    assert box is not None
    assert 0 <= box["y"] <= 844 - box["height"]
    assert axe_faults(page) == []


@pytest.mark.parametrize(
    ("path", "ready"),
    [("/live", "#live-begin:visible"), ("/rig", "#rig-backup"), ("/live/projector", "#wall-tone:visible")],
)
def test_the_pages_at_rest_are_open_to_everybody(open_page: OpenPage, path: str, ready: str) -> None:
    page = open_page(path)
    page.wait_for_selector(ready)
    assert axe_faults(page) == []


def test_a_backup_is_made_by_a_press_and_told(open_page: OpenPage, book: Path) -> None:
    page = open_page("/rig")
    page.get_by_role("button", name="Make a backup").click()
    page.wait_for_selector("#rig-cared .notice")
    assert "Copied and checked" in page.inner_text("#rig-cared")
    assert len(list((book.parent / "backups").glob("bar-*.sqlite"))) == 1
