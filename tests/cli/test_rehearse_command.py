from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Chillrig

ROUTINE = """
limit_s = 200
[[drinks]]
recipe = "night shift"
technique = "shake"
vessel = "steel tin"
ice = "freezer cube"
target = "coupe"
count = 2
"""


def test_help_shows_a_worked_example_within_the_screen(chillrig: Chillrig) -> None:
    said = chillrig("rehearse", "--help", env={"COLUMNS": "80"})
    assert said.code == 0
    assert "chillrig rehearse" in said.out.split("Example:")[1]
    assert max(map(len, said.out.splitlines())) <= 80


@pytest.mark.parametrize("columns", [80, 250])
def test_a_rehearsal_says_how_often_why_and_what_next_within_the_screen(
    chillrig: Chillrig, logbook: Path, columns: int
) -> None:
    said = chillrig(
        "rehearse", "--logbook", logbook, "--ice", "freezer cube", "--target", "coupe",
        env={"COLUMNS": str(columns)},
    )  # fmt: skip
    assert (said.code, said.err) == (0, "")
    assert max(map(len, said.out.splitlines())) <= min(columns, 100)
    text = " ".join(said.out.split())
    assert "Lands" in text and "Wilson 95 %" in text
    assert "Spread" in text and "Control charts" in text


def test_json_has_the_keys_of_a_practice(chillrig: Chillrig, logbook: Path) -> None:
    said = chillrig("rehearse", "--logbook", logbook, "--technique", "stir", "--target", "coupe", "--json")
    told = json.loads(said.out)
    assert told["technique"] == "stir"
    assert told["capability"]["runs"] == len(told["runs"]) == 5
    assert {"practise", "spreads", "gains", "charts", "drifts"} <= set(told)


def test_options_are_heeded(chillrig: Chillrig, logbook: Path) -> None:
    asked = ("rehearse", "--logbook", logbook, "--json")
    told = json.loads(chillrig(*asked, "--target", "coupe", "--jeffreys").out)
    assert (told["target"], told["capability"]["interval"]) == ("coupe", "Jeffreys")
    assert json.loads(chillrig(*asked).out)["capability"] is None


def test_a_routine_is_read_off_the_clock(chillrig: Chillrig, logbook: Path, tmp_path: Path) -> None:
    file = tmp_path / "final.toml"
    file.write_text(ROUTINE, encoding="utf-8")
    said = chillrig("rehearse", "--logbook", logbook, "--routine", file)
    assert (said.code, said.err) == (0, "")
    assert "0:00 weigh in night shift" in " ".join(said.out.split())
    assert "All 2 land" in said.out
    assert "Slack" in said.out
    told = json.loads(chillrig("rehearse", "--logbook", logbook, "--routine", file, "--json").out)
    assert [d["recipe"] for d in told["drinks"]] == ["night shift"] * 2


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--target", "cupe"), "did you mean 'coupe'?"),
        (("--ice", "wet cub"), "did you mean 'wet cube'?"),
        (("--recipe", "nite shift"), "did you mean 'night shift'?"),
        (("--session", "monday"), "no session 'monday'"),
        (("--operator", "nobody"), "no operator 'nobody'"),
        (("--routine", "nowhere.toml"), "nowhere.toml"),
    ],
)
def test_what_cannot_be_is_told_in_one_line(
    chillrig: Chillrig, logbook: Path, arguments: tuple[str, ...], told: str
) -> None:
    said = chillrig("rehearse", "--logbook", logbook, *arguments)
    assert (said.code, said.out) == (1, "")
    assert said.err.count("\n") == 1 and told in said.err
