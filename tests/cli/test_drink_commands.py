"""`recipe`, `brew` and `glass` on the command line."""

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Chillrig

RECIPE = "night shift"
CASES = [
    ["brew", "--method", "espresso", "--dose-g", "18", "--yield-g", "40"],
    [
        "brew",
        "--method",
        "capsule",
        "--dose-g",
        "5.5",
        "--yield-g",
        "40",
        "--wanted-g",
        "75",
        "--temp-c",
        "75",
    ],
    ["glass", "--glass", "coupe", "--minutes", "3", "--sips", "3"],
    ["glass", "--glass", "rocks glass", "--minutes", "3", "--sips", "3", "--ice-mass-g", "80"],
]
ON_BENCH = [
    ["properties", RECIPE, "--dilution", "0.3", "0.4", "--glass-ml", "150"],
    ["scale", RECIPE, "--to-ml", "130", "--dilution", "0.33"],
    ["scale", RECIPE, "--times", "2"],
    ["strengthen", RECIPE, "--dilution", "0.4", "--volume-ml", "120"],
    ["batch", RECIPE, "--servings", "12", "--dilution", "0.3", "--store", "freezer"],
]


@pytest.fixture
def every(bench: Path) -> list[list[str]]:
    return CASES + [["recipe", *c, "--bench", str(bench)] for c in ON_BENCH]


def test_each_prints_a_table_no_wider_than_100_columns(chillrig: Chillrig, every: list[list[str]]) -> None:
    for case in every:
        said = chillrig(*case)
        assert (said.code, said.err) == (0, ""), case
        assert max(map(len, said.out.splitlines())) <= 100


def test_each_prints_json_with_units_in_its_keys(chillrig: Chillrig, every: list[list[str]]) -> None:
    for case in every:
        said = chillrig(*case, "--json")
        assert (said.code, said.err) == (0, ""), case
        assert json.loads(said.out)


def test_json_of_a_brew_holds_the_range_of_what_was_not_measured(chillrig: Chillrig) -> None:
    made = json.loads(chillrig(*CASES[0], "--json").out)
    assert made["yield_g"] == {"low": 40.0, "typical": 40.0, "high": 40.0}
    assert made["caffeine_mg"]["low"] < made["caffeine_mg"]["typical"] < made["caffeine_mg"]["high"]


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        (["brew", "--method", "espreso", "--dose-g", "18", "--yield-g", "40"], 1, "did you mean 'espresso'"),
        (["brew", "--method", "espresso", "--dose-g", "18"], 1, "water_g or yield_g"),
        (["brew", "--method", "espresso"], 2, "--dose-g"),
        (["glass", "--glass", "copue"], 1, "did you mean 'coupe'"),
        (["glass", "--glass", "coupe", "--ice-mass-g", "300"], 1, "do not fit"),
        (["glass", "--temp-c", "-40"], 1, "temperature"),
    ],
)
def test_what_cannot_be_is_told_in_one_line(
    chillrig: Chillrig, arguments: list[str], code: int, told: str
) -> None:
    said = chillrig(*arguments)
    assert said.code == code
    assert told in said.err
    if code == 1:
        assert len(said.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        (["properties", "no such"], 1, "there is no recipe"),
        (["scale", RECIPE], 2, "--times or --to-ml"),
        (["strengthen", RECIPE, "--dilution", "0.4"], 2, "--abv-pct"),
        (["strengthen", RECIPE, "--dilution", "0.4", "--abv-pct", "70"], 1, "cannot land there"),
        (["batch", RECIPE, "--servings", "3", "--dilution", "0.3", "--store", "cellar"], 2, "refrigerator"),
        (["properties", RECIPE, "--acid", "juice"], 2, "NAME=PCT"),
    ],
)
def test_what_a_recipe_cannot_do_is_told(
    chillrig: Chillrig, bench: Path, arguments: list[str], code: int, told: str
) -> None:
    said = chillrig("recipe", *arguments, "--bench", bench)
    assert said.code == code
    assert told in said.err


@pytest.mark.parametrize("command", ["brew", "glass", "recipe", *(f"recipe {c[0]}" for c in ON_BENCH)])
def test_help_shows_a_worked_example_within_80_columns(chillrig: Chillrig, command: str) -> None:
    said = chillrig(*command.split(), "--help", env={"COLUMNS": "80"})
    assert said.code == 0
    assert f"chillrig {command}" in said.out.split("Example:")[1]
    assert max(map(len, said.out.splitlines())) <= 80
