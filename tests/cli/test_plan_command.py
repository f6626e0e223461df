from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Chillrig

ASK = (
    "plan", "--technique", "shake", "--vessel", "steel tin", "--ice", "freezer cube",
    "--recipe", "night shift", "--target", "coupe",
)  # fmt: skip


def test_help_shows_a_worked_example_within_the_screen(chillrig: Chillrig) -> None:
    said = chillrig("plan", "--help", env={"COLUMNS": "80"})
    assert said.code == 0
    assert "chillrig plan" in said.out.split("Example:")[1]
    assert max(map(len, said.out.splitlines())) <= 80


@pytest.mark.parametrize("columns", [80, 250])
def test_a_plan_says_what_it_gains_before_any_ice_is_broken(
    chillrig: Chillrig, logbook: Path, columns: int
) -> None:
    said = chillrig(*ASK, "--logbook", logbook, "--to-see-k", "1", env={"COLUMNS": str(columns)})
    assert (said.code, said.err) == (0, "")
    assert max(map(len, said.out.splitlines())) <= min(columns, 100)
    text = " ".join(said.out.split())
    assert "6 runs are expected to narrow" in text
    assert "To see 1 K between two set-ups takes" in text


def test_sheet_and_page_are_written_and_never_over_another_file(
    chillrig: Chillrig, logbook: Path, tmp_path: Path
) -> None:
    sheet, page = tmp_path / "next.csv", tmp_path / "next.html"
    arguments = (*ASK, "--logbook", logbook, "--runs", "3", "--sheet", sheet, "--page", page, "--json")
    told = json.loads(chillrig(*arguments).out)
    assert len(told["runs"]) == 3 and told["comparisons"] == []
    assert sheet.read_text(encoding="utf-8").startswith("run,started_at,operator,session,technique")
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    again = chillrig(*arguments)
    assert again.code == 1 and "next.csv" in again.err


def test_without_a_drink_every_measured_one_is_narrowed(chillrig: Chillrig, logbook: Path) -> None:
    told = json.loads(
        chillrig("plan", "--target", "coupe", "--technique", "shake", "--logbook", logbook, "--json").out
    )
    assert [n["ice"] for n in told["narrowings"]] == ["freezer cube", "wet cube"]


@pytest.mark.parametrize(
    ("option", "value", "told"),
    [
        ("--vessel", "steel tn", "did you mean 'steel tin'?"),
        ("--technique", "shak", "did you mean 'shake'?"),
        ("--target", "cupe", "did you mean 'coupe'?"),
        ("--runs", "0", "1 to 60"),
        ("--to-see-k", "-1", "above zero"),
        ("--drink-temp-c", "400", "drink_temp_c"),
    ],
)
def test_what_cannot_be_is_told_in_one_line(
    chillrig: Chillrig, logbook: Path, option: str, value: str, told: str
) -> None:
    arguments = list(ASK)
    if option in arguments:
        arguments[arguments.index(option) + 1] = value
    else:
        arguments += [option, value]
    said = chillrig(*arguments, "--logbook", logbook)
    assert (said.code, said.out) == (1, "")
    assert said.err.count("\n") == 1 and told in said.err


def test_no_target_among_several_is_wrong_usage(chillrig: Chillrig, logbook: Path) -> None:
    said = chillrig(*ASK[:-2], "--logbook", logbook)
    assert said.code == 2
