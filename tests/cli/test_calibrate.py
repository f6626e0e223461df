"""`chillrig calibrate` tells what it found, keeps it, and warns of what can hurt."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.cli.conftest import Chillrig

SUB_COMMANDS = (
    "ice-point", "boiling-point", "points", "plunge", "weights", "measure", "list", "budget",
)  # fmt: skip
PLUNGE_TAU_S = 3.0


@pytest.fixture
def book(tmp_path: Path) -> Path:
    return tmp_path / "bar.sqlite"


@pytest.fixture
def ask(chillrig: Chillrig, book: Path) -> Any:
    def asked(*arguments: str | Path) -> Any:
        said = chillrig("calibrate", *arguments, "--logbook", book, "--json")
        assert (said.code, said.err) == (0, "")
        return json.loads(said.out)

    return asked


def plunge_file(folder: Path) -> Path:
    time_s = np.arange(-3.0, 20.0, 0.1)
    reading = 22.0 * np.exp(-np.maximum(time_s, 0) / PLUNGE_TAU_S)
    reading = reading + np.random.default_rng(0).normal(0, 0.05, time_s.size)
    file = folder / "plunge.csv"
    rows = [f"{t:.1f},{y:.2f}" for t, y in zip(time_s, reading, strict=True)]
    file.write_text("time_s,probe_c\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return file


@pytest.mark.parametrize("name", SUB_COMMANDS)
@pytest.mark.parametrize("columns", [80, 200])
def test_each_has_a_worked_example_within_the_screen(chillrig: Chillrig, name: str, columns: int) -> None:
    said = chillrig("calibrate", name, "--help", env={"COLUMNS": str(columns)})
    assert said.code == 0
    assert f"chillrig calibrate {name}" in said.out.split("Example:")[1]
    assert max(map(len, said.out.splitlines())) <= 100


def test_the_group_lists_all_of_them(chillrig: Chillrig) -> None:
    out = chillrig("calibrate", "--help").out
    assert all(f"\n  {name} " in out for name in SUB_COMMANDS)


def test_an_ice_point_with_readings_below_zero(ask: Any) -> None:
    made = ask("ice-point", "-0.3", "-0.2", "-0.4", "--device", "tin probe")
    assert made["device"] == "tin probe" and made["kept"] is True
    assert made["origin"] == pytest.approx(-0.3) and made["coefficients"] == [0.0, 1.0]
    assert made["points"][0]["name"] == "ice point"
    assert any("Glass" in c for c in made["cautions"])


def test_ice_then_boiling_makes_a_line_by_the_weather_of_the_day(ask: Any) -> None:
    ask("ice-point", "0.3", "--device", "tin probe")
    made = ask(
        "boiling-point", "98.9", "--altitude-m", "240", "--sea-level-pressure-hpa", "1009", "--device", "tin probe"
    )  # fmt: skip
    assert [p["name"] for p in made["points"]] == ["ice point", "boiling point"]
    assert made["points"][1]["reference"] == pytest.approx(99.06, abs=0.01)
    assert made["coefficients"][1] == pytest.approx(99.06 / 98.6, rel=1e-3)
    assert any("scald" in c for c in made["cautions"])


def test_another_device_or_channel_is_left_out_of_the_line(ask: Any) -> None:
    ask("ice-point", "0.3", "--device", "tin probe")
    ask("ice-point", "0.3", "--device", "tin probe", "--channel", "wall")
    assert len(ask("boiling-point", "99.9", "--pressure-hpa", "1013.25")["points"]) == 1


def test_points_weights_and_measure_are_kept_and_listed(ask: Any) -> None:
    ask("points", "0.3=0.0", "20.4=20.0", "60.1=59.8")
    ask("weights", "0=0", "100.2=100", "500.9=500", "--resolution-g", "0.1")
    jigger = ask(
        "measure", "29.6", "29.8", "29.5", "29.9", "--device", "30 ml jigger", "--water-temp-c", "21"
    )
    assert jigger["coefficients"][1] == pytest.approx(29.79, abs=0.01)
    listed = ask("list")["calibrations"]
    assert {(c["device"], c["kind"], c["state"]) for c in listed} == {
        ("probe", "temperature", "holds"), ("scale", "mass", "holds"), ("30 ml jigger", "volume", "holds"),
    }  # fmt: skip


def test_a_plunge_is_read_from_a_trace(ask: Any, tmp_path: Path) -> None:
    made = ask("plunge", plunge_file(tmp_path))
    assert made["kind"] == "lag" and made["coefficients"][0] == pytest.approx(PLUNGE_TAU_S, rel=0.02)


def test_an_ice_point_is_read_from_the_end_of_a_trace(ask: Any, tmp_path: Path) -> None:
    made = ask("ice-point", "--trace", plunge_file(tmp_path))
    assert made["origin"] == pytest.approx(0.04, abs=0.05)


def test_just_show_keeps_nothing(chillrig: Chillrig, book: Path) -> None:
    said = chillrig("calibrate", "ice-point", "0.3", "--just-show", "--logbook", book)
    assert said.code == 0 and "not kept" in said.out
    assert not book.exists()


def test_without_a_logbook_one_of_ones_own_is_begun(chillrig: Chillrig) -> None:
    assert "No calibration is kept yet" in chillrig("calibrate", "list").out
    assert chillrig("calibrate", "ice-point", "0.3").code == 0
    assert "ice point" in chillrig("calibrate", "list").out


def test_a_budget_takes_up_the_calibrations_that_hold(ask: Any, tmp_path: Path) -> None:
    numbers = ("--drink-mass-g", "84", "--strained-mass-g", "119", "--reading-c", "-3.1")
    ask("measure", "29.6", "29.8", "29.5")
    before = ask("budget", *numbers)
    ask("weights", "0=0", "100.2=100", "500.9=500")
    ask("ice-point", "0.3")
    ask("plunge", plunge_file(tmp_path))
    after = ask("budget", *numbers)
    assert before["not_calibrated"] == ["scale", "probe", "probe's lag"] and after["not_calibrated"] == []
    dilution, temp = after["budgets"]
    assert dilution["value"] == pytest.approx(0.431, abs=0.001)
    assert temp["value"] == pytest.approx(-3.4, abs=0.01)
    assert temp["combined_std"] < before["budgets"][1]["combined_std"]


def test_a_budget_of_a_run_of_a_bench(chillrig: Chillrig, bench: Path) -> None:
    listed = json.loads(chillrig("runs", "--bench", bench, "--json").out)["runs"]
    run = next(r["run"] for r in listed if r["strained_mass_g"])
    said = chillrig("calibrate", "budget", run, "--bench", bench)
    assert said.code == 0
    assert "Dilution by volume" in said.out and "Not calibrated" in said.out
    assert max(map(len, said.out.splitlines())) <= 100


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("ice-point",), 2, "type the readings, or give a trace file"),
        (("ice-point", "cold"), 2, "'cold' is not a number"),
        (("points", "1:2"), 2, "write each as READING=TRUE"),
        (("points", "1=2", "3=4"), 1, "a line needs 3 points"),
        (("boiling-point", "99"), 1, "give the pressure of the place (hPa) or its altitude (m)"),
        (("boiling-point", "99", "--pressure-hpa", "101"), 1, "check the unit"),
        (("measure", "29", "30"), 1, "at least three"),
        (("measure", "29", "30", "31", "--made-of", "gold"), 1, "there is no material 'gold'"),
        (("weights", "0=0", "100=100", "--resolution-g", "0"), 2, "above zero"),
        (("ice-point", "0.1", "--valid-days", "0"), 1, "at least one day"),
        (("plunge", "nowhere.csv"), 1, "cannot be read"),
        (("budget",), 2, "name a run"),
        (("budget", "--drink-mass-g", "84"), 2, "together"),
        (("budget", "--drink-mass-g", "84", "--strained-mass-g", "20"), 2, "no less than before"),
    ],
)
def test_what_cannot_be_is_said_in_a_line(
    chillrig: Chillrig, arguments: tuple[str, ...], code: int, says: str
) -> None:
    said = chillrig("calibrate", *arguments)
    assert said.code == code
    assert says in " ".join(said.err.replace("│", " ").split())
    assert "Traceback" not in said.err


def test_output_is_plain_and_fits(chillrig: Chillrig, book: Path) -> None:
    for arguments in (("ice-point", "0.3"), ("weights", "0=0", "100=100"), ("list",)):
        said = chillrig("calibrate", *arguments, "--logbook", book, env={"COLUMNS": "80"})
        assert said.code == 0 and "\x1b" not in said.out
        assert max(map(len, said.out.splitlines())) <= 80
