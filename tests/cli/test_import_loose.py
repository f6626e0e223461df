"""A drawer of loose logger files: grouped into runs by clock and name, stored once the set-up is told."""

from __future__ import annotations

import json
import shutil
import zipfile
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from rig.logbook.store import open_logbook
from tests.cli.conftest import Chillrig

BEGAN = datetime.fromisoformat("2026-04-23T21:04:10")
SET_UP = ("--technique", "shake", "--vessel", "steel tin", "--ice", "freezer cube", "--recipe", "night shift")


def probe(at: datetime | None) -> str:
    """40 s at 2 Hz: 24 °C, then a fall from 10 s on; by its clock, or by seconds alone."""
    lines = ["time,Fühler °C" if at else "time (s),probe (°C)"]
    for i in range(80):
        temp = 24.0 if i < 20 else -2 + 26 * float(np.exp(-(i - 20) / 10))
        when = f"{at + timedelta(seconds=i / 2):%Y-%m-%d %H:%M:%S.%f}"[:-3] if at else f"{i / 2}"
        lines.append(f"{when},{temp:.2f}")
    return "\n".join([*lines, ""])


def scale(at: datetime) -> str:
    lines = [f"{at + timedelta(seconds=i):%Y-%m-%d %H:%M:%S},{300 + (i > 10) * 90}" for i in range(30)]
    return "\n".join(["time,scale (g)", *lines, ""])


@pytest.fixture
def drawer(tmp_path: Path) -> Path:
    """Three runs: two by clock (one with its scale), one by its name alone; and a file that is no table."""
    home = tmp_path / "drawer"
    home.mkdir()
    (home / "LOG0007.csv").write_text(scale(BEGAN - timedelta(seconds=20)))
    (home / "probe 1.csv").write_text(probe(BEGAN))
    (home / "probe 2.csv").write_text(probe(BEGAN + timedelta(seconds=50)))
    (home / "r12_probe.csv").write_text(probe(None))
    (home / "reading me.txt").write_text("bought in spring, battery changed\n")
    return home


@pytest.fixture
def bar(logbook: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(logbook, tmp_path / "bar.sqlite"))


def packed(drawer: Path) -> Path:
    path = drawer.with_suffix(".zip")
    with zipfile.ZipFile(path, "w") as archive:
        for file in sorted(drawer.iterdir()):
            archive.write(file, f"night/{file.name}")
    return path


@pytest.mark.parametrize("archived", [False, True])
def test_loose_files_are_proposed_as_runs_by_clock_and_name(
    chillrig: Chillrig, drawer: Path, archived: bool
) -> None:
    said = chillrig("import", packed(drawer) if archived else drawer, "--json")
    assert said.code == 0, said.err
    runs = {r["run"]: r for r in json.loads(said.out)["runs"]}
    files = [sorted(Path(f).name for f in r["files"]) for r in runs.values()]
    assert ["LOG0007.csv", "probe 1.csv"] in files and ["probe 2.csv"] in files
    assert [Path(f).name for f in runs["r12"]["files"]] == ["r12_probe.csv"]
    assert runs["r12"]["grouped_by"] == "name" and "motion starts at" in runs["r12"]["state"]
    assert any(
        r["state"].startswith(("left out", "open")) and "reading me.txt" in r["state"] for r in runs.values()
    )


def test_nothing_is_stored_until_the_set_up_is_told_and_then_all_that_is_clear(
    chillrig: Chillrig, drawer: Path, bar: Path
) -> None:
    shown = chillrig("import", drawer, "--logbook", bar)
    assert shown.code == 0 and "Nothing was stored" in shown.out and "--technique T" in shown.out
    with open_logbook(bar) as opened:
        before = {r.run.run for r in opened.list_runs("corner")}
    said = chillrig("import", drawer, *SET_UP, "--logbook", bar)
    assert said.code == 0, said.err
    with open_logbook(bar) as opened:
        new = {
            r.run.run: opened.run("corner", r.run.run)
            for r in opened.list_runs("corner")
            if r.run.run not in before
        }
    assert len(new) == 3 and said.out.count("stored") >= 3
    both = [r.trace for r in new.values() if r.trace is not None and r.trace.scale_g is not None]
    assert len(both) == 1 and both[0].probe_c is not None
    again = chillrig("import", drawer, *SET_UP, "--logbook", bar)
    assert again.code == 0 and again.out.count("stored before") == 3
    assert "there is a run" not in again.out


def test_files_of_a_drawer_are_read_by_the_answers_kept_for_their_shape(
    chillrig: Chillrig, tmp_path: Path, bar: Path
) -> None:
    rows = "".join(f"14:{k:02d};{20 - k / 3:.2f}\n" for k in range(40))
    (tmp_path / "drawer").mkdir()
    for n in range(2):
        (tmp_path / "drawer" / f"r{n}.csv").write_text("clock;Tin (°C)\n" + rows, encoding="utf-8")
    ask = ("import", tmp_path / "drawer", "--logbook", bar, "--json")
    assert all("mm:ss" in r["state"] for r in json.loads(chillrig(*ask).out)["runs"])
    one = tmp_path / "drawer" / "r0.csv"
    keep = ("--time-unit", "mm:ss", "--save-profile", "tin logger", "--logbook", bar)
    assert chillrig("import", one, *keep).code == 0
    assert all("motion starts at" in r["state"] for r in json.loads(chillrig(*ask).out)["runs"])


def test_many_clear_files_are_told_in_a_few_lines(chillrig: Chillrig, tmp_path: Path) -> None:
    for n in range(40):
        rows = "".join(f"{k / 2},{20 - k / 3:.2f}\n" for k in range(40))
        (tmp_path / f"run {n:02d}.csv").write_text("time_s,probe_c\n" + rows, encoding="utf-8")
    (tmp_path / "torn.csv").write_text("nothing to read\n", encoding="utf-8")
    said = chillrig("import", tmp_path)
    assert said.code == 0, said.err
    assert "41 loose files" in said.out and "torn.csv" in said.out and "21 more" in said.out
    assert len(said.out.splitlines()) < 90


def test_other_commands_say_what_such_a_folder_is(chillrig: Chillrig, drawer: Path) -> None:
    said = chillrig("compare", "--bench", drawer)
    assert said.code == 1 and "a folder of 5 loose files, with no bench.toml" in said.err
    assert "chillrig import" in said.err
    gone = chillrig("import", drawer / "gone.csv")
    assert gone.code == 1 and "gone.csv: there is no such file or folder" in gone.err


def test_a_damaged_archive_or_one_of_a_bench_says_what_to_do(
    chillrig: Chillrig, drawer: Path, bench: Path, tmp_path: Path
) -> None:
    whole = packed(drawer).read_bytes()
    cut = tmp_path / "cut.zip"
    cut.write_bytes(whole[:200].replace(b"2026", b"6202") + whole[240:])
    said = chillrig("import", cut)
    assert said.code == 1 and "Unpack it" in said.err
    boxed = Path(shutil.make_archive(str(tmp_path / "bench"), "zip", bench))
    said = chillrig("import", boxed)
    assert said.code == 1 and "holds a bench folder. Unpack it" in said.err
