"""The way that samples take to the screen of Live against the plainest one, side by side in one run.

All ways with one and eight browsers: `python -m tests.benchmarks.live_transport`.
"""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.benchmarks.live_transport import Measured, Way


@pytest.mark.slow
@pytest.mark.browser
def test_events_on_a_canvas_are_seen_far_sooner_than_whole_figures() -> None:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("no Chromium here; install Debian's package chromium")
    # a process of its own: other browser tests of this worker keep an event loop that this one must not meet
    order = [sys.executable, "-m", "tests.benchmarks.live_transport", "--json", "--browsers", "1"]
    done = subprocess.run(
        [*order, "--seconds", "5", "--ways", Way.WHOLE.name, Way.CANVAS.name],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    whole, chosen = (Measured(**m) for m in json.loads(done.stdout))
    print(f"\n{whole}\n{chosen}")
    assert chosen.samples > 20
    assert chosen.p95_ms < 0.7 * _seen(whole)
    assert chosen.server_cpu_pct < whole.server_cpu_pct


def _seen(measured: Measured) -> float:
    """The 95th percentile [ms]; without end where the page was too busy to show or say anything."""
    return measured.p95_ms if measured.samples and math.isfinite(measured.p95_ms) else math.inf
