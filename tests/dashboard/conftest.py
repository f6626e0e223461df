from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.live.room import LiveRoom
from dashboard.service import BenchView
from dashboard.sources import LogbookSource, logbook_source
from rig.logbook.store import open_logbook
from tests.dashboard.benches import close, fitted_view, small_book
from tests.dashboard.live_drinks import room_at, small_logbook, told


@pytest.fixture(scope="session")
def view() -> BenchView:
    return fitted_view()


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A logbook of the small bench, already fitted."""
    return small_logbook(tmp_path)


@pytest.fixture
def room(book: Path) -> Iterator[LiveRoom]:
    """The live room over it; a drink still under way at the end is discarded."""
    made, _ = room_at(book)
    yield made
    if told(made)["phase"] != "idle":
        made.discard()


@pytest.fixture
def source(tmp_path: Path) -> Iterator[LogbookSource]:
    """A logbook with the small bench, called corner, whose runs nobody has fitted."""
    at = tmp_path / "bar.sqlite"
    with open_logbook(at) as opened:
        opened.add(small_book(), "corner", "made for a test")
    made = logbook_source(str(at))
    yield made
    close(made)
