"""A start and a stop that are moved move the trace with all that is noted on it, and are taken back as one change."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rig.errors import BenchError, NotFound
from rig.logbook.motion_moved import move_motion
from rig.logbook.store import Logbook, open_logbook
from rig.runs import Run, Trace
from tests.cli.small_bench import small_book

AT = datetime(2031, 4, 3, 21, 4, 10, tzinfo=UTC)


def _run() -> Run:
    time_s = np.arange(-10.0, 30.0, 0.5)
    trace = Trace(time_s, {"": np.linspace(20.0, -2.0, time_s.size)})
    run = next(r for r in small_book().runs if r.duration_s is not None)
    return replace(run, run="m1", trace=trace, duration_s=12.0, started_at=AT, extra={"mark at 5.0 s": "lid"})


@pytest.fixture
def logbook() -> Iterator[Logbook]:
    book = small_book()
    with open_logbook(None) as opened:
        opened.add(replace(book, runs=(*book.runs, _run())), "corner", "made for a test")
        yield opened


def test_the_trace_its_marks_and_its_clock_count_from_the_new_start(logbook: Logbook) -> None:
    before = logbook.run("corner", "m1")
    move_motion(logbook, "corner", "m1", 2.0, 9.5, "the tin was tapped first")
    after = logbook.run("corner", "m1")
    assert before.trace is not None and after.trace is not None and after.trace.probe_c is not None
    assert after.trace.time_s == pytest.approx(before.trace.time_s - 2.0)
    assert np.array_equal(after.trace.probe_c, before.trace.probe_c)
    assert after.duration_s == 9.5 and after.extra == {"mark at 3.0 s": "lid"}
    assert after.started_at is not None and (after.started_at - AT).total_seconds() == 2.0
    (change,) = logbook.history("corner", "m1")
    assert set(change.changes) == {"trace", "duration_s", "extra", "started_at"}
    logbook.undo("corner", "m1")
    assert logbook.run("corner", "m1") == before


def test_a_stop_alone_leaves_the_trace_as_it_is(logbook: Logbook) -> None:
    before = logbook.run("corner", "m1")
    move_motion(logbook, "corner", "m1", 0.0, None, "nobody knows")
    assert logbook.run("corner", "m1") == replace(before, duration_s=None)


@pytest.mark.parametrize(
    ("run", "start_s", "duration_s", "error", "says"),
    [
        ("m1", 40.0, 5.0, BenchError, "motion cannot start at 40.0 s"),
        ("m1", -11.0, 5.0, BenchError, "motion cannot start at -11.0 s"),
        ("m1", float("nan"), 5.0, BenchError, "cannot start at nan"),
        ("m1", 1.0, -5.0, BenchError, "negative"),
        ("m1", 1.0, float("inf"), BenchError, "not a number"),
        ("zz", 1.0, 5.0, NotFound, "zz"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_changes(
    logbook: Logbook, run: str, start_s: float, duration_s: float, error: type[Exception], says: str
) -> None:
    before = logbook.book("corner")
    with pytest.raises(error, match=says):
        move_motion(logbook, "corner", run, start_s, duration_s, "a test")
    assert logbook.book("corner") == before


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(start_s=st.floats(-9.9, 20.0), duration_s=st.none() | st.floats(1.0, 60.0))
def test_whatever_is_moved_is_taken_back_whole(
    logbook: Logbook, start_s: float, duration_s: float | None
) -> None:
    before = logbook.run("corner", "m1")
    known = len(logbook.history("corner", "m1"))
    move_motion(logbook, "corner", "m1", start_s, duration_s, "a test")
    if len(logbook.history("corner", "m1")) > known:
        logbook.undo("corner", "m1")
    assert logbook.run("corner", "m1") == before
