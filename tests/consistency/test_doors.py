"""Whichever way a run comes in, the same door is in it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from rig.bench import Bench, Ice, Ingredient, Recipe, Vessel
from rig.consistency.judging import judged
from rig.errors import BenchError, Place
from rig.importing.book_file import open_book
from rig.importing.write_bench import book_json
from rig.logbook.store import Logbook, open_logbook
from rig.runs import Gravity, Run, RunBook
from tests.cli.conftest import call

BENCH = Bench(
    vessels={"tin": Vessel("tin", mass_g=235)},
    ice={"cube": Ice("cube", edge_mm=24, temp_c=-1)},
    recipes={"black": Recipe("black", (Ingredient("coffee", 50), Ingredient("spirit", 35, abv_pct=42)))},
)
GOOD = Run(
    "r1", "shake", "tin", "cube", "black", ice_mass_g=212.5, ice_temp_c=-1.0, drink_mass_g=84.3,
    drink_temp_c=23.6, duration_s=10.0, strained_mass_g=125.0,
)  # fmt: skip


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(str(tmp_path / "bar.sqlite")) as opened:
        opened.add(RunBook(BENCH, (GOOD,)), "bar", "a test")
        yield opened


def test_a_correction_that_cannot_be_is_refused_with_its_column(logbook: Logbook) -> None:
    with pytest.raises(
        BenchError, match=r"column strained_mass_g, run r1: .* more than drink 84\.3 g and ice"
    ):
        logbook.edit_run("bar", "r1", {"strained_mass_g": 1250.0}, "weighed again")
    assert logbook.run("bar", "r1") == GOOD and logbook.history("bar", "r1") == ()


def test_a_correction_may_mend_what_cannot_be_in_steps_and_touch_what_is_odd(logbook: Logbook) -> None:
    logbook.add(RunBook(BENCH, (replace(GOOD, run="old", strained_mass_g=1250.0),)), "bar", "before the door")
    assert logbook.edit_run("bar", "old", {"drink_temp_c": 24.0}, "read it wrong") == 2
    assert logbook.edit_run("bar", "old", {"strained_mass_g": 125.0}, "a lost point") == 3
    assert logbook.edit_run("bar", "r1", {"room_temp_c": 4.0}, "it was in the cellar") == 2


def test_an_exported_file_passes_the_door_once(tmp_path: Path) -> None:
    wrong = replace(GOOD, strained_mass_g=1250.0, room_temp_c=4.0)
    path = tmp_path / "runs.json"
    path.write_text(book_json(RunBook(BENCH, (wrong,))), encoding="utf-8")
    book = open_book(path)
    assert book is not None and book.runs == (replace(wrong, strained_mass_g=None),)
    assert [(f.gravity, f.place.column) for f in book.findings] == [
        (Gravity.LEFT_OUT, "strained_mass_g"),
        (Gravity.DOUBT, "room_temp_c"),
    ]
    path.write_text(book_json(book), encoding="utf-8")
    again = open_book(path)
    assert again is not None and again == book


def test_numbers_told_beside_a_table_pass_the_door(tmp_path: Path, logbook: Logbook) -> None:
    rows = "".join(f"{i * 0.5};{20 if i < 10 else max(20 - 2 * (i - 10), -2)}\n" for i in range(40))
    table = tmp_path / "probe.csv"
    table.write_text("t_s;Probe (°C)\n" + rows, encoding="utf-8")
    told = [
        "import", str(table), "--run", "r2", "--technique", "shake", "--vessel", "tin", "--ice", "cube",
        "--recipe", "black", "--drink-mass-g", "84.3", "--ice-mass-g", "212.5", "--strained-mass-g", "1250",
        "--logbook", str(tmp_path / "bar.sqlite"), "--bench-name", "bar", "--json",
    ]  # fmt: skip
    said = call(*told)
    assert said.code == 0
    found = json.loads(said.out)["findings"]
    (finding,) = [f for f in found if f["column"] == "strained_mass_g"]
    assert finding["gravity"] == "left out" and "125 g would fit" in finding["cure"]
    stored = logbook.run("bar", "r2")
    assert stored.strained_mass_g is None and stored.ice_mass_g == 212.5


def test_a_doubt_goes_when_its_run_is_mended_and_comes_back_when_that_is_undone(logbook: Logbook) -> None:
    def told() -> list[str | None]:
        return [f.place.column for f in logbook.book("bar").findings if f.place.run == "odd"]

    cold = replace(GOOD, run="odd", room_temp_c=4.0, strained_mass_g=1250.0)
    one = judged(BENCH, [cold])[0]
    source = RunBook(BENCH, (one.run,), one.findings(Place(file="run_sheet.csv", line=2)))
    logbook.add(source, "bar", "sheet")
    assert told() == ["strained_mass_g", "room_temp_c"]
    logbook.edit_run("bar", "odd", {"room_temp_c": 20.0}, "read it wrong")
    assert told() == ["strained_mass_g"]
    logbook.edit_run("bar", "odd", {"strained_mass_g": 125.0}, "a lost point")
    assert told() == []
    logbook.add(source, "bar", "sheet")
    assert told() == []
    logbook.edit_run("bar", "odd", {"duration_s": 140.0}, "timed again")
    assert told() == ["duration_s"]
    logbook.edit_run(
        "bar", "odd", {"duration_s": 10.0, "room_temp_c": 4.0, "strained_mass_g": None}, "undone"
    )
    assert told() == ["strained_mass_g", "room_temp_c"]
