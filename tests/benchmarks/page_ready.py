"""How long until a page of a long logbook is ready in a real Chromium, and what that costs.

    python -m tests.benchmarks.page_ready [--logbook FILE] [--runs 10000] [--times 3]
        [--pages NAME ...] [--ways WAY ...] [--json]

Words: the page's heading and its own content are drawn. Ready: its answers too, its figures are drawn, and nothing
says that it waits. A page is loaded with an empty browser cache, with a warm one, and gone to by a link inside the
app. CPU is what counts on a busy machine: of the thread that runs scripts, of the server's process, and of all that
the browser runs, each until ready. The lines named "empty" are Dash itself: the same scripts with nothing to show;
"whole" is the same with all of plotly, as Dash would load it. The browser's own sum misses a process that ended
meanwhile, and may then come out too small.
The levers of Shake time are left out: they are worked out only once one has rested for two seconds.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from statistics import median
from typing import Any

from tests.benchmarks import processes
from tests.benchmarks.live_transport import FLAGS
from tests.benchmarks.long_logbook import long_logbook

WAIT_MS = 120_000
WAYS = ("cold", "warm", "link")
WINDOW: Any = {"width": 1440, "height": 900}
NOTHING, NOTHING_WHOLE = "nothing", "nothing-whole"
"""What is served in place of a logbook."""


@dataclass(frozen=True)
class Sight:
    """A page: where it is, its heading, what is its own content, and what is there only once it is ready."""

    path: str
    heading: str
    words: str
    ready: tuple[str, ...]
    link: str


SIGHTS = {
    "Live": Sight("/live", "Live", "#live", ("#live-idle :first-child, #live-choice:not([hidden])",), ""),
    "Runs": Sight("/runs", "Runs", "table.runs tbody tr", ("#runs-summary",), ""),
    "one Run": Sight("/runs/{newest}", "Run {newest}", ".facts", ("#run-trace .main-svg",), "/runs/{newest}"),
    "Compare": Sight("/compare", "Compare", "#compare-answer", ("#compare-averages .main-svg",), ""),
    "Shake time": Sight("/shake-time", "Shake time", ".control", (".big", "#call-landing .main-svg"), ""),
    "Rehearsal": Sight("/rehearsal", "Rehearsal", ".control", ("#rehearsal-head .big", ".main-svg"), ""),
    "Recipe": Sight("/recipe", "Recipe", ".control", ("#recipe-head > *", "#recipe-texture > *"), ""),
    "Rig": Sight("/rig", "Rig", "#rig-ports", ("#rig-health > *",), ""),
}
"""`{newest}`: the newest run of the logbook."""
EMPTY = {
    "empty": Sight("/", "Empty", "h1", (), ""),
    "empty, a figure": Sight("/figure", "Empty", "h1", (".main-svg",), ""),
}
WHOLE = {"whole, a figure": Sight("/figure", "Empty", "h1", (".main-svg",), "")}
"""Dash itself with this dashboard's scripts, and with all of plotly."""


@dataclass(frozen=True)
class Measured:
    """What one page came to, the middle of several times."""

    page: str
    way: str
    words_ms: float
    ready_ms: float
    script_cpu_ms: float
    server_cpu_ms: float
    browser_cpu_ms: float
    requests: int
    loaded_kb: int


# Runs before the page's own scripts; looks after each change and each frame, and keeps the moments found.
WATCH = """
(function (sight, from) {
  const seen = (window.seen = { from: from, words: null, ready: null });
  function shown(e) { return e.checkVisibility({ visibilityProperty: true, opacityProperty: true }); }
  function look() {
    if (window.seen !== seen) return;
    const heading = document.querySelector("main h1"), now = performance.now() - from;
    const own = heading && heading.textContent === sight.heading && document.querySelector("main " + sight.words);
    if (own && seen.words === null) seen.words = now;
    const graphs = [...document.querySelectorAll("main .dash-graph")];
    const whole = own && sight.ready.every((s) => document.querySelector("main " + s))
      && graphs.every((g) => g.querySelector(".main-svg"))
      && ![...document.querySelectorAll("main .waiting")].some(shown)
      && !document.querySelector("main [data-dash-is-loading='true']");
    if (whole) {
      // what is in the page now is on the screen with the next frame
      requestAnimationFrame(function () { seen.ready = performance.now() - from; });
    } else {
      setTimeout(look, 10);
    }
  }
  look();
})
"""


def serve(what: str) -> None:
    """Serve a logbook's dashboard, or Dash with nothing to show, on a free port that is printed, until input ends."""
    from dashboard.serving import server_of

    app = _empty_app(whole=what == NOTHING_WHOLE) if what in (NOTHING, NOTHING_WHOLE) else _app(Path(what))
    server = server_of(app, "127.0.0.1", 0)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    print(server.server_port, flush=True)
    sys.stdin.read()


def _app(logbook: Path) -> Any:
    from dashboard.app import make_app
    from dashboard.sources import logbook_source

    source = logbook_source(str(logbook))
    source.fit(
        "long", source.book("long"), lambda share: None
    )  # kept in the logbook, as it is after the first day
    return make_app(source, ahead=True)


def _empty_app(*, whole: bool) -> Any:
    from dash import Dash, Input, Output, dcc, html

    import dashboard.app
    from dashboard import loading

    app = Dash(
        dashboard.app.__name__,
        assets_folder=str(Path(dashboard.app.__file__).parent / "assets"),
        update_title="",
        suppress_callback_exceptions=True,
    )
    app.layout = html.Div([dcc.Location(id="address"), html.Main(id="page")])

    @app.callback(Output("page", "children"), Input("address", "pathname"))
    def show(path: str) -> Any:
        figure = dcc.Graph(figure={"data": [{"x": [0, 1], "y": [0, 1]}]}) if path == "/figure" else None
        return [html.H1("Empty"), figure]

    if not whole:
        loading.register(app)
    return app


class Bench:
    """A server with two browsers, one that remembers nothing and one that does, and what they have cost so far."""

    def __init__(self, playwright: Any, chromium: str, port: int, server_pid: int) -> None:
        self.home, self.server_pid = f"http://127.0.0.1:{port}", server_pid
        self._before = set(processes.parents())
        self._browser = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(FLAGS))
        # only a browser with a profile of its own keeps what it compiled
        self._profile = tempfile.TemporaryDirectory()
        self.warm = playwright.chromium.launch_persistent_context(
            self._profile.name, executable_path=chromium, headless=True, args=list(FLAGS), viewport=WINDOW
        )

    def cost_s(self) -> tuple[float, float, float]:
        """CPU seconds of the threads that run scripts, of the server, and of the whole browser."""
        ours = processes.family(self._before)
        return (
            processes.main_thread_cpu_s(processes.renderers(ours)),
            processes.cpu_s([self.server_pid]),
            processes.cpu_s(ours),
        )

    def close(self) -> None:
        """Close both browsers."""
        self.warm.close()
        self._browser.close()
        self._profile.cleanup()

    def load_cold(self, name: str, sight: Sight) -> Measured:
        """A page loaded by its address in a browser window with nothing remembered."""
        context = self._browser.new_context(viewport=WINDOW)
        found = self.load(context, name, sight, "cold")
        context.close()
        return found

    def load(self, context: Any, name: str, sight: Sight, way: str) -> Measured:
        """A page loaded by its address."""
        page = context.new_page()
        page.add_init_script(f"{WATCH}({json.dumps(asdict(sight))}, 0)")
        before = self.cost_s()
        page.goto(self.home + sight.path, wait_until="commit")
        found = self._found(page, name, way, before)
        page.close()
        return found

    def go(self, page: Any, name: str, sight: Sight) -> Measured:
        """A page gone to from another, by its link."""
        page.evaluate("performance.clearResourceTimings()")
        before = self.cost_s()
        follow = "document.querySelector(`a[href='${sight.path}']`).click()"
        page.evaluate(f"sight => {{ {WATCH}(sight, performance.now()); {follow} }}", asdict(sight))
        return self._found(page, name, "link", before)

    def _found(self, page: Any, name: str, way: str, before: tuple[float, float, float]) -> Measured:
        page.wait_for_function("() => window.seen && window.seen.ready !== null", timeout=WAIT_MS, polling=50)
        script, server, browser = (1000 * (a - b) for a, b in zip(self.cost_s(), before, strict=True))
        seen, loads = page.evaluate(
            "() => [window.seen, performance.getEntriesByType('resource').map(e => e.transferSize)]"
        )
        size = round(sum(loads) / 1000)
        return Measured(name, way, seen["words"], seen["ready"], script, server, browser, len(loads), size)


def measured(
    port: int, server_pid: int, chromium: str, sights: dict[str, Sight], times: int, ways: Sequence[str]
) -> list[Measured]:
    """Every page by the ways asked for."""
    from playwright.sync_api import sync_playwright

    out = []
    with sync_playwright() as playwright:
        bench = Bench(playwright, chromium, port, server_pid)
        for name, sight in sights.items():
            print(".", end="", flush=True, file=sys.stderr)
            if "cold" in ways:
                out.append(_middle([bench.load_cold(name, sight) for _ in range(times)]))
            if "warm" in ways:
                # the browser keeps what it compiled of a script only once that was asked for again
                for _ in range(2):
                    bench.load(bench.warm, name, sight, "warm")
                out.append(_middle([bench.load(bench.warm, name, sight, "warm") for _ in range(times)]))
        if "link" in ways:
            out += _by_links(bench, sights, times)
        bench.close()
    return out


def _by_links(bench: Bench, sights: dict[str, Sight], times: int) -> list[Measured]:
    rounds: dict[str, list[Measured]] = {name: [] for name in sights}
    page = bench.warm.new_page()
    page.goto(bench.home + "/coffee")
    page.wait_for_selector("main h1")
    for _ in range(times):
        for name, sight in sights.items():
            if name == "one Run":
                bench.go(page, "Runs", SIGHTS["Runs"])
            rounds[name].append(bench.go(page, name, sight))
    return [_middle(found) for found in rounds.values()]


def _middle(found: list[Measured]) -> Measured:
    rows = [asdict(m) for m in found]
    first = rows[0]
    return Measured(
        **{k: v if isinstance(v, str) else round(median(r[k] for r in rows)) for k, v in first.items()}
    )


@contextmanager
def served(what: str) -> Iterator[tuple[int, int]]:
    """Port and process of a server, meanwhile."""
    command = [sys.executable, "-m", "tests.benchmarks.page_ready", "--serve", what]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdin is not None
        yield int(child.stdout.readline()), child.pid
        child.stdin.close()
        child.wait(20)


def _of(sight: Sight, newest: str) -> Sight:
    named = {k: getattr(sight, k).replace("{newest}", newest) for k in ("path", "heading", "link")}
    return replace(sight, **named)


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--serve", metavar="LOGBOOK", help=f"only serve it, or {NOTHING}, or {NOTHING_WHOLE}")
    parser.add_argument("--logbook", type=Path, help="made there where it is not yet")
    parser.add_argument("--runs", type=int, default=10_000)
    parser.add_argument("--times", type=int, default=3)
    parser.add_argument("--pages", nargs="+", choices=list(SIGHTS), default=list(SIGHTS))
    parser.add_argument("--ways", nargs="+", choices=WAYS, default=WAYS)
    parser.add_argument("--json", action="store_true")
    told = parser.parse_args()
    if told.serve is not None:
        serve(told.serve)
        return 0
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print("no Chromium here", file=sys.stderr)
        return 1
    before = os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as home:
        logbook = long_logbook(told.logbook or Path(home) / "long.sqlite", told.runs)
        found = []
        for what, sights in (
            (NOTHING_WHOLE, WHOLE),
            (NOTHING, EMPTY),
            (str(logbook), {name: _of(SIGHTS[name], f"r{told.runs:05d}") for name in told.pages}),
        ):
            ways = [w for w in told.ways if w != "link" or what == str(logbook)]
            with served(what) as (port, pid):
                found += measured(port, pid, chromium, sights, told.times, ways)
    if told.json:
        print(json.dumps([asdict(m) for m in found], indent=1))
        return 0
    print(
        f"load {before:.1f} before, {os.getloadavg()[0]:.1f} after; {os.cpu_count()} cores; {told.runs} runs"
    )
    heads = ("page", "way", "words", "ready", "script CPU", "server CPU", "browser CPU", "asked", "kB")
    print(f"{heads[0]:16} {heads[1]:5}" + "".join(f" {h:>11}" for h in heads[2:]) + "   times in ms")
    for m in found:
        numbers = list(asdict(m).values())[2:]
        print(f"{m.page:16} {m.way:5}" + "".join(f" {n:11}" for n in numbers))
    return 0


if __name__ == "__main__":
    sys.exit(main())
