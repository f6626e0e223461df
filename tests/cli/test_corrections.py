"""Runs are corrected in the logbook, with a reason, and what they were is kept."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Chillrig
from tests.cli.small_bench import WRONG_RUN


@pytest.fixture
def mine(logbook: Path, tmp_path: Path) -> Path:
    return shutil.copy(logbook, tmp_path / "mine.sqlite")


def run_of(chillrig: Chillrig, file: Path, name: str) -> Any:
    return json.loads(chillrig("runs", name, "--logbook", file, "--json").out)


def test_an_excluded_run_leaves_the_fit_and_comes_back(chillrig: Chillrig, mine: Path) -> None:
    assert chillrig("runs", "--logbook", mine, "--exclude", WRONG_RUN, "--why", "tare missed").code == 0
    out = run_of(chillrig, mine, WRONG_RUN)
    assert (out["verdict"], out["excluded_because"]) == ("excluded", "tare missed")
    assert chillrig("runs", "--logbook", mine, "--include", WRONG_RUN, "--why", "weighed again").code == 0
    back = run_of(chillrig, mine, WRONG_RUN)
    assert (back["verdict"], back["excluded_because"]) == ("doubtful", None)
    assert [c["why"] for c in back["history"]] == ["tare missed", "weighed again"]


def test_a_corrected_weight_mends_the_verdict(chillrig: Chillrig, mine: Path) -> None:
    weight = run_of(chillrig, mine, WRONG_RUN)["strained_mass_g"] - 30.0
    said = chillrig(
        "runs", WRONG_RUN, "--logbook", mine, "--set", f"strained_mass_g={weight}", "--why", "tare missed"
    )
    assert said.code == 0
    mended = run_of(chillrig, mine, WRONG_RUN)
    assert (mended["verdict"], mended["strained_mass_g"]) == ("good", pytest.approx(weight))
    change = mended["history"][0]["changes"]["strained_mass_g"]
    assert change == {"before": pytest.approx(weight + 30.0), "after": pytest.approx(weight)}


def test_several_values_are_set_at_once_and_an_empty_one_means_unknown(
    chillrig: Chillrig, mine: Path
) -> None:
    said = chillrig(
        "runs", "a1", "--logbook", mine, "--set", "notes=lid leaked", "--set", "room_temp_c=",
        "--set", "started_at=2026-03-01T21:30", "--why", "told later",
    )  # fmt: skip
    assert said.code == 0
    run = run_of(chillrig, mine, "a1")
    assert (run["notes"], run["room_temp_c"], run["started_at"][:16]) == (
        "lid leaked",
        None,
        "2026-03-01T21:30",
    )


def test_what_is_exported_imports_again_as_the_same_runs(
    chillrig: Chillrig, logbook: Path, tmp_path: Path
) -> None:
    assert chillrig("export", "--logbook", logbook, "--to", "copy").code == 0
    said = chillrig(
        "import", "copy", "--as", "corner", "--logbook", shutil.copy(logbook, tmp_path / "b.sqlite"), "--json"
    )
    done = json.loads(said.out)["imports"][0]
    assert (done["new"], done["changed"]) == (0, 0)


def test_a_change_is_taken_back_and_a_deleted_run_comes_back(
    chillrig: Chillrig, logbook: Path, tmp_path: Path
) -> None:
    mine = ("--logbook", shutil.copy(logbook, tmp_path / "b.sqlite"))
    assert chillrig("runs", "a1", "--set", "strained_mass_g=131", "--why", "misread", *mine).code == 0
    said = chillrig("runs", "a1", "--undo", *mine)
    assert said.code == 0 and "Taken back: revision 2 (strained mass g: misread)" in said.out
    none = chillrig("runs", "a1", "--undo", *mine)
    assert none.code == 1 and "no change to undo" in none.err
    assert chillrig("runs", "--delete", "a2", "--why", "a test", *mine).code == 0
    listed = json.loads(chillrig("runs", "--json", *mine).out)["runs"]
    assert "a2" not in {r["run"] for r in listed}
    gone = json.loads(chillrig("runs", "--deleted", "--json", *mine).out)["deleted"]
    assert [(d["run"], d["why"]) for d in gone] == [("a2", "a test")]
    assert chillrig("runs", "--restore", "a2", "--why", "it was good", *mine).code == 0
    listed = json.loads(chillrig("runs", "--json", *mine).out)["runs"]
    assert "a2" in {r["run"] for r in listed}


def test_a_correction_that_leaves_a_value_odd_says_so(
    chillrig: Chillrig, logbook: Path, tmp_path: Path
) -> None:
    mine = ("--logbook", shutil.copy(logbook, tmp_path / "b.sqlite"))
    said = chillrig("runs", "a1", "--set", "duration_s=880", "--why", "timed again", *mine)
    assert said.code == 1 and "very long for 'shake'" in said.err
    said = chillrig("runs", "a1", "--set", "room_temp_c=4", "--why", "cellar", *mine)
    assert (
        said.code == 0 and "doubt" in said.out and "a room at 4 °C is unusual" in " ".join(said.out.split())
    )
