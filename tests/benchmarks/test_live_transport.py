"""The way that samples take to the screen of Live against the plainest one, side by side in one run.

All ways with one and eight browsers: `python -m tests.benchmarks.live_transport`; the page itself with a drink under
way: `python -m tests.benchmarks.live_screen`.
"""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks.live_screen import RATE_HZ, Seen
from tests.benchmarks.live_transport import Measured, Way

pytestmark = [pytest.mark.slow, pytest.mark.browser]


def _measured(module: str, *how: str) -> list[dict[str, Any]]:
    if shutil.which("chromium") is None and shutil.which("chromium-browser") is None:
        pytest.skip("no Chromium here; install Debian's package chromium")
    # a process of its own: other browser tests of this worker keep an event loop that this one must not meet
    order = [sys.executable, "-m", f"tests.benchmarks.{module}", "--json", "--browsers", "1", *how]
    done = subprocess.run(order, capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2])
    return list(json.loads(done.stdout))


@pytest.fixture(scope="module")
def whole_and_chosen() -> tuple[Measured, Measured]:
    found = _measured("live_transport", "--seconds", "5", "--ways", Way.WHOLE.name, Way.CANVAS.name)
    whole, chosen = (Measured(**m) for m in found)
    return whole, chosen


def test_events_on_a_canvas_are_seen_far_sooner_than_whole_figures(
    whole_and_chosen: tuple[Measured, Measured],
) -> None:
    whole, chosen = whole_and_chosen
    print(f"\n{whole}\n{chosen}")
    assert chosen.samples > 20
    assert chosen.p95_ms < 0.7 * _seen(whole)
    assert chosen.server_cpu_pct < whole.server_cpu_pct


def test_a_reading_goes_all_the_way_to_the_page_sooner_than_a_whole_figure_is_drawn(
    whole_and_chosen: tuple[Measured, Measured],
) -> None:
    whole, _ = whole_and_chosen
    (found,) = (Seen(**m) for m in _measured("live_screen", "--seconds", "5"))
    print(f"\n{whole}\n{found}")
    assert 1.0 < found.frames_hz <= 1.1 * RATE_HZ
    # through board, recorder, journal and live call, and yet sooner than a feed in the server's own memory
    assert found.p95_ms < _seen(whole)


def _seen(measured: Measured) -> float:
    """The 95th percentile [ms]; without end where the page was too busy to show or say anything."""
    return measured.p95_ms if measured.samples and math.isfinite(measured.p95_ms) else math.inf
