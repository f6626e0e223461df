"""A browser hears a shake through its microphone, here a made-up one, as the file itself is heard."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.io import wavfile

from dashboard.sources import logbook_source
from rig.logbook.store import open_logbook
from rig.runs import HEARD
from tests.browser.conftest import FLAGS, axe_faults, opening, served, weigh_nothing
from tests.cli.conftest import call as command
from tests.dashboard.live_drinks import small_logbook
from tests.signals.bar_sounds import RATE_HZ, Shake, music, over, shake


def wav(file: Path, samples: np.ndarray) -> Path:
    wavfile.write(file, RATE_HZ, (samples / np.abs(samples).max() * 20_000).astype(np.int16))
    return file


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Shake]:
    rng = np.random.default_rng(8)
    made = shake(rng, "metal", 3.6, 7.0, quiet_s=3.0)
    noise = music(rng, made.samples.size / RATE_HZ + 0.1)
    return wav(tmp_path_factory.mktemp("take") / "take.wav", over(made, noise, 15.0)), made


@contextmanager
def hearing(browser: Any, chromium: str, address: str, file: Path, *flags: str) -> Iterator[Any]:
    """A page of Live in a browser of its own, whose microphone plays a file once."""
    fake = ("--use-fake-device-for-media-stream", f"--use-file-for-fake-audio-capture={file}%noloop")
    launched = browser.browser_type.launch(
        executable_path=chromium, headless=True, args=[*FLAGS, *fake, *flags]
    )
    with opening(launched, address) as open_page:
        page = open_page("/live")
        page.wait_for_selector("#live-begin:visible")
        page.get_by_text("No probe? Hear the shake").click()
        yield page
    launched.close()


GRANTED = "--use-fake-ui-for-media-stream"


def _heard(page: Any, lasts_s: float) -> str:
    page.click("#hear-toggle")
    page.wait_for_function(f"() => chillrigHearing.frames * chillrigHearing.frame_s > {lasts_s}")
    page.click("#hear-toggle")
    page.wait_for_function("() => chillrigHearing.told")
    return str(page.inner_text("#hear-said"))


def test_the_browser_hears_what_the_file_holds(
    browser: Any, chromium: str, address: str, take: tuple[Path, Shake]
) -> None:
    file, made = take
    by_file = json.loads(command("hear", file, "--json").out)
    sent: list[str] = []
    with hearing(browser, chromium, address, file, GRANTED) as page:
        page.on("request", lambda r: sent.append(r.post_data or "") if r.url.endswith("/live/hear") else None)
        assert axe_faults(page) == []
        said = _heard(page, made.samples.size / RATE_HZ)
        by_browser = page.evaluate("() => chillrigHearing.told")
        assert page.evaluate("() => chillrigHearing.stream === null && chillrigHearing.audio === null")
    # the frames begin elsewhere in the sound, which may move an edge to the knock beside it
    one_knock_s = 0.5 / by_file["cadence_hz"]
    assert by_browser["duration_s"] == pytest.approx(by_file["duration_s"], abs=one_knock_s + 0.02)
    assert by_browser["cadence_hz"] == pytest.approx(by_file["cadence_hz"], rel=0.01)
    assert re.match(r"Shaken for \d+\.\d s \(±0\.\d\), from ", said)
    # one number for four milliseconds is all that is sent: no sound can be made of that
    bodies = [json.loads(b) for b in sent]
    assert all(set(b) - {"goes_on"} == {"take", "power", "age_s"} for b in bodies)
    assert len({b["take"] for b in bodies}) == 1 and len(bodies) > 5
    assert sum(len(b["power"]) for b in bodies) <= 260 * (made.samples.size / RATE_HZ + 20.0)


def test_the_ear_starts_the_clock_the_call_goes_by_it_and_the_stop_is_heard(
    browser: Any, chromium: str, take: tuple[Path, Shake], tmp_path: Path
) -> None:
    """Nothing is pressed after the drink is ready: a file in the microphone's place is shaken over music."""
    file, made = take
    book = small_logbook(tmp_path)
    with (
        served(logbook_source(str(book))) as address,
        hearing(browser, chromium, address, file, GRANTED) as page,
    ):
        page.goto(f"{address}/live?target=coupe&seed=3&speed=1&devices=simulated")
        page.click("#live-begin")
        weigh_nothing(page)
        page.get_by_text("No probe? Hear the shake").click()
        page.click("#hear-toggle")
        page.wait_for_function("() => chillrigLive.state.phase === 'moving'")
        # the clock began with the shake, which is told only once it is surely one
        assert page.evaluate("() => chillrigLive.state.moved_s") > 2.0
        page.wait_for_function("() => ['after', 'done'].includes(chillrigLive.state.phase)")
        page.click("#live-end")
        page.click("#live-keep")
        kept = page.wait_for_function("() => chillrigLive.state.kept").json_value()
    with open_logbook(book) as logbook:
        run = logbook.run("corner", kept["run"])
    assert run.duration_s == pytest.approx(made.stop_s - made.start_s, abs=0.3)
    assert run.trace is not None and run.trace.cadence_hz is not None
    assert run.extra[HEARD].startswith("start heard; stop heard; ")


def test_a_room_without_a_shake_is_told_in_words(
    browser: Any, chromium: str, address: str, tmp_path: Path
) -> None:
    file = wav(tmp_path / "room.wav", music(np.random.default_rng(5), 8.0))
    with hearing(browser, chromium, address, file, GRANTED) as page:
        assert _heard(page, 7.0).startswith("Cannot tell: ")


def test_where_a_browser_gives_no_microphone_the_page_says_what_to_do(
    browser: Any, chromium: str, address: str, take: tuple[Path, Shake]
) -> None:
    with hearing(browser, chromium, address, take[0], "--deny-permission-prompts") as page:
        page.click("#hear-toggle")
        page.wait_for_function("() => document.querySelector('#hear-said').innerText")
        assert "Allow it for this page" in page.inner_text("#hear-said")
        page.evaluate("() => Object.defineProperty(navigator, 'mediaDevices', {value: undefined})")
        page.click("#hear-toggle")
        page.wait_for_function("() => document.querySelector('#hear-said').innerText.includes('certificate')")
