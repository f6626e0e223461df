"""Ten seconds of four devices at 100 Hz; the ten-minute version is `python -m tests.benchmarks.capture_load`."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.benchmarks.capture_load import load


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_four_devices_at_100_hz_lose_nothing_and_memory_stays_flat(tmp_path: Path) -> None:
    found = load(tmp_path, 10.0)
    print(f"\n{found}")
    assert found.sent > 3000
    assert found.recorded == found.sent
    assert (found.lost, found.dropped, found.bad) == (0, 0, 0)
    assert found.rss_end_mb - found.rss_start_mb < 5.0
