"""The README's pictures, taken of the sample benches in a real browser: `python -m tests.browser.pictures`.

Each stands beside a digest of the sources that draw it, so that a test can say which are to be taken anew.
"""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from dashboard.sources import Source, logbook_source
from rig.importing.bench_folder import open_bench
from rig.logbook.store import open_logbook
from tests.browser.conftest import FLAGS, WAIT_MS, served
from tests.shared_fits import keep_fit

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "dashboard" / "pictures"
TAKEN_OF = FOLDER / "taken_of.txt"
SAMPLE, WIDTH, HEIGHT = "harbour", 1280, 800
PICTURES = ("live_stop.jpg", "compare.jpg", "shake_time.jpg", "class_wall.jpg")
DRINK = "technique=shake&vessel=two-piece+steel&ice=freezer+cube&recipe=quayside+black&target=coupe"


def sources_digest() -> str:
    """A digest of the styles, scripts and figures that every picture shows."""
    digest = hashlib.sha256()
    for folder in ("assets", "figures"):
        for file in sorted((ROOT / "dashboard" / folder).iterdir()):
            if file.suffix in (".css", ".js", ".py"):
                digest.update(file.read_bytes())
    return digest.hexdigest()


@contextmanager
def _sample() -> Iterator[Source]:
    with tempfile.TemporaryDirectory() as folder:
        at = Path(folder) / "harbour.sqlite"
        with open_logbook(at) as logbook:
            logbook.add(open_bench(ROOT / "sample_logs" / SAMPLE), SAMPLE, "made for pictures")
            keep_fit(logbook, SAMPLE)
        source = logbook_source(str(at))
        yield source
        source.lists.close()
        if source.logbook is not None:
            source.logbook.close()


def _take(page: Any, name: str) -> None:
    page.screenshot(path=FOLDER / name, type="jpeg", quality=70)


def _live(page: Any, wall: Any, address: str) -> None:
    """A drink under way until it is time to stop, on Live and on the wall of a class."""
    wall.goto(f"{address}/live/projector")
    page.goto(f"{address}/live?{DRINK}&seed=3&speed=4&devices=simulated")
    page.click("#live-begin:visible")
    page.click("#live-act.ready")
    wall.click("#wall-show")
    page.wait_for_function("() => document.querySelector('#live-big').innerText === 'STOP'")
    _take(page, "live_stop.jpg")
    _take(wall, "class_wall.jpg")
    page.click("#live-act")
    page.click("#live-discard")


def main() -> None:
    """Take them all."""
    from playwright.sync_api import sync_playwright

    FOLDER.mkdir(exist_ok=True)
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with _sample() as source, served(source) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(FLAGS))

        def page(scheme: str = "light") -> Any:
            context = browser.new_context(
                viewport={"width": WIDTH, "height": HEIGHT}, color_scheme=scheme, reduced_motion="reduce"
            )
            opened = context.new_page()
            opened.set_default_timeout(WAIT_MS)
            return opened

        _live(page(), page("dark"), address)
        for path, settled, name in (
            (f"/shake-time?{DRINK}", "#call-levers h2", "shake_time.jpg"),
            ("/compare", "#compare-averages .main-svg", "compare.jpg"),
        ):
            still = page()
            still.goto(address + path)
            still.wait_for_selector(settled)
            still.wait_for_load_state("networkidle")
            _take(still, name)
        browser.close()
    TAKEN_OF.write_text(sources_digest() + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
