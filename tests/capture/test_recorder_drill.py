"""Twenty kills at random moments, and a few rounds of the other drills; `python -m tests.capture.drill` does more."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.capture.drill import Toll, drill
from tests.capture.drill_kinds import SHORT, Drill
from tests.capture.drills import DRILLS


@pytest.mark.slow
def test_twenty_kills_cost_no_acknowledged_reading_and_repeat_none(tmp_path: Path) -> None:
    toll = drill(20, 7, tmp_path)
    assert toll.kills == 20
    assert toll.acknowledged > 200
    assert toll.passed, str(toll)


@pytest.mark.parametrize("flaw", ["lost", "repeated", "missing_between", "unreadable", "not_offered"])
def test_one_flaw_fails_the_drill(flaw: str) -> None:
    assert Toll(kills=1, acknowledged=5).passed
    assert not (Toll(kills=1) + Toll(**{flaw: 1})).passed


@pytest.mark.slow
@pytest.mark.parametrize("other", DRILLS, ids=lambda d: d.__name__)
def test_a_short_drill_of_everything_else_passes(other: Drill, tmp_path: Path) -> None:
    rows = other(7, SHORT, tmp_path)
    assert rows and all(row.passed for row in rows), rows
