"""What is new is sent while the dashboard runs; the page Rig says what waits, and a run what two people said of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.pages.rig import waiting_line
from dashboard.pages.run_corrections import history_block
from dashboard.sending import Sender, send_once
from rig.importing.bench_folder import open_bench
from rig.logbook.outbox import waiting
from rig.logbook.store import Logbook, open_logbook
from rig.logbook.sync import sync_with
from tests.cli.small_bench import small_bench
from tests.dashboard.reading import text as text_of


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    """A logbook that was synced once, before its runs came."""
    with open_logbook(tmp_path / "bar.sqlite") as made:
        sync_with(made, str(tmp_path / "shared.sqlite"))
        made.add(open_bench(small_bench(tmp_path / "corner")), "corner", "folder")
        yield made


def test_the_rig_page_says_what_waits_and_since_when(logbook: Logbook) -> None:
    left = waiting(logbook)
    assert left is not None and left.since is not None
    said = text_of(waiting_line(left))
    assert f"{left.count} entries wait for" in said and f"since {left.since.astimezone():%Y-%m-%d}" in said
    assert send_once(logbook)
    left = waiting(logbook)
    assert left is not None and text_of(waiting_line(left)).startswith("Nothing waits for")


def test_a_sender_sends_by_itself(logbook: Logbook, tmp_path: Path) -> None:
    sender = Sender(logbook)
    sender.start()
    assert sender.tried.wait(60)
    sender.close()
    with open_logbook(tmp_path / "shared.sqlite") as shared:
        assert shared.book("corner").runs == logbook.book("corner").runs


def test_where_nothing_is_shared_nothing_is_sent(tmp_path: Path) -> None:
    with open_logbook(tmp_path / "alone.sqlite") as alone:
        assert not send_once(alone)


def test_a_run_shows_what_two_people_said_of_it_side_by_side(logbook: Logbook, tmp_path: Path) -> None:
    name, shared = logbook.book("corner").runs[0].run, str(tmp_path / "shared.sqlite")
    sync_with(logbook, shared)
    with open_logbook(tmp_path / "other.sqlite") as other:
        sync_with(other, shared)
        logbook.edit_run("corner", name, {"ice_mass_g": 181.0}, "weighed here")
        other.edit_run("corner", name, {"ice_mass_g": 182.0}, "weighed there")
        sync_with(other, shared)
    sync_with(logbook, shared)
    said = text_of(history_block(logbook.history("corner", name)))
    assert "two people corrected it without knowing of each other" in said
    assert "weighed here" in said and "weighed there" in said and "181" in said and "182" in said
    logbook.edit_run("corner", name, {"ice_mass_g": 181.0}, "asked both")
    assert "two people" not in text_of(history_block(logbook.history("corner", name)))
