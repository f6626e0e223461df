"""A page asks the database three times at the most, however long the logbook: a server may be far away."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
import sqlalchemy as sa

from dashboard.app import PAGES, page
from dashboard.service import Service
from dashboard.sources import LogbookSource, logbook_source
from rig.errors import NotFound
from rig.logbook.editing import describe
from rig.logbook.store import Logbook, open_logbook
from rig.runs import RunBook
from tests.dashboard.benches import close, small_book
from tests.dashboard.test_reader_units import ADDRESSES
from tests.logbook.conftest import BENCH, RUNS, keeping, trace
from tests.shared_fits import keep_fit

MOST = 3


@pytest.fixture
def said() -> Iterator[list[str]]:
    """Every statement of this thread."""
    seen: list[str] = []
    here = threading.current_thread()

    def note(_c: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        if threading.current_thread() is here and statement not in ("BEGIN", "BEGIN IMMEDIATE"):
            seen.append(statement)

    sa.event.listen(sa.Engine, "before_cursor_execute", note)
    yield seen
    sa.event.remove(sa.Engine, "before_cursor_execute", note)


@pytest.fixture
def source(url: str) -> Iterator[LogbookSource]:
    """A logbook that was worked with: runs deleted and corrected, the bench described anew, steps taken back."""
    with open_logbook(url) as logbook:
        logbook.add(small_book(), "corner", "made up")
        first, second, third = (r.run for r in small_book().runs[-3:])
        for n in range(6):
            logbook.edit_run("corner", first, {"room_temp_c": 20.0 + n}, "read again")
            describe(logbook, "corner", "vessels", "jar", {"mass_g": 300 + n}, "weighed again")
        logbook.undo("corner", first)
        logbook.delete_run("corner", second, "a test")
        logbook.delete_run("corner", third, "a test")
        keep_fit(logbook, "corner")
    made = logbook_source(url)
    yield made
    close(made)


def test_no_page_asks_more_than_three_times(source: LogbookSource, said: list[str]) -> None:
    service = Service(source)
    service.view("corner")
    asked = {}
    for address in ADDRESSES:
        said.clear()
        assert page(service, address, "").content is not None
        asked[address] = len(said)
    assert len(asked) == len(PAGES) and {a: n for a, n in asked.items() if n > MOST} == {}


def test_the_runs_of_a_long_bench_to_fit_are_read_at_once(source: LogbookSource, said: list[str]) -> None:
    counts = []
    for most in (4, 8):
        said.clear()
        assert len(replace(source, most_fitted=most).book("corner").runs) == most
        counts.append(len(said))
    assert counts[0] == counts[1] <= 5


def test_one_channel_is_read_without_the_others(
    logbook: Logbook, said: list[str], request: pytest.FixtureRequest
) -> None:
    logbook.add(RunBook(BENCH, RUNS), "corner", "made up")
    spoilt = sa.text("update channel set codec = 'gone' where name not in ('time_s', 'scale_g')")
    if "crowd" in request.fixturenames:  # in a venue nobody may spoil a channel but who keeps the logbook
        with (
            pytest.raises(sa.exc.ProgrammingError, match="permission denied"),
            logbook._engine.begin() as mine,
        ):
            mine.execute(spoilt)
        with keeping(request.getfixturevalue("crowd")) as connection:
            assert connection.execute(spoilt).rowcount
    else:
        with logbook._engine.begin() as connection:
            assert connection.execute(spoilt).rowcount
    said.clear()
    time_s, scale_g = logbook.channel("corner", "r1", "scale_g")
    assert len(said) == 1
    assert (time_s == trace(1).time_s).all() and scale_g.size == time_s.size
    with pytest.raises(NotFound, match="probe_tin wall_c"):
        logbook.channel("corner", "r1", "probe_tip_c")
    for missing in (("corner", "r9"), ("corners", "r1")):
        with pytest.raises(NotFound):
            logbook.channel(*missing, "scale_g")
