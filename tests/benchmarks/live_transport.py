"""How long from a sample to the screen, by each way that samples could take there; measured side by side.

    python -m tests.benchmarks.live_transport [--browsers 1 8] [--seconds 10] [--ways WAY ...] [--json]

Four traces at 20 samples a second, with 12,000 points drawn already. Latency is from the moment a sample is
made to the frame that shows it, by one clock: server and browsers share this computer. CPU is in percent of
one core, from /proc. Dash's own streaming needs its FastAPI backend: pip install fastapi uvicorn janus.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from enum import StrEnum
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.processes import cpu_s, family, parents

TRACES, RATE_HZ, DRAWN = 4, 20.0, 12_000
POLL_MS = 100
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
)


class Way(StrEnum):
    """How samples reach the screen."""

    WHOLE = "interval, whole figure"
    PARTIAL = "interval, extendData"
    EVENTS = "server-sent events, extendTraces"
    STREAM = "Dash websocket callback, extendData"
    CANVAS = "server-sent events, own canvas"


@dataclass(frozen=True)
class Measured:
    """What one way came to; latencies in ms, CPU in percent of one core."""

    way: str
    browsers: int
    samples: int
    p50_ms: float
    p95_ms: float
    server_cpu_pct: float
    browser_cpu_pct: float


class Feed:
    """Samples made in real time, all kept: time [s] from the feed's own start, and a value for each trace."""

    def __init__(self) -> None:
        begun = -DRAWN / TRACES / RATE_HZ
        self.begun_s = time.time()
        self.x: list[float] = [round(begun + k / RATE_HZ, 4) for k in range(DRAWN // TRACES)]
        self.y = [[self._value(k, x) for x in self.x] for k in range(TRACES)]
        self.fresh = threading.Condition()
        threading.Thread(target=self._run, daemon=True).start()

    def _value(self, trace: int, x: float) -> float:
        return round(float(np.sin(0.3 * x + trace) + 0.03 * np.sin(917.0 * x)), 4)

    def _run(self) -> None:
        due = time.time()
        while True:
            due += 1.0 / RATE_HZ
            time.sleep(max(due - time.time(), 0.0))
            with self.fresh:
                x = round(time.time() - self.begun_s, 4)
                for k, y in enumerate(self.y):
                    y.append(self._value(k, x))
                self.x.append(x)
                self.fresh.notify_all()

    def since(self, count: int) -> tuple[list[float], list[list[float]]]:
        """What came after the first `count` samples."""
        with self.fresh:
            return self.x[count:], [y[count:] for y in self.y]


SCRIPT = """
"use strict";
const COLOURS = ["#0072B2", "#D55E00", "#009E73", "#CC79A7"];
window.latencies = [];
(function () {
  let newest = 0;
  function shown(x) {
    requestAnimationFrame(function () {
      const now = performance.timeOrigin + performance.now();
      for (const t of x) if (t > newest) { newest = t; window.latencies.push(now - 1000 * (BEGUN + t)); }
    });
  }
  function watch() {
    const plot = document.querySelector("#live .js-plotly-plot");
    if (!plot || !plot.on || !plot.data) return void setTimeout(watch, 50);
    newest = plot.data[0].x[plot.data[0].x.length - 1];
    plot.on("plotly_afterplot", () => shown(plot.data[0].x.slice(-60)));
    window.drawn = true;
    if (WAY === "EVENTS") extended(plot);
    if (WAY === "CANVAS") canvas(plot);
  }
  // One drawing at a time, then as long a pause as it took: what comes meanwhile is drawn together.
  function extended(plot) {
    let x = [], y = plot.data.map(() => []), waits = false;
    function draw() {
      const begun = performance.now(), xs = x, ys = y;
      x = [];
      y = ys.map(() => []);
      Plotly.extendTraces(plot, { x: ys.map(() => xs), y: ys }, ys.map((_, k) => k)).then(function () {
        const took = performance.now() - begun;
        setTimeout(function () { waits = false; if (x.length) ask(); }, took);
      });
    }
    function ask() {
      if (!waits) { waits = true; requestAnimationFrame(draw); }
    }
    new EventSource("/samples?after=" + plot.data[0].x.length).onmessage = function (event) {
      const got = JSON.parse(event.data);
      x.push(...got.x);
      got.y.forEach((more, k) => y[k].push(...more));
      ask();
    };
  }
  function canvas(plot) {
    const box = plot._fullLayout._size, own = document.createElement("canvas"), near = window.devicePixelRatio || 1;
    const x = plot.data[0].x.slice(), y = plot.data.map((d) => d.y.slice()), colours = COLOURS;
    own.width = box.w * near; own.height = box.h * near;
    own.style.cssText = `position:absolute;left:${box.l}px;top:${box.t}px;width:${box.w}px;height:${box.h}px`;
    plot.parentElement.style.position = "relative";
    plot.parentElement.append(own);
    const pen = own.getContext("2d");
    let fresh = [];
    function draw() {
      pen.clearRect(0, 0, own.width, own.height);
      const low = x[0], across = own.width / (x[x.length - 1] - low), up = own.height / 2.4;
      y.forEach(function (values, k) {
        pen.strokeStyle = colours[k];
        pen.lineWidth = 2 * near;
        pen.lineJoin = "bevel";
        pen.beginPath();
        // no more points than the screen has columns: the newest always among them
        const step = Math.max(1, Math.ceil(values.length / own.width));
        for (let i = (values.length - 1) % step; i < values.length; i += step)
          pen.lineTo((x[i] - low) * across, own.height / 2 - values[i] * up);
        pen.stroke();
      });
      shown(fresh);
      fresh = [];
    }
    new EventSource("/samples?after=" + x.length).onmessage = function (event) {
      const got = JSON.parse(event.data);
      x.push(...got.x);
      got.y.forEach((more, k) => y[k].push(...more));
      if (!fresh.length) requestAnimationFrame(draw);
      fresh.push(...got.x);
    };
  }
  watch();
})();
"""
INDEX = """<!DOCTYPE html><html><head>{%metas%}<title>t</title>{%css%}</head>
<body>{%app_entry%}<footer>{%config%}{%scripts%}{%renderer%}</footer></body></html>"""


def figure_of(x: list[float], y: list[list[float]]) -> dict[str, Any]:
    """The whole figure."""
    traces = [{"type": "scatter", "mode": "lines", "x": x, "y": values} for values in y]
    return {"data": traces, "layout": {"height": 500, "showlegend": False, "yaxis": {"range": [-1.2, 1.2]}}}


def serve(way: Way) -> None:
    """Serve one way on a free port, which is printed, until standard input closes."""
    from dash import Dash, Input, Output, State, dcc, html, no_update

    feed = Feed()
    assets = Path(tempfile.mkdtemp(prefix="chillrig-transport-"))
    script = SCRIPT.replace("BEGUN", repr(feed.begun_s)).replace("WAY", json.dumps(way.name))
    (assets / "bench.js").write_text(script, encoding="utf-8")
    streaming = way is Way.STREAM
    options: dict[str, Any] = {"backend": "fastapi", "websocket_callbacks": True} if streaming else {}
    app = Dash("bench", assets_folder=str(assets), index_string=INDEX, update_title="", **options)

    def layout() -> Any:
        x, y = feed.since(0)
        return html.Div(
            [
                html.Div(dcc.Graph(id="graph", figure=figure_of(x, y), animate=False), id="live"),
                dcc.Store(id="count", data=len(x)),
                dcc.Interval(id="tick", interval=POLL_MS, disabled=way not in (Way.WHOLE, Way.PARTIAL)),
            ]
        )

    app.layout = layout
    if way is Way.WHOLE:

        @app.callback(Output("graph", "figure"), Input("tick", "n_intervals"), prevent_initial_call=True)
        def whole(_ticks: int) -> Any:
            return figure_of(*feed.since(0))

    if way is Way.PARTIAL:

        @app.callback(
            Output("graph", "extendData"),
            Output("count", "data"),
            Input("tick", "n_intervals"),
            State("count", "data"),
            prevent_initial_call=True,
        )
        def more(_ticks: int, count: int) -> Any:
            x, y = feed.since(count)
            return (_extension(x, y), count + len(x)) if x else (no_update, no_update)

    if streaming:
        from dash import set_props

        @app.callback(Input("count", "data"), persistent=True)
        async def stream(count: int) -> None:
            while True:
                await asyncio.sleep(POLL_MS / 1000)
                x, y = feed.since(count)
                if x:
                    set_props("graph", {"extendData": _extension(x, y)})
                    count += len(x)

        _serve_streaming(app)
        return

    from flask import Response, request
    from werkzeug.serving import WSGIRequestHandler, make_server

    def samples() -> Response:
        after = int(request.args["after"])

        def said() -> Iterator[str]:
            count = after
            while True:
                with feed.fresh:
                    while len(feed.x) <= count:
                        feed.fresh.wait()
                x, y = feed.since(count)
                count += len(x)
                yield f"data: {json.dumps({'x': x, 'y': y})}\n\n"

        return Response(said(), mimetype="text/event-stream", headers={"Cache-Control": "no-store"})

    class KeptOpen(WSGIRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_request(self, *_: object) -> None:
            pass

    app.server.add_url_rule("/samples", "samples", samples)
    server = make_server("127.0.0.1", 0, app.server, threaded=True, request_handler=KeptOpen)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    print(server.server_port, flush=True)
    sys.stdin.read()


def _extension(x: list[float], y: list[list[float]]) -> list[Any]:
    return [{"x": [x] * len(y), "y": y}, list(range(len(y)))]


def _serve_streaming(app: Any) -> None:
    import socket

    import uvicorn

    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        port = held.getsockname()[1]
    threading.Thread(target=lambda: (sys.stdin.read(), os._exit(0)), daemon=True).start()
    print(port, flush=True)
    uvicorn.run(app.server, host="127.0.0.1", port=port, log_level="error")


def measure(way: Way, browsers: int, seconds: float, chromium: str) -> Measured:
    """One way with so many browsers, after they have all drawn what was there."""
    from playwright.sync_api import sync_playwright

    with _served(way) as (port, server_pid), sync_playwright() as playwright:
        before = set(parents())
        launched = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(FLAGS))
        pages = [
            launched.new_context(viewport={"width": 1440, "height": 900}).new_page() for _ in range(browsers)
        ]
        for page in pages:
            page.set_default_timeout(120_000)
            page.goto(f"http://127.0.0.1:{port}/")
        for page in pages:
            _asked(page, "window.drawn && '[0]'")
        time.sleep(2.0)
        for page in pages:
            _asked(page, "(window.latencies.length = 0, '[0]')")
        ours = family(before)
        spent, begun = (cpu_s([server_pid]), cpu_s(ours)), time.monotonic()
        time.sleep(seconds)
        lasted = time.monotonic() - begun
        server_s, browser_s = cpu_s([server_pid]) - spent[0], cpu_s(ours) - spent[1]
        answers = [_asked(page, "JSON.stringify([0, ...window.latencies])") for page in pages]
        found = np.concatenate([np.asarray(a[1:], float) for a in answers])
        launched.close()
    p50, p95 = np.percentile(found, [50, 95]) if found.size else (np.nan, np.nan)
    cpu = (round(100 * s / lasted, 1) for s in (server_s, browser_s))
    return Measured(way.value, browsers, int(found.size), round(float(p50), 1), round(float(p95), 1), *cpu)


def _asked(page: Any, expression: str) -> list[float]:
    """A list that the page is asked for; one empty but for a 0 where it is too busy to answer."""
    from playwright.sync_api import TimeoutError as TooBusy

    try:
        answer = page.wait_for_function(f"() => {expression}", timeout=30_000).json_value()
    except TooBusy:
        return [0.0]
    return [float(v) for v in json.loads(answer)]


@contextmanager
def _served(way: Way) -> Iterator[tuple[int, int]]:
    command = [sys.executable, "-m", "tests.benchmarks.live_transport", "--serve", way.name]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdin is not None
        yield int(child.stdout.readline()), child.pid
        child.stdin.close()
        child.wait(20)


def ways_here() -> tuple[Way, ...]:
    """The ways that this installation can measure."""
    served = all(find_spec(m) for m in ("fastapi", "uvicorn", "janus"))
    return tuple(w for w in Way if w is not Way.STREAM or served)


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--serve", choices=[w.name for w in Way])
    parser.add_argument("--browsers", type=int, nargs="+", default=[1, 8])
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--ways", nargs="+", choices=[w.name for w in Way])
    parser.add_argument("--json", action="store_true")
    told = parser.parse_args()
    if told.serve:
        serve(Way[told.serve])
        return 0
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print("no Chromium here", file=sys.stderr)
        return 1
    ways = [Way[w] for w in told.ways] if told.ways else ways_here()
    found = [measure(way, n, told.seconds, chromium) for n in told.browsers for way in ways]
    if told.json:
        print(json.dumps([asdict(m) for m in found], indent=1))
        return 0
    print(
        f"{'way':38} {'browsers':>8} {'p50 ms':>8} {'p95 ms':>8} {'server %':>9} {'browsers %':>10} {'samples':>8}"
    )
    for m in found:
        print(
            f"{m.way:38} {m.browsers:8d} {m.p50_ms:8.0f} {m.p95_ms:8.0f} {m.server_cpu_pct:9.0f} "
            f"{m.browser_cpu_pct:10.0f} {m.samples:8d}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
