"""What a spreadsheet would run is text in every CSV that is written, and comes back as it was."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench import parse_bench
from rig.errors import RigError
from rig.importing.bench_folder import open_bench
from rig.importing.cells import guarded, unguarded
from rig.importing.write_bench import run_sheet_csv, write_bench
from tests.cli.small_bench import small_book

FORMULAS = ('=HYPERLINK("http://x")', "+1+1", "-2+3", "@SUM(A1)", "'=1", "''@x", "-", "+")


@pytest.mark.parametrize("text", FORMULAS)
def test_no_cell_that_is_written_is_a_formula_and_all_come_back(tmp_path: Path, text: str) -> None:
    book = small_book()
    first = replace(book.runs[0], notes=text, operator=text, extra={text: text})
    mine = replace(book, runs=(first, *book.runs[1:]))
    for row in csv.reader(run_sheet_csv(mine).splitlines()):
        for cell in row:
            assert not cell.startswith(("=", "+", "@")), cell
            assert not cell.startswith("-") or float(cell) < 0
    back = open_bench(write_bench(mine, tmp_path / "copy"))
    assert (back.runs[0].notes, back.runs[0].operator, back.runs[0].extra) == (text, text, {text: text})


@given(st.text())
def test_guarding_is_undone_by_reading(text: str) -> None:
    assert unguarded(guarded(text)) == text


@pytest.mark.parametrize("number", ["-5", "+3.5", "-.5e-3", "12"])
def test_numbers_stay_numbers(number: str) -> None:
    assert guarded(number) == number


@pytest.mark.parametrize(
    "toml",
    [
        "x = " + "9" * 5000,
        "x = " + "[" * 100_000,
        "a." * 3000 + "b = 1",
    ],
)
def test_numbers_and_nesting_without_end_are_refused_in_words(toml: str) -> None:
    with pytest.raises(RigError):
        parse_bench(toml, "bench.toml")


def test_a_number_too_large_to_reckon_with_costs_its_own_entry_and_is_said() -> None:
    bench, notes = parse_bench("[vessels.tin]\nmass_g = " + "9" * 400, "bench.toml")
    assert bench.vessels == {}
    assert any("mass_g must be a number" in note.text for note in notes)
