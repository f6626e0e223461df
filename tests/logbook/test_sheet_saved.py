"""A sheet of changes is checked cell by cell, saved whole or not at all, and taken back as one step."""

from __future__ import annotations

import pytest

from rig.errors import BenchError
from rig.logbook.editing import undo_step
from rig.logbook.sheet import SheetEdits, check_sheet, save_sheet
from rig.logbook.steps import last_step
from rig.logbook.store import Logbook
from rig.runs import RunBook

SET_UP = {"technique": "shake", "vessel": "tin", "ice": "cube", "recipe": "black"}


def test_a_sheet_is_one_step_with_units_and_commas_and_is_undone_as_one(
    logbook: Logbook, book: RunBook
) -> None:
    logbook.add(book, "bar", "folder")
    before = logbook.book("bar")
    edits = SheetEdits(
        {"r1": {"room_temp_c": "68 °F", "ice_temp_c": "−4,5"}, "r2": {"session": "late", "ice_mass_g": ""}},
        ({}, {"run": "n1", **SET_UP, "duration_s": "12,5", "started_at": "2026-03-10 18:30"}, {"run": " "}),
    )
    assert check_sheet(logbook, "bar", edits) == ()
    assert logbook.book("bar") == before
    assert save_sheet(logbook, "bar", edits, "from the notebook") == ()
    r1, n1 = logbook.run("bar", "r1"), logbook.run("bar", "n1")
    assert (r1.room_temp_c, r1.ice_temp_c) == (pytest.approx(20.0), -4.5)
    assert n1.duration_s == 12.5 and n1.started_at is not None and n1.vessel == "tin"
    assert [c.why for c in logbook.history("bar", "r1")] == ["from the notebook"]
    taken = last_step(logbook, "bar")
    assert taken is not None and taken.words == "run n1 brought in, 2 runs changed"
    undo_step(logbook, "bar")
    assert logbook.book("bar") == before
    with pytest.raises(BenchError, match="nothing to save"):
        save_sheet(logbook, "bar", SheetEdits(new=({}, {})), "nothing")


def test_every_wrong_cell_is_told_and_nothing_is_saved(logbook: Logbook, book: RunBook) -> None:
    logbook.add(book, "bar", "folder")
    before = logbook.book("bar")
    edits = SheetEdits(
        {
            "r1": {"room_temp_c": "warm", "ice_mass_g": "9", "notes": "kept"},
            "r2": {"vessel": "", "recipe": "blak", "started_at": "3/4/26"},
            "r99": {"notes": "who?"},
        },
        (
            {"run": "r1", **SET_UP},
            {"run": "", **SET_UP},
            {"run": "n1", "vessel": "tin"},
            {"run": "R2", **SET_UP},
        ),
    )
    faults = save_sheet(logbook, "bar", edits, "a bad day")
    assert faults == check_sheet(logbook, "bar", edits)
    where = [(f.run, f.new, f.field) for f in faults]
    assert where == [
        ("r1", None, "room_temp_c"),
        ("r1", None, "ice_mass_g"),
        ("r2", None, "vessel"),
        ("r2", None, "recipe"),
        ("r2", None, "started_at"),
        ("r99", None, "notes"),
        ("", 0, "run"),
        ("", 1, "run"),
        ("", 2, "technique"),
        ("", 2, "ice"),
        ("", 2, "recipe"),
        ("", 3, "run"),
    ]
    assert "outside 10 to 20000 g" in faults[1].what and faults[1].cure
    assert logbook.book("bar") == before
    assert (last_step(logbook, "bar") or pytest.fail()).began_bench


def test_what_mass_and_heat_forbid_is_marked_in_a_new_row_as_in_an_old_one(
    logbook: Logbook, book: RunBook
) -> None:
    logbook.add(book, "bar", "folder")
    row = {"drink_mass_g": "90", "ice_mass_g": "200", "strained_mass_g": "500"}
    faults = check_sheet(logbook, "bar", SheetEdits(new=({"run": "n1", **SET_UP, **row},)))
    assert {(f.run, f.new) for f in faults} == {("", 0)}
    assert "strained_mass_g" in {f.field for f in faults} <= {*row, "run"}
    old = check_sheet(logbook, "bar", SheetEdits({"r3": row}))
    assert {f.run for f in old} == {"r3"}
