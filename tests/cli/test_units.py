"""Every command's answers in the units chosen, wherever the choice was made; JSON stays in the lab's."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.cli.conftest import Chillrig
from tests.cli.small_bench import WRONG_RUN
from tests.cli.test_help import COMMANDS
from tests.cli.test_json import ASK

LAB = re.compile(r"(?<!\w)(?:°C|\d ?(?:g|ml|K)(?![\w/·])|\[(?:g|ml|K|°C)\])(?! (?:per|to 100))")
STEPS = """
recipe = "night shift"
temp_c = 20
vessel = "steel tin"
[[step]]
kind = "add ice"
ice = "freezer cube"
mass_g = 200
temp_c = -16
[[step]]
kind = "shake"
duration_s = 12
[[step]]
kind = "strain"
[[step]]
kind = "pour into"
glass = "coupe"
kept = "frozen"
[[step]]
kind = "drink"
minutes = 8
"""
ANSWERS: dict[str, tuple[str, ...]] = {
    "runs": ("runs",),
    "a run": ("runs", WRONG_RUN),
    "fit": ("fit",),
    "compare": ("compare",),
    "advise": ("advise", *ASK, "--target", "coupe"),
    "rank": ("rank", *ASK, "--target", "short"),
    "shares": ("shares",),
    "rehearse": ("rehearse", *ASK, "--target", "coupe"),
    "plan": ("plan", "--target", "coupe"),
    "kit": ("kit", *ASK, "--target", "coupe"),
    "recipe": ("recipe", "properties", "night shift", "--dilution", "0.30", "0.36"),
    "glass": ("glass", "night shift", "--dilution", "0.33"),
}
WITHOUT_RUNS = {
    "brew": ("brew", "--method", "espresso", "--dose-g", "18", "--yield-g", "40", "--rest-to-c", "60"),
    "guide": ("guide",),
    "foam": ("foam", "overrun", "--liquid-ml", "100", "--foam-ml", "130"),
    "refused": ("brew", "--method", "espresso", "--dose-g", "18", "--yield-g", "40", "--rest-to-c", "-60"),
}


@pytest.mark.parametrize("name", ANSWERS)
def test_no_answer_on_runs_is_left_in_the_labs_units(chillrig: Chillrig, logbook: Path, name: str) -> None:
    plain = chillrig(*ANSWERS[name], "--logbook", logbook)
    said = chillrig(*ANSWERS[name], "--logbook", logbook, "--units", "us")
    assert plain.code == said.code == 0
    assert LAB.search(plain.out) or name == "rehearse"
    assert LAB.findall(said.out) == []


@pytest.mark.parametrize("name", WITHOUT_RUNS)
def test_no_other_answer_is_left_in_the_labs_units(chillrig: Chillrig, name: str) -> None:
    said = chillrig("--units", "us", *WITHOUT_RUNS[name])
    assert "°C" not in said.out + said.err


def test_the_quantities_are_the_same_in_both(chillrig: Chillrig, logbook: Path) -> None:
    asked = ("advise", *ASK, "--target", "coupe", "--logbook", logbook)
    in_c, in_f = (chillrig(*asked, "--units", u).out for u in ("metric", "F"))
    n = r"(-?[\d.]+)"
    landed_c, landed_f = (
        re.findall(rf"s: {n} {unit} \({n} to {n}\)", out.replace("−", "-"))[0]
        for out, unit in ((in_c, "°C"), (in_f, "°F"))
    )
    for c, f in zip(map(float, landed_c), map(float, landed_f), strict=True):
        assert f == pytest.approx(32.0 + 1.8 * c, abs=0.051)
    assert " ml in the" in " ".join(in_f.split())


def test_a_table_is_converted_with_its_head(chillrig: Chillrig, logbook: Path) -> None:
    def ends(units: str, head: str) -> list[float]:
        out = chillrig("runs", "--logbook", logbook, "--units", units).out.replace("−", "-")
        assert head in out
        rows = [line.split() for line in out.splitlines() if re.match(r"\S+\d\s.*(?:good|doubtful)", line)]
        return [float(row[-2]) for row in rows if re.fullmatch(r"-?[\d.]+", row[-2])]

    in_c, in_f = ends("C", "[°C]"), ends("F", "[°F]")
    assert len(in_c) == len(in_f) > 3
    assert in_f == pytest.approx([32.0 + 1.8 * c for c in in_c], abs=0.1)


def test_json_stays_in_the_labs_units(chillrig: Chillrig, logbook: Path) -> None:
    plain = chillrig("compare", "--logbook", logbook, "--json").out
    assert chillrig("compare", "--logbook", logbook, "--json", "--units", "us").out == plain
    assert "°C" in json.loads(plain)["pairs"][0]["sentence"]


def test_units_are_kept_once_for_all_that_follows(chillrig: Chillrig) -> None:
    brew = ("brew", "--method", "espresso", "--dose-g", "18", "--yield-g", "40")
    assert "[g]" in chillrig(*brew).out
    assert chillrig("units", "F", "oz").out == "Answers are in °F, oz, ml, from now on.\n"
    assert "[oz]" in chillrig(*brew).out
    assert "[g]" in chillrig(*brew, env={"CHILLRIG_UNITS": "metric"}).out
    assert "[g]" in chillrig(*brew, "--units=C", env={"CHILLRIG_UNITS": "us"}).out
    assert chillrig("units").out == "Answers are in °F, oz, ml.\n"


def test_units_that_there_are_not_are_refused(chillrig: Chillrig) -> None:
    said = chillrig("brew", "--method", "espresso", "--units", "stone")
    assert said.code == 1
    assert "'stone' is no unit for answers" in said.err


def test_the_report_is_in_the_units_chosen(chillrig: Chillrig, logbook: Path, tmp_path: Path) -> None:
    assert chillrig("report", "--logbook", logbook, "--units", "us").code == 0
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    body = re.sub(r"<script>[^<]{100000,}</script>|<style>.*?</style>", "", page, flags=re.DOTALL)
    assert "°C" not in body
    assert "°F" in body


def test_a_drink_through_its_steps_is_told_in_the_units_chosen(
    chillrig: Chillrig, bench: Path, tmp_path: Path
) -> None:
    way = tmp_path / "way.toml"
    way.write_text(STEPS, encoding="utf-8")
    said = chillrig("steps", way, "--bench", bench, "--units", "us")
    assert said.code == 0
    assert LAB.findall(said.out) == []


def test_every_command_that_answers_was_asked() -> None:
    asked = {arguments[0] for arguments in (*ANSWERS.values(), *WITHOUT_RUNS.values())} | {"report", "steps"}
    # these record, bring in, keep or serve; what they print goes through the same door
    others = {
        "demo",
        "overview",
        "import",
        "ports",
        "record",
        "calibrate",
        "export",
        "dashboard",
        "doctor",
        "hear",
        "bench",
        "units",
        "logbook",
        "sync",
        "learn",
    }
    assert asked | others == {*COMMANDS, "guide"}
