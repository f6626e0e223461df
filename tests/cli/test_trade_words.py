"""What commands print, and the report, hold no word that stops a bartender."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.cli.conftest import Chillrig
from tests.cli.test_help import COMMANDS
from tests.cli.test_json import ASK
from tests.cli.test_units import ANSWERS, WITHOUT_RUNS
from tests.trade_words import stops_in

FURTHER: dict[str, tuple[str, ...]] = {
    "rehearse without a target": ("rehearse", *ASK),
    "no duration lands": ("advise", *ASK, "--serve-temp-c-max", "-6", "--dilution-by-volume", "1", "2"),
    "fit, checked": ("fit", "--check"),
    "plan, and how many to see a difference": (
        "plan",
        "--target",
        "coupe",
        "--to-see-k",
        "0.5",
        "--to-see-dilution",
        "0.03",
    ),
}


@pytest.mark.parametrize("name", [*ANSWERS, *FURTHER])
def test_no_answer_on_runs_holds_one(chillrig: Chillrig, logbook: Path, name: str) -> None:
    said = chillrig(*(ANSWERS | FURTHER)[name], "--logbook", logbook)
    assert said.code == 0, said.err
    assert stops_in(said.out) == []


@pytest.mark.parametrize("name", WITHOUT_RUNS)
def test_no_other_answer_holds_one(chillrig: Chillrig, name: str) -> None:
    said = chillrig(*WITHOUT_RUNS[name])
    assert stops_in(said.out + said.err) == []


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_no_help_holds_one(chillrig: Chillrig, command: str) -> None:
    # a command of calibrate is called points, and has logged points to fit
    assert [w for w in stops_in(chillrig(*command.split(), "--help").out) if command != "calibrate"] == []


def test_the_report_holds_none(chillrig: Chillrig, logbook: Path, tmp_path: Path) -> None:
    assert chillrig("report", "--logbook", logbook).code == 0
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert stops_in(re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)) == []


@pytest.mark.parametrize("said", ["It was moved for 3 s", "2.1 points wetter", "The middle run is", "9 W/K"])
def test_a_stop_word_is_found(said: str) -> None:
    assert len(stops_in(said)) == 1
    assert stops_in("a boiling point, two ice points, removed, pointed, 3 W") == []
