"""A change of a run can be taken back, a deleted run comes back, and nothing of either is lost."""

from __future__ import annotations

import pytest

from rig.errors import BenchError, NotFound
from rig.logbook.intake import Added
from rig.logbook.listing import LogbookListing, RunFilter
from rig.logbook.store import Logbook, open_logbook
from rig.runs import RunBook


def test_undo_walks_back_through_the_changes_that_stand(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    before = logbook.run("bar", "r1")
    logbook.edit_run("bar", "r1", {"drink_temp_c": 20.0}, "read it wrong")
    logbook.edit_run("bar", "r1", {"drink_temp_c": 21.0, "notes": "x"}, "again")
    assert logbook.undo("bar", "r1").rev == 3
    assert logbook.run("bar", "r1").drink_temp_c == 20.0
    logbook.edit_run("bar", "r1", {"room_temp_c": 19.0}, "thermometer")
    assert logbook.undo("bar", "r1").why == "thermometer"
    assert logbook.undo("bar", "r1").why == "read it wrong"
    assert logbook.run("bar", "r1") == before
    with pytest.raises(BenchError, match="no change to undo"):
        logbook.undo("bar", "r1")
    assert [c.why for c in logbook.history("bar", "r1")][-1] == "undo of revision 2"


def test_a_deleted_run_is_in_no_list_and_no_book_and_comes_back_whole(url: str, book: RunBook) -> None:
    with open_logbook(url) as logbook:
        logbook.add(book, "bar", "folder")
        whole = logbook.book("bar")
        logbook.delete_run("bar", "r1", "a test")
        assert "r1" not in {r.run for r in logbook.book("bar").runs}
        assert "r1" not in {r.run.run for r in logbook.list_runs("bar")}
        assert logbook.benches()[0].runs == len(book.runs) - 1
        assert [(d.run, d.why) for d in logbook.deleted_runs("bar")] == [("r1", "a test")]
        listing = LogbookListing(url)
        assert listing.tally("bar").runs == len(book.runs) - 1
        assert "r1" not in {r.run for r in listing.page("bar", RunFilter(), 0, 50).runs}
        listing.close()
        assert logbook.add(book, "bar", "folder") == Added(unchanged=len(book.runs))
        assert "r1" not in {r.run for r in logbook.book("bar").runs}
        with pytest.raises(BenchError, match="deleted already"):
            logbook.delete_run("bar", "r1", "again")
        logbook.restore_run("bar", "r1", "no, it was good")
        assert logbook.book("bar") == whole and logbook.deleted_runs("bar") == ()
        logbook.delete_run("bar", "r1", "after all")
        assert logbook.undo("bar", "r1").why == "after all"
        assert logbook.book("bar") == whole


def test_only_what_is_there_can_be_deleted(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    with pytest.raises(NotFound):
        logbook.delete_run("bar", "r99", "x")
    with pytest.raises(BenchError, match="not deleted"):
        logbook.restore_run("bar", "r1", "x")
