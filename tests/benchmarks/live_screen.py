"""How long from a reading to the screen on the page Live itself, with a drink under way.

    python -m tests.benchmarks.live_screen [--browsers 1 8] [--seconds 20]

Four simulated probes on pseudo-terminals send 20 readings a second each. Everything in between is real: the
recorder's process, its journal, the dashboard's process with the live call, and Chromium. One of the probes reads
a clock, so that a frame tells how old the newest reading is that it shows. All share this computer; CPU is in
percent of one core, from /proc.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock
from tests.benchmarks.live_transport import FLAGS
from tests.benchmarks.processes import cpu_s, family, parents
from tests.dashboard.live_drinks import small_logbook

RATE_HZ = 20.0
ROUND_S, SETTLE_S = 30.0, 4.0
"""The clock's reading goes from 0 to 30 and starts again: a temperature that a probe may show."""
WATCH = """
(function () {
  window.ages = [];
  let newest = null, kept = 0;
  Object.defineProperty(chillrigLive, "drawn_s", {
    get: () => kept,
    set: function (value) {
      kept = value;
      const clock = chillrigLive.others.clock, last = clock && clock[clock.length - 1];
      if (!last || last[0] === newest) return;
      newest = last[0];
      // set while the page makes a frame: a task put off until after it finds that frame handed to the screen
      setTimeout(function () {
        const now = (performance.timeOrigin + performance.now()) / 1000;
        window.ages.push(1000 * ((((now - last[1]) % ROUND) + ROUND) % ROUND));
      }, 0);
    },
  });
})();
""".replace("ROUND", f"{ROUND_S:g}")


@dataclass(frozen=True)
class Seen:
    """What so many browsers came to; ages in ms, CPU in percent of one core."""

    browsers: int
    frames_hz: float
    p50_ms: float
    p95_ms: float
    server_cpu_pct: float
    recorder_cpu_pct: float
    browser_cpu_pct: float


def _channels(n: int) -> Any:
    if n == 3:
        return lambda s: [("clock", time.time() % ROUND_S, "C")]
    tau_s, name = (6.0, 9.0, 25.0)[n], ("probe", "wall", "lid")[n]
    return lambda s: [(name, -4.0 + 26.0 * float(np.exp(-(s % 40.0) / tau_s)), "C")]


@contextmanager
def under_way(folder: Path) -> Iterator[tuple[str, int]]:
    """A drink being shaken on a served dashboard: its address, and the server's process."""
    now_s = simulated_clock(1.0)
    with ExitStack() as stack:
        addresses = []
        for n in range(4):
            device = SimulatedDevice(folder / f"probe-{n}", _channels(n), RATE_HZ, board=f"board-{n}")
            stack.callback(device.close)
            pacer = Pacer(device, now_s)
            pacer.start()
            stack.callback(pacer.stop)
            addresses.append(device.address)
        command = [sys.executable, "-m", "dashboard", "--port", "0", "--logbook", str(small_logbook(folder))]
        for address in addresses:
            command += ["--device", address]
        child = stack.enter_context(subprocess.Popen(command, stdout=subprocess.PIPE, text=True))
        stack.callback(child.terminate)
        assert child.stdout is not None
        at = child.stdout.readline().split()[3].rstrip("/")
        asked = {"bench": "corner", "target": "coupe", "devices": "heard", "port": addresses}
        _tell(at, act="begin", asked=asked)
        _until_moving(at)
        yield at, child.pid


def _tell(at: str, **told: Any) -> None:
    request = urllib.request.Request(
        f"{at}/live/act", json.dumps(told).encode(), {"Content-Type": "application/json"}
    )
    with urllib.request.urlopen(request) as answer:
        answer.read()


def _until_moving(at: str) -> None:
    """Leave every weighing out, for there is no scale, and start."""
    with urllib.request.urlopen(f"{at}/live/events") as events:
        for line in events:
            if not line.startswith(b"data: "):
                continue
            state = json.loads(line[6:])
            if state.get("phase") == "trouble":
                raise RuntimeError(state["trouble"])
            if state.get("phase") == "moving":
                return
            try:
                if state.get("step"):
                    _tell(at, act="skip", step=state["step"])
                elif state.get("phase") == "ready":
                    _tell(at, act="go", phase="ready")
            except urllib.error.HTTPError as error:
                raise RuntimeError(error.read().decode()) from error


def measure(browsers: int, seconds: float, chromium: str) -> Seen:
    """So many browsers that watch one drink."""
    from playwright.sync_api import sync_playwright

    with (
        tempfile.TemporaryDirectory(prefix="chillrig-screen-", ignore_cleanup_errors=True) as folder,
        under_way(Path(folder)) as (at, server_pid),
        sync_playwright() as playwright,
    ):
        recorder = [p for p, parent in parents().items() if parent == server_pid]
        before = set(parents())
        launched = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(FLAGS))
        pages = []
        for _ in range(browsers):
            page = launched.new_context(viewport={"width": 1440, "height": 900}).new_page()
            page.set_default_timeout(120_000)
            page.goto(f"{at}/live")
            page.wait_for_function("() => window.chillrigLive && chillrigLive.drawn_s")
            pages.append(page)
        for page in pages:
            page.evaluate(WATCH)
        time.sleep(SETTLE_S)
        for page in pages:
            page.evaluate("() => void (window.ages.length = 0)")
        groups = ([server_pid], recorder, family(before))
        spent, begun = [cpu_s(pids) for pids in groups], time.monotonic()
        time.sleep(seconds)
        lasted = time.monotonic() - begun
        cpu = [round(100 * (cpu_s(p) - s) / lasted, 1) for p, s in zip(groups, spent, strict=True)]
        ages = np.concatenate([np.asarray(page.evaluate("() => window.ages"), float) for page in pages])
        launched.close()
    p50, p95 = np.percentile(ages, [50, 95]) if ages.size else (np.nan, np.nan)
    shown_hz = ages.size / lasted / browsers
    return Seen(browsers, round(shown_hz, 1), round(float(p50), 1), round(float(p95), 1), *cpu)


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--browsers", type=int, nargs="+", default=[1, 8])
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--json", action="store_true")
    told = parser.parse_args()
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print("no Chromium here", file=sys.stderr)
        return 1
    found = [measure(n, told.seconds, chromium) for n in told.browsers]
    if told.json:
        print(json.dumps([asdict(m) for m in found], indent=1))
        return 0
    print("browsers  new readings/s  p50 ms  p95 ms  server %  recorder %  browsers %")
    for m in found:
        print(
            f"{m.browsers:8d}  {m.frames_hz:14.1f}  {m.p50_ms:6.0f}  {m.p95_ms:6.0f}  {m.server_cpu_pct:8.0f}  "
            f"{m.recorder_cpu_pct:10.0f}  {m.browser_cpu_pct:10.0f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
