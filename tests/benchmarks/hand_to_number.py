"""From the hand on a slider of Shake time to the number, and twenty people at once, against one call in full.

    python -m tests.benchmarks.hand_to_number [--no-browser]

Goals: 95 of 100 within 100 ms from hand to number; twenty different questions at once within 1.5 s each;
in full within one second once the hand rests.
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

PEOPLE, MOVES, FRAMES, RESTS = 20, 60, 240, 10
WINDOW: Any = {"width": 1440, "height": 900}
TARGET = {"target": "short", "serve_temp_c_max": 2, "dilution_low": 15, "dilution_high": 30}
DRINK = {"technique": "shake", "vessel": "steel tin", "ice": "freezer cube", "recipe": "night shift"}
IN_FULL = "call-head"
# the time [ms] from each movement of the slider to when the frame is painted that shows the answer to it: of a hand
# that moves on once it has read the number, and of one that moves in every frame, where what it has passed is left out
MOVE = """
async ([moves, waits]) => {
    const slider = document.getElementById('call-drink_temp_c'), told = document.getElementById('call-foretold');
    const set = Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, 'value').set;
    const painted = () => new Promise(done => requestAnimationFrame(() => {
        const { port1, port2 } = new MessageChannel();
        port1.onmessage = () => done(performance.now());
        port2.postMessage('');
    }));
    const took = [], from = new Map();
    let answered = () => {};
    new MutationObserver(() => {
        const shown = Number(/rink at (\\d+) °C/.exec(told.textContent)?.[1]);
        if (!from.has(shown)) return;
        const began = from.get(shown);
        from.delete(shown);
        answered(painted().then(at => took.push(at - began)));
    }).observe(told, { childList: true, subtree: true, characterData: true });
    for (let n = 0; n < moves; n++) {
        const to = 15 + (n * 7) % 20, answer = new Promise(done => answered = done);
        from.delete(to);
        from.set(to, performance.now());
        set.call(slider, String(to));
        slider.dispatchEvent(new Event('input', { bubbles: true }));
        await (waits || n === moves - 1 ? answer : painted());
    }
    return took;
}
"""
# the time [ms] from the last movement to the frame that shows the answer worked out in full, of a hand that moves again
# once all of the answer before, its figures and what would help, has come
REST = """
async moves => {
    const slider = document.getElementById('call-drink_temp_c'), told = document.getElementById('call-told');
    const set = Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, 'value').set, took = [];
    const fetched = window.fetch;
    let helped = () => {};
    window.fetch = async (...asked) => {
        const answer = await fetched(...asked), body = asked[1]?.body;
        if (typeof body === 'string' && JSON.parse(body).output === 'call-levers.children') helped();
        return answer;
    };
    for (let n = 0; n < moves; n++) {
        const to = 60 + n, help = new Promise(done => helped = done), from = performance.now();
        set.call(slider, String(to));
        slider.dispatchEvent(new Event('input', { bubbles: true }));
        while (!told.matches('.in-full') || !told.firstChild.textContent.includes(`rink at ${to} `))
            await new Promise(requestAnimationFrame);
        took.push(performance.now() - from);
        await help;
        await new Promise(requestIdleCallback);
    }
    window.fetch = fetched;
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


def hand_to_number(server: Any, chromium: str) -> tuple[list[float], list[float], list[float]]:
    """How long the number takes to follow a slider in a real browser [ms], move by move and while it is dragged.

    And how long it takes to be worked out in full, once the slider rests.
    """
    from playwright.sync_api import sync_playwright

    Thread(target=server.serve_forever, daemon=True).start()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(FLAGS))
        page = browser.new_page(viewport=WINDOW)
        page.set_default_timeout(180_000)
        page.goto(f"http://127.0.0.1:{server.server_port}/shake-time?target=short")
        page.wait_for_selector("#call-levers h2")
        moved, dragged = (page.evaluate(MOVE, how) for how in ([MOVES, True], [FRAMES, False]))
        rested = page.evaluate(REST, RESTS)
        browser.close()
    server.shutdown()
    return moved, dragged, rested


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
        moved, dragged, rested = hand_to_number(server, chromium)
        told("from hand to number", moved, in_full_ms)
        told(f"dragged, {len(dragged)} of {FRAMES} told", dragged, in_full_ms)
        told("in full, once it rests", rested, in_full_ms)
    server.server_close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
