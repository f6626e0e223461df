"""What was changed of a run is said in words, never as the program keeps it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from dashboard.pages.run_corrections import history_block, was_and_is
from rig.logbook.edits import Change
from tests.dashboard.reading import text


@pytest.mark.parametrize(
    ("field", "before", "after", "said"),
    [
        ("extra", {"barista": "Juno", "humidity_pct": "40"}, {"barista": "Juno", "humidity_pct": "55"},
         ("humidity pct: 40", "humidity pct: 55")),
        ("extra", None, {"mood": "calm"}, ("–", "mood: calm")),
        ("trace", "9f8e", "77aa", ("a trace", "a trace")),
        ("strained_mass_g", 120.0, -0.04, ("120.0 g", "0.0 g")),
        ("probes", [1.5, -2.0], ["tip"], ("1.5, −2.0", "tip")),
        ("started_at", "2031-05-03T18:00:00+00:00", None, ("2031-05-03 18:00", "–")),
        ("notes", "", "as the tone said", ("–", "as the tone said")),
    ],
)  # fmt: skip
def test_a_change_is_said_in_words(field: str, before: Any, after: Any, said: tuple[str, str]) -> None:
    assert was_and_is(field, before, after) == said


def test_a_history_has_no_brace_in_it() -> None:
    change = Change(2, datetime(2031, 5, 3, tzinfo=UTC), "typed wrongly", {"extra": ({"a": "1"}, {"a": "2"})})
    told = text(history_block((change,)))
    assert not set("{}[]'") & set(told)
    assert "typed wrongly" in told
