"""`steps`: a drink through all that is done to it adds up, agrees with the call, and tells what cannot be."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.advice.process.steps_file import parse_steps
from rig.cli.steps import EXAMPLE
from rig.errors import BenchError
from tests.cli.conftest import Chillrig

TOP = 'recipe = "night shift"\ntemp_c = {temp}\nvessel = "steel tin"\n'


def step(kind: str, **values: object) -> str:
    said = {"kind": kind, **values}
    lines = [f"{k} = {json.dumps(v)}" for k, v in said.items()]
    return "[[step]]\n" + "\n".join(lines) + "\n"


ICE = step("add ice", ice="freezer cube", mass_g=200, temp_c=-16)
SHAKE = step("shake", duration_s=12)
PROCESSES = {
    "shaken, strained, drunk from a frozen glass": [
        ICE, SHAKE, step("strain"), step("pour into", glass="coupe", kept="frozen"),
        step("drink", minutes=8),
    ],
    "blended on ice": [ICE, step("blend", duration_s=10), step("strain", held_back_g=2)],
    "blended for air, poured over a large clear block": [
        step("rest", minutes=2, cup="mug"), step("blend for air", duration_s=8, power_w=60, overrun_pct=40),
        step("over ice", ice="wet cube", mass_g=110, temp_c=-4),
        step("pour into", glass="rocks glass"), step("drink", minutes=10, sips=6),
    ],
    "swirled": [ICE, step("swirl", duration_s=40), step("strain")],
    "built in the glass": [
        ICE, step("build", duration_s=15), step("stay in", glass="tall glass"), step("drink", minutes=10),
    ],
    "more ice half way": [
        ICE, SHAKE, step("add ice", ice="freezer cube", mass_g=60), step("shake", duration_s=6), step("strain"),
    ],
}  # fmt: skip


@pytest.fixture
def made(chillrig: Chillrig, logbook: Path, tmp_path: Path) -> Any:
    def run(steps: list[str], temp: float = 22.0, *more: str) -> dict[str, Any]:
        file = tmp_path / "drink.toml"
        file.write_text(TOP.format(temp=temp) + "".join(steps), encoding="utf-8")
        said = chillrig("steps", file, "--logbook", logbook, "--json", "--draws", "256", *more)
        assert (said.code, said.err) == (0, "")
        return dict(json.loads(said.out))

    return run


@pytest.mark.parametrize("name", PROCESSES)
def test_mass_and_energy_add_up_through_every_process(made: Any, name: str) -> None:
    told = made(PROCESSES[name])
    assert told["books"]["mass_off_g"] < 1e-6
    assert told["books"]["energy_off_j"] < 1e-3
    assert len(told["steps"]) == len(PROCESSES[name]) + 1
    for entry in told["steps"]:
        for quantity in ("temp_c", "dilution_by_volume", "abv_pct", "overrun_pct", "volume_ml"):
            assert entry[quantity]["p05"] <= entry[quantity]["p50"] <= entry[quantity]["p95"]


def test_alcohol_stays_whatever_is_done_until_something_is_held_back(made: Any) -> None:
    told = made([ICE, SHAKE, step("shake", duration_s=5)])
    held = [
        s["abv_pct"]["p50"] * s["volume_ml"]["p50"] / (1 + s["overrun_pct"]["p50"] / 100)
        for s in told["steps"]
    ]
    # Medians of a product, and volumes at 20 °C that contract a little as water comes in.
    assert held == pytest.approx([held[0]] * len(held), rel=0.02)


@pytest.mark.parametrize("duration", [6.0, 12.0, 18.0])
def test_a_shake_lands_where_the_call_says_it_does(
    made: Any, chillrig: Chillrig, logbook: Path, duration: float
) -> None:
    told = made([ICE, step("shake", duration_s=duration)], 22.0, "--draws", "1024")["steps"][-1]
    said = chillrig(
        "advise", "--logbook", logbook, "--technique", "shake", "--vessel", "steel tin", "--ice", "freezer cube",
        "--recipe", "night shift", "--drink-temp-c", "22", "--ice-mass-g", "200", "--ice-temp-c", "-16",
        "--room-temp-c", "21", "--target", "coupe", "--json",
    )  # fmt: skip
    curve = json.loads(said.out)["curve"]
    for quantity, within in (("temp_c", 0.12), ("dilution_by_volume", 0.006)):
        for part in ("p05", "p50", "p95"):
            called = float(np.interp(duration, curve["duration_s"], curve[quantity][part]))
            assert told[quantity][part] == pytest.approx(called, abs=within), (quantity, part)


def test_a_frozen_glass_serves_colder_than_one_at_room_temperature(made: Any) -> None:
    first = {}
    for kept in ("room", "chilled", "frozen"):
        glass = step("pour into", glass="coupe", kept=kept)
        first[kept] = made([ICE, SHAKE, step("strain"), glass, step("drink", minutes=5)])["sips"][0][
            "temp_c"
        ]["p50"]
    assert first["frozen"] < first["chilled"] < first["room"]


def test_more_air_stands_higher_in_the_glass_and_leaves_the_strength(made: Any) -> None:
    flat, airy = (
        made([step("blend for air", duration_s=10, power_w=40, overrun_pct=p)])["steps"][-1] for p in (0, 80)
    )
    assert airy["overrun_pct"]["p50"] > 30.0
    assert airy["volume_ml"]["p50"] > 1.3 * flat["volume_ml"]["p50"]
    assert airy["abv_pct"] == flat["abv_pct"]


def test_what_the_rates_rest_on_is_said(made: Any) -> None:
    assert "runs of this drink on this set-up" in made([ICE, SHAKE])["steps"][-1]["rests_on"]
    assert "related runs" in made([ICE, step("swirl", duration_s=20)])["steps"][-1]["rests_on"]


def test_a_hot_drink_into_a_frozen_glass_is_cautioned(made: Any) -> None:
    told = made([step("pour into", glass="rocks glass", kept="frozen")], temp=67.0)
    assert "frozen glass" in told["cautions"][0]
    assert told["cautions"][-1] == "Local codes and licensed practice come first."


@pytest.mark.parametrize("name", PROCESSES)
def test_the_table_is_no_wider_than_100_columns(
    chillrig: Chillrig, logbook: Path, tmp_path: Path, name: str
) -> None:
    file = tmp_path / "drink.toml"
    file.write_text(TOP.format(temp=22) + "".join(PROCESSES[name]), encoding="utf-8")
    said = chillrig("steps", file, "--logbook", logbook, "--draws", "64")
    assert (said.code, said.err) == (0, "")
    assert max(map(len, said.out.splitlines())) <= 100


@pytest.mark.parametrize(
    ("steps", "says"),
    [
        ([SHAKE], "drink.toml, line 4: there is no ice to shake on"),
        (
            [ICE, step("strain"), step("stir", duration_s=9)],
            "drink.toml, line 11: there is no ice to stir on",
        ),
        ([ICE, SHAKE, step("rest", duration_s=60)], "line 12: rest: the drink is still on its ice"),
        ([step("drink", minutes=5)], "line 4: drink: there is no glass to drink from"),
        ([step("add ice", ice="dry ice", mass_g=90), SHAKE], "there is no ice 'dry ice'"),
        ([ICE, step("jiggle", duration_s=5)], "there is no kind of step or technique 'jiggle'"),
        ([ICE, step("shake", duration_s=5, vessel="bucket")], "there is no vessel 'bucket'"),
        ([step("pour into", glass="thimble")], "there is no cup or glass 'thimble'"),
        ([step("rest")], "line 4: 'rest' needs duration_s"),
        ([step("rest", minutes=1, colour=1)], "line 4: 'rest' has no key 'colour'"),
        ([step("rest", minutes="long")], "line 4: minutes must be a number"),
        ([step("strain", held_back_g=-1)], "line 4: held_back_g cannot be negative"),
        (["[[step]\n"], "not valid TOML"),
        ([], "at least one [[step]]"),
    ],
)
def test_steps_that_cannot_be_are_told_with_their_line(
    chillrig: Chillrig, logbook: Path, tmp_path: Path, steps: list[str], says: str
) -> None:
    file = tmp_path / "drink.toml"
    file.write_text(TOP.format(temp=22) + "".join(steps), encoding="utf-8")
    said = chillrig("steps", file, "--logbook", logbook)
    assert said.code == 1 and said.out == ""
    assert says in said.err and len(said.err.splitlines()) == 1


def test_a_file_that_is_not_there_is_told(chillrig: Chillrig, logbook: Path) -> None:
    said = chillrig("steps", "nowhere.toml", "--logbook", logbook)
    assert said.code == 1 and "nowhere.toml" in said.err


def test_the_example_in_the_help_can_be_read() -> None:
    lines = [line[2:] for line in EXAMPLE.splitlines()]
    text = "\n".join(lines[lines.index('recipe = "quayside black"') : -1])
    kinds = [s.kind.value for s in parse_steps(text).steps]
    assert kinds == ["rest", "blend for air", "add ice", "move", "strain", "over ice", "pour into", "drink"]


def test_a_step_without_a_kind_is_refused_with_its_line() -> None:
    with pytest.raises(BenchError, match=r"steps\.toml, line 2: a step needs its kind"):
        parse_steps('recipe = "a"\n[[step]]\nduration_s = 3\n')
