"""From the hand on a slider of Shake time to the number, and twenty people at once, against one call in full.

    python -m tests.benchmarks.hand_to_number [--no-browser]

Goals: 95 of 100 within 100 ms from hand to number; twenty different questions at once within 1.5 s each.
"""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier, Thread
from typing import Any

import numpy as np

from dashboard.ahead import AHEAD, FORETOLD
from dashboard.app import make_app
from dashboard.serving import server_of
from tests.benchmarks.live_transport import FLAGS
from tests.dashboard.asking import callback
from tests.dashboard.benches import fitted_view, source_of_view

PEOPLE, MOVES = 20, 60
WINDOW: Any = {"width": 1440, "height": 900}
TARGET = {"target": "short", "serve_temp_c_max": 2, "dilution_low": 15, "dilution_high": 30}
DRINK = {"technique": "shake", "vessel": "steel tin", "ice": "freezer cube", "recipe": "night shift"}
IN_FULL = "call-head"
# the time [ms] from each movement of the slider to the frame that shows the answer to it
MOVE = """
async moves => {
    const slider = document.getElementById('call-drink_temp_c'), told = document.getElementById('call-foretold');
    const set = Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, 'value').set;
    const took = [];
    for (let n = 0; n < moves; n++) {
        const to = 15 + (n * 7) % 20, from = performance.now();
        const seen = new Promise(done => {
            const look = new MutationObserver(() => {
                if (!told.textContent.includes(`rink at ${to} `)) return;
                look.disconnect();
                requestAnimationFrame(() => done(performance.now() - from));
            });
            look.observe(told, { childList: true, subtree: true, characterData: true });
        });
        set.call(slider, String(to));
        slider.dispatchEvent(new Event('input', { bubbles: true }));
        took.push(await seen);
    }
    return took;
}
"""


def served_ahead() -> tuple[Any, Any]:
    """A dashboard whose usual drink is worked out, and its server, which does not serve yet."""
    app = make_app(source_of_view(fitted_view()), ahead=True)
    # its server is made before the first question: an application that has answered takes no further guard
    server = server_of(app, "127.0.0.1", 0)
    client = app.server.test_client()
    while ask(client, FORETOLD, 22.0) is None:
        for found in list(app.server.extensions[AHEAD]._kept.values()):
            found.result(600.0)
    return app, server


def ask(client: Any, answer: str, start_c: float) -> Any:
    """One of the page's answers to the question about a drink of this start [°C]: foretold, or in full."""
    asked = {**DRINK, **TARGET, "drink_temp_c": start_c}
    if answer == FORETOLD:
        return client.post(FORETOLD, json=asked).get_json()
    return callback(client, f"{answer}.children", {"call-asked.data": asked}, {}).get_json()["response"]


def timed_ms(work: Callable[[], Any]) -> float:
    """How long it takes."""
    before = time.perf_counter()
    work()
    return 1000.0 * (time.perf_counter() - before)


def told(what: str, took_ms: Sequence[float], in_full_ms: float) -> None:
    """Print 50 and 95 of 100, and the latter against a call in full."""
    half, most = np.percentile(took_ms, [50, 95])
    share = f"{most / in_full_ms:.2f} times one call in full ({in_full_ms:.0f} ms)"
    print(f"{what:>32}: p50 {half:.0f} ms, p95 {most:.0f} ms, {share}", flush=True)


def people_at_once(app: Any, output: str) -> list[float]:
    """How long each of twenty waits who ask different questions in the same moment [ms]."""
    ready = Barrier(PEOPLE)

    def person(n: int) -> float:
        mine = app.server.test_client()
        ready.wait()
        return timed_ms(lambda: ask(mine, output, 41.0 + n / 2.0))

    with ThreadPoolExecutor(PEOPLE) as people:
        return list(people.map(person, range(PEOPLE)))


def hand_to_number(server: Any, chromium: str) -> list[float]:
    """How long the number takes to follow a slider in a real browser, move by move [ms]."""
    from playwright.sync_api import sync_playwright

    Thread(target=server.serve_forever, daemon=True).start()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(FLAGS))
        page = browser.new_page(viewport=WINDOW)
        page.set_default_timeout(180_000)
        page.goto(f"http://127.0.0.1:{server.server_port}/shake-time?target=short")
        page.wait_for_selector("#call-levers h2")
        took: list[float] = page.evaluate(MOVE, MOVES)
        browser.close()
    server.shutdown()
    return took


def main() -> int:
    """Measure and print."""
    app, server = served_ahead()
    client = app.server.test_client()
    in_full_ms = float(np.median([timed_ms(lambda n=n: ask(client, IN_FULL, 10.0 + n)) for n in range(5)]))
    told(
        "one person, on the server",
        [timed_ms(lambda n=n: ask(client, FORETOLD, 12.0 + n / 2)) for n in range(MOVES)],
        in_full_ms,
    )
    told("twenty at once, told ahead", people_at_once(app, FORETOLD), in_full_ms)
    told("twenty at once, in full", people_at_once(app, IN_FULL), in_full_ms)
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is not None and "--no-browser" not in sys.argv:
        told("from hand to number", hand_to_number(server, chromium), in_full_ms)
    server.server_close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
