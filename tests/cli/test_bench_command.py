"""A bench is begun, described, renamed and taken back on the command line, and taken away as a folder."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from rig.importing.bench_folder import open_bench
from tests.cli.conftest import Chillrig


@pytest.fixture
def told(chillrig: Chillrig, tmp_path: Path) -> Any:
    """Run a command on a logbook of its own."""
    file = tmp_path / "own.sqlite"

    def run(*words: str, code: int = 0) -> str:
        said = chillrig(*words, "--logbook", file)
        assert said.code == code, (said.out, said.err)
        return said.out + said.err

    return run


def test_a_bench_is_made_and_unmade(told: Any, tmp_path: Path) -> None:
    told("bench", "new", "my-bar", "--title", "The small bar")
    told("bench", "set", "vessel", "tin", "mass_g=0,235 kg", "held_back_g=2,5")
    told("bench", "set", "ice", "cube", "edge_mm=25", "temp_c=−16")
    told("bench", "pour", "black", "coffee", "volume_ml=5 cl", "allergens=milk")
    told("bench", "pour", "black", "spirit", "volume_ml=35", "abv_pct=42", "--why", "as it is made")
    told("bench", "set", "target", "coupe", "serve_temp_c_max=-2", "dilution_by_volume=30 %:0,36")
    told("bench", "title", "Mine", "--why", "shorter")
    shown = json.loads(told("bench", "show", "--json"))
    assert shown["title"] == "Mine"
    assert shown["vessels"] == {"tin": {"mass_g": 235, "held_back_g": 2.5}}
    assert shown["targets"]["coupe"] == {"serve_temp_c_max": -2, "dilution_by_volume": [0.3, 0.36]}
    assert [i["name"] for i in shown["recipes"]["black"]["ingredients"]] == ["coffee", "spirit"]
    assert "coffee 50 ml, spirit 35 ml" in told("bench", "show")
    told("export", "--to", str(tmp_path / "away"))
    assert open_bench(tmp_path / "away").bench.recipe("black").allergens == ("milk",)
    told("bench", "pour", "black", "coffee", "--out", "--why", "without")
    assert (
        "vessel tin is now small tin"
        in told("bench", "rename", "vessel", "tin", "small tin", "--why", "two now").casefold()
    )
    told("bench", "remove", "target", "coupe", "--why", "none left")
    steps = json.loads(told("bench", "history", "--json"))["steps"]
    assert [s["why"] for s in steps][:3] == ["none left", "two now", "without"]
    for _ in steps:
        told("bench", "undo")
    assert "logbook is empty" in told("bench", "undo", code=1)


@pytest.mark.parametrize(
    ("words", "code", "why"),
    [
        (("set", "vessel", "tin", "mass_g=300"), 2, "say why"),
        (("set", "vessel", "tin", "mass_g=heavy", "--why", "x"), 1, "Mass, empty: 'heavy' is not a number"),
        (("set", "vessel", "tin", "mass_g=-3", "--why", "x"), 1, "must be above zero"),
        (("set", "vessel", "tin", "colour=red", "--why", "x"), 1, "there is no key 'colour'"),
        (("set", "vessel", "tin", "mass_g", "--why", "x"), 2, "write KEY=VALUE"),
        (("set", "glass", "tin", "mass_g=3", "--why", "x"), 1, "no shelf of a bench 'glass'"),
        (("set", "recipe", "black"), 2, "chillrig bench pour"),
        (("pour", "black", "milk", "--out", "--why", "x"), 1, "no ingredient 'milk'"),
        (("remove", "vessel", "pot", "--why", "x"), 1, "no vessel 'pot'"),
        (("new", "my-bar"), 1, "there is a bench 'my-bar'"),
    ],
)
def test_what_cannot_be_is_refused_in_a_line(told: Any, words: tuple[str, ...], code: int, why: str) -> None:
    told("bench", "new", "my-bar")
    told("bench", "set", "vessel", "tin", "mass_g=235")
    told("bench", "pour", "black", "coffee", "volume_ml=50")
    before = told("bench", "show")
    assert why in " ".join(told("bench", *words, code=code).split())
    assert told("bench", "show") == before
