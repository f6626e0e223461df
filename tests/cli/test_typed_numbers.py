"""Numbers as people type them: decimal commas, units beside them, percent or a fraction."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.errors import ModelRangeError
from rig.units import typed, typed_share
from tests.cli.conftest import Chillrig


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("4,5", "", 4.5),
        ("−3,5", "°C", -3.5),
        ("+.5", "g", 0.5),
        ("75 °F", "°C", 23.8889),
        ("14f", "°C", -10.0),
        ("2 oz", "g", 56.699),
        ("2oz", "ml", 59.1471),
        ("12 cl", "ml", 120.0),
        ("1,5 min", "s", 90.0),
        ("0,250 kg", "g", 250.0),
    ],
)
def test_a_typed_number_is_read_in_its_unit(text: str, unit: str, value: float) -> None:
    assert typed(text, unit) == pytest.approx(value, rel=1e-5)


@pytest.mark.parametrize("text", ["", "nan", "-inf", "1,250", "1.250,5", "1,250.5", "twelve", "3 g", "1_0"])
def test_what_can_be_read_in_two_ways_or_none_is_refused(text: str) -> None:
    with pytest.raises(ModelRangeError):
        typed(text, "°C")


@pytest.mark.parametrize(
    ("text", "share", "by_size"),
    [("0.3", 0.3, False), ("0,3", 0.3, False), ("30", 0.3, True), ("30 %", 0.3, False), ("2 %", 0.02, False),
     ("1.5", 1.5, False), ("0", 0.0, False)],
)  # fmt: skip
def test_a_share_is_told_from_a_percentage_by_its_size(text: str, share: float, by_size: bool) -> None:
    assert typed_share(text) == (pytest.approx(share), by_size)


def test_thirty_and_nought_point_three_are_the_same_dilution(chillrig: Chillrig, bench: Path) -> None:
    def asked(*window: str) -> tuple[object, str]:
        said = chillrig(
            "recipe", "properties", "night shift", "--bench", bench, "--dilution", *window, "--json"
        )
        assert said.code == 0, said.err
        return json.loads(said.out), said.err

    plain, quiet = asked("0.30", "0.36")
    percent, told = asked("30", "36")
    comma, _ = asked("0,30", "36 %")
    assert plain == percent == comma
    assert quiet == "" and "--dilution 30 is read as 30 %" in told and "36 %" in told


@pytest.mark.parametrize(
    "command",
    [
        ("brew", "--method", "espresso", "--dose-g", "18,5", "--yield-g", "1,5 oz"),
        ("recipe", "scale", "night shift", "--to-ml", "5,0 fl oz", "--dilution", "33"),
        ("calibrate", "ice-point", "0,3", "0,2", "0,25", "--device", "tin probe"),
    ],
)
def test_every_command_takes_them(chillrig: Chillrig, bench: Path, command: tuple[str, ...]) -> None:
    more = ("--bench", bench) if command[0] == "recipe" else ()
    said = chillrig(*command, *more)
    assert said.code == 0, said.err
