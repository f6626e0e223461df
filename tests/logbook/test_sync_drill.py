"""The drill of the sync in small: real processes, a real server, each killed at a statement drawn beforehand."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.logbook.sync_drill import drill


@pytest.mark.slow
def test_kills_on_either_side_lose_nothing_and_leave_nothing_twice(tmp_path: Path) -> None:
    said = drill(kills=12, runs=72, corrections=48, seed=3, folder=tmp_path)
    assert said.startswith("6 kills of a bar's program and 6 of the server")
    assert "0 values corrected side by side" not in said
