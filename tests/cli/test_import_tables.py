"""`chillrig import FILE...`: shown first, one question at a time, then stored with what was taken for what."""

from __future__ import annotations

import json
import re
import shutil
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sample_logs
from rig.importing.bench_folder import open_bench
from rig.logbook.store import open_logbook
from tests.cli.conftest import Chillrig

CLASS = Path(sample_logs.__file__).parent / "evening_class" / "traces"
BEGAN = datetime.fromisoformat("2026-04-03T21:04:10")
SET_UP = ("--technique", "shake", "--vessel", "steel tin", "--ice", "freezer cube", "--recipe", "night shift")


def probe_file(folder: Path, date: str = "%d/%m/%Y ") -> Path:
    """40 s at 2 Hz: 24 °C, then a fall from 10 s on; one reading over range."""
    lines = ["Zeit;Fühler °C"]
    for i in range(80):
        temp = 24.0 if i < 20 else -2 + 26 * float(np.exp(-(i - 20) / 10))
        cell = "OL" if i == 5 else f"{temp:.2f}".replace(".", ",")
        lines.append(f"{(BEGAN + timedelta(seconds=i / 2)).strftime(date + '%H:%M:%S,%f')[:-3]};{cell}")
    path = folder / "probe.csv"
    path.write_text("\n".join([*lines, ""]), encoding="cp1252")
    return path


def scale_file(folder: Path) -> Path:
    """A tin, three pours by the recipe and the ice, five seconds each, then half a minute of rest."""
    total, lines, at = 0.0, ["clock,scale (g)"], BEGAN - timedelta(seconds=30)
    for added, rests in ((120.0, 25), (52.0, 25), (33.3, 25), (15.0, 25), (190.0, 175)):
        total += added
        for _ in range(rests):
            lines.append(f"{at:%H:%M:%S.%f},{total:.1f}")
            at += timedelta(seconds=0.2)
    path = folder / "scale.csv"
    path.write_text("\n".join([*lines, ""]))
    return path


@pytest.fixture
def bar(logbook: Path, tmp_path: Path) -> Path:
    """A copy of the logbook, to be written to."""
    return Path(shutil.copy(logbook, tmp_path / "bar.sqlite"))


def test_a_question_names_the_options_that_answer_it(chillrig: Chillrig, tmp_path: Path) -> None:
    path = tmp_path / "probe.csv"
    rows = [f"{'03/04' if s < 5 else '05/06'}/2026 21:04:{s:02d};{20 - s}" for s in range(9)]
    path.write_text("\n".join(["Zeit;T °C", *rows, ""]), encoding="utf-8")
    said = chillrig("import", path, "--dry-run")
    assert said.code == 1 and said.err.count("\n") == 1
    assert "probe.csv, line 2" in said.err
    assert "--dates day-first or --dates month-first" in said.err


@pytest.mark.parametrize(
    ("text", "option"),
    [
        ("T (°C)\n21\n20\n19\n", "--interval-s 0.2"),
        ("time,T1\n0,150\n1,140\n2,130\n3,120\n", '--unit "T1=°F"'),
        ("time;temp_c\n0;9\n100;8\n200;7\n", "--time-unit s or --time-unit ms"),
        ("t [s];m [g]\n0;1,250\n1;2,250\n2;3,250\n", "--decimal comma or --decimal point"),
        ("0;24\n0.5;23\n1.0;22\n", '--unit "2=°C"'),
        ("t_s,temp_c\n" + "".join(f"{i % 8},{9 - i}\n" for i in range(16)), "--recording 1 or --recording 2"),
    ],
)
def test_every_open_point_names_its_option(
    chillrig: Chillrig, tmp_path: Path, text: str, option: str
) -> None:
    (tmp_path / "log.csv").write_text(text, encoding="utf-8")
    said = chillrig("import", tmp_path / "log.csv", "--dry-run")
    assert said.code == 1 and option in said.err


@pytest.mark.parametrize(
    ("text", "options"),
    [
        ("T (°C)\n21\n20\n19\n", ("--interval-s", "0.2")),
        ("time,T1\n0,150\n1,140\n2,130\n3,120\n", ("--unit", "T1=°F")),
        ("time;temp_c\n0;9\n100;8\n200;7\n", ("--time-unit", "ms")),
        ("t [s];m [g]\n0;1,250\n1;2,250\n2;3,250\n", ("--decimal", "comma")),
        ("0;24\n0.5;23\n1.0;22\n", ("--role", "2=probe")),
    ],
)
def test_the_named_option_answers_it(
    chillrig: Chillrig, tmp_path: Path, text: str, options: tuple[str, str]
) -> None:
    (tmp_path / "log.csv").write_text(text, encoding="utf-8")
    said = chillrig("import", tmp_path / "log.csv", "--dry-run", *options)
    assert said.code == 0, said.err
    assert "Nothing was stored" in said.out


def test_a_dry_run_shows_what_was_taken_and_dropped_and_stores_nothing(
    chillrig: Chillrig, tmp_path: Path, bar: Path
) -> None:
    before = bar.read_bytes()
    options = ("--dates", "day-first", "--run", "z1", *SET_UP, "--logbook", bar, "--dry-run")
    said = chillrig("import", probe_file(tmp_path), *options)
    assert said.code == 0 and "temperature in °C" in said.out and "day-month-year" in said.out
    assert "overload or fault mark 'OL'" in said.out and "(line 7)" in said.out
    assert max(map(len, said.out.splitlines())) <= 100
    with open_logbook(bar) as opened:
        assert "z1" not in {r.run.run for r in opened.list_runs("corner")}
    assert len(before) == len(bar.read_bytes())


def test_a_new_run_starts_where_the_probe_begins_to_fall(
    chillrig: Chillrig, tmp_path: Path, bar: Path
) -> None:
    options = ("--dates", "day-first", "--run", "z1", *SET_UP, "--ice-mass-g", "200", "--duration-s", "12")
    said = chillrig("import", probe_file(tmp_path), *options, "--logbook", bar)
    assert said.code == 0, said.err
    with open_logbook(bar) as opened:
        run = opened.run("corner", "z1")
        findings = opened.book("corner").findings
    assert run.trace is not None and run.trace.time_s[0] == pytest.approx(-10.0, abs=0.51)
    assert run.started_at is not None and abs(run.started_at - BEGAN - timedelta(seconds=10)) < timedelta(
        seconds=0.6
    )
    assert (run.ice_mass_g, run.duration_s) == (200, 12)
    assert "temperature in °C" in run.extra["read as"] and "OL" in run.extra["left out while reading"]
    assert any(f.place.run == "z1" and "OL" in f.what for f in findings)


def test_a_probe_and_a_scale_join_by_their_clocks_and_the_recipe_names_the_weigh_ins(
    chillrig: Chillrig, tmp_path: Path, bar: Path
) -> None:
    files = (probe_file(tmp_path), scale_file(tmp_path))
    options = ("--dates", "day-first", "--run", "z1", *SET_UP, "--logbook", bar, "--start-at", "21:04:20")
    assert chillrig("import", *files, *options).code == 0
    weighed = chillrig(
        "import", *files, *options[:2], "--into", "z1", "--weigh-ins", "--logbook", bar, "--json"
    )
    assert weighed.code == 0, weighed.err
    said = json.loads(weighed.out)
    names = [s["name"] for s in said["weigh_ins"]]
    assert names == [None, "coffee concentrate", "dark spirit", "cream liqueur", "ice"]
    with open_logbook(bar) as opened:
        run = opened.run("corner", "z1")
    assert run.trace is not None
    assert (run.drink_mass_g, run.ice_mass_g) == (pytest.approx(100.3), pytest.approx(190.0))


@pytest.mark.parametrize("steps", ["2-4", "2+3+4", "2-3 + 4"])
def test_weigh_ins_add_up_to_the_mass_they_are_named_for(
    chillrig: Chillrig, tmp_path: Path, bar: Path, steps: str
) -> None:
    options = ("--run", "z1", *SET_UP, "--logbook", bar, "--strained-mass-g", "136")
    said = chillrig("import", scale_file(tmp_path), *options, "--weighed", f"drink_mass_g={steps}")
    assert said.code == 0, said.err
    assert "drink_mass_g: 100.3 g, by steps 2 + 3 + 4" in said.out
    with open_logbook(bar) as opened:
        assert opened.run("corner", "z1").drink_mass_g == pytest.approx(100.3)


def test_a_mass_that_makes_an_impossible_dilution_is_told_and_not_used(
    chillrig: Chillrig, tmp_path: Path, bar: Path
) -> None:
    options = ("--run", "z1", *SET_UP, "--logbook", bar, "--strained-mass-g", "136")
    wrong = (scale_file(tmp_path), *options, "--weighed", "drink_mass_g=4")
    shown = chillrig("import", *wrong, "--dry-run")
    said = chillrig("import", *wrong)
    for told in (shown, said):
        words = " ".join(told.out.split())
        assert told.code == 0, told.err
        assert "807 % water by mass; 'shake' adds 120 % at most; drink_mass_g is not used" in words
        assert "all its ingredients together" in words
    with open_logbook(bar) as opened:
        run = opened.run("corner", "z1")
    assert (run.drink_mass_g, run.strained_mass_g) == (None, 136.0)


def test_a_folder_imported_again_leaves_the_trace_that_a_run_was_given_since(
    chillrig: Chillrig, tmp_path: Path, bar: Path, bench: Path
) -> None:
    options = ("--dates", "day-first", "--into", "a1", "--logbook", bar)
    assert chillrig("import", probe_file(tmp_path), *options).code == 0
    with open_logbook(bar) as opened:
        given = opened.run("corner", "a1")
    again = chillrig("import", bench, "--logbook", bar, "--json")
    (counted,) = json.loads(again.out)["imports"]
    assert (counted["changed"], counted["unchanged"]) == (0, 15)
    with open_logbook(bar) as opened:
        assert opened.run("corner", "a1") == given
    assert given.trace is not None and len(given.trace.time_s) == 79


def test_a_row_written_later_for_a_run_of_tables_takes_no_trace_away(
    chillrig: Chillrig, tmp_path: Path, bar: Path, bench: Path
) -> None:
    options = ("--dates", "day-first", "--run", "z1", *SET_UP, "--duration-s", "12", "--logbook", bar)
    assert chillrig("import", probe_file(tmp_path), *options).code == 0
    home = Path(shutil.copytree(bench, tmp_path / "corner"))
    sheet = home / "run_sheet.csv"
    columns = sheet.read_text().splitlines()[0].split(",")
    row = {"run": "z1", "technique": "shake", "vessel": "steel tin", "ice": "freezer cube"}
    row |= {"recipe": "night shift", "duration_s": "13"}
    sheet.write_text(sheet.read_text() + ",".join(row.get(c, "") for c in columns) + "\n")
    assert chillrig("import", home, "--logbook", bar).code == 0
    with open_logbook(bar) as opened:
        run = opened.run("corner", "z1")
    assert run.trace is not None and run.duration_s == 13


def test_without_weigh_ins_the_scale_is_part_of_the_trace(
    chillrig: Chillrig, tmp_path: Path, bar: Path
) -> None:
    options = ("--dates", "day-first", "--run", "z1", *SET_UP, "--logbook", bar, "--start-at", "10")
    assert chillrig("import", probe_file(tmp_path), scale_file(tmp_path), *options).code == 0
    with open_logbook(bar) as opened:
        trace = opened.run("corner", "z1").trace
    assert trace is not None and trace.scale_g is not None
    assert trace.time_s[np.isfinite(trace.scale_g)][0] == pytest.approx(-40.0)


def test_a_mark_joins_files_without_a_common_clock(chillrig: Chillrig, tmp_path: Path, bar: Path) -> None:
    scale = tmp_path / "scale.csv"
    scale.write_text("t_s;m (g)\n" + "".join(f"{i};{300 + i}\n" for i in range(30)))
    options = ("--dates", "day-first", "--run", "z1", *SET_UP, "--logbook", bar)
    asked = chillrig("import", probe_file(tmp_path), scale, *options)
    assert asked.code == 1 and "--mark probe.csv=SECONDS --mark scale.csv=SECONDS" in asked.err
    marks = ("--mark", "probe.csv=21:04:20", "--mark", "scale.csv=12", "--start-at", "mark")
    said = chillrig("import", probe_file(tmp_path), scale, *options, *marks)
    assert said.code == 0, said.err
    with open_logbook(bar) as opened:
        trace = opened.run("corner", "z1").trace
    assert trace is not None and trace.scale_g is not None
    assert trace.scale_g[np.searchsorted(trace.time_s, 0.0)] == 312


def test_a_profile_is_kept_and_recognised_by_the_header(
    chillrig: Chillrig, tmp_path: Path, bar: Path
) -> None:
    path = probe_file(tmp_path)
    kept = chillrig("import", path, "--dates", "day-first", "--save-profile", "bar probe", "--logbook", bar)
    assert kept.code == 0 and "bar probe" in kept.out
    again = chillrig("import", path, "--dry-run", "--logbook", bar, "--json")
    assert again.code == 0 and json.loads(again.out)["files"][0]["profile"] == "bar probe"
    named = chillrig("import", path, "--dry-run", "--logbook", bar, "--profile", "bar prob")
    assert named.code == 1 and "did you mean 'bar probe'" in named.err
    other = chillrig("import", path, "--dry-run", "--logbook", bar, "--dates", "month-first", "--json")
    assert json.loads(other.out)["files"][0]["started_at"].startswith("2026-03-04")


def test_a_profile_of_files_much_like_one_is_offered_and_reads_it_once_named(
    chillrig: Chillrig, tmp_path: Path, bar: Path
) -> None:
    path = probe_file(tmp_path)
    assert (
        chillrig("import", path, "--dates", "day-first", "--save-profile", "bar probe", "--logbook", bar).code
        == 0
    )
    lines = path.read_text(encoding="cp1252").splitlines()
    wider = [f"{line};{'Raum' if n == 0 else 21}" for n, line in enumerate(lines)]
    path.write_text("\n".join([*wider, ""]), encoding="cp1252")
    said = chillrig("import", path, "--dry-run", "--logbook", bar)
    offer = "much like the files that 'bar probe' was kept for: it also has 'Raum'"
    assert said.code == 0 and offer in " ".join(said.out.split()) and "--profile 'bar probe'" in said.out
    (file,) = json.loads(chillrig("import", path, "--dry-run", "--logbook", bar, "--json").out)["files"]
    assert file["profile"] is None and file["started_at"] is None
    assert file["profile_like_it"] == {"profile": "bar probe", "differs": ["it also has 'Raum'"]}
    named = chillrig("import", path, "--dry-run", "--logbook", bar, "--profile", "bar probe", "--json")
    (file,) = json.loads(named.out)["files"]
    assert file["profile"] == "bar probe" and file["started_at"].startswith("2026-04-03")


def test_a_question_names_the_profile_of_files_much_like_the_one_that_asks(
    chillrig: Chillrig, tmp_path: Path, bar: Path
) -> None:
    rows = [f"{'03/04' if s < 5 else '05/06'}/2026 21:04:{s:02d};{20 - s};21" for s in range(9)]
    for name, columns in (("two.csv", 2), ("three.csv", 3)):
        cut = [";".join(r.split(";")[:columns]) for r in ["Zeit;T °C;Raum °C", *rows]]
        (tmp_path / name).write_text("\n".join([*cut, ""]), encoding="utf-8")
    keep = ("--dates", "day-first", "--save-profile", "bar probe", "--logbook", bar)
    assert chillrig("import", tmp_path / "two.csv", *keep).code == 0
    asked = chillrig("import", tmp_path / "three.csv", "--dry-run", "--logbook", bar)
    assert asked.code == 1 and "it also has 'Raum °C'" in asked.err and "--profile 'bar probe'" in asked.err
    named = ("--profile", "bar probe", "--dry-run", "--logbook", bar)
    assert chillrig("import", tmp_path / "three.csv", *named).code == 0


def test_a_run_joins_a_bench_folder(chillrig: Chillrig, tmp_path: Path, bench: Path) -> None:
    home = Path(shutil.copytree(bench, tmp_path / "corner"))
    toml = (home / "bench.toml").read_bytes()
    options = ("--dates", "day-first", "--run", "z1", *SET_UP, "--bench", home)
    assert chillrig("import", probe_file(tmp_path), *options).code == 0
    run = next(r for r in open_bench(home).runs if r.run == "z1")
    assert run.trace is not None and run.notes is not None and "temperature in °C" in run.notes
    assert (home / "bench.toml").read_bytes() == toml


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        ((), 2, "say which run this is"),
        (("--run", "z1", "--technique", "shake"), 2, "--vessel, --ice, --recipe"),
        (("--run", "a1", *SET_UP), 1, "--into a1"),
        (("--run", "z1", *SET_UP[:-1], "nightshift"), 1, "did you mean 'night shift'"),
        (("--into", "q9"), 1, "no run 'q9'"),
        (("--run", "z1", "--into", "a1"), 2, "not both"),
        (("--run", "z1", *SET_UP, "--start-at", "soon"), 2, "neither seconds nor a time of day"),
        (("--run", "z1", *SET_UP, "--mark", "other.csv=3"), 2, "none of the files"),
        (("--run", "z1", *SET_UP, "--unit", "Sonde=°F"), 1, "no file has a column 'Sonde'"),
        (("--run", "z1", *SET_UP, "--ice-mass-g", "-3"), 1, "negative"),
        (("--as", "x"), 2, "--as names bench folders"),
        (("--weigh-ins", "--dry-run"), 1, "weigh-ins need one scale"),
        (("--run", "z1", *SET_UP, "--starts-at", "yesterday"), 2, "no date and time"),
        (("--run", "z1", *SET_UP, "--weighed", "drink_mass_g=4-2"), 2, "'4-2' names no steps"),
        (("--run", "z1", *SET_UP, "--weighed", "drink_mass_g=2-4+3"), 2, "takes a step twice"),
        (("--run", "z1", *SET_UP, "--role", "Fühler=pot"), 1, "there is no use 'pot'"),
    ],
)
def test_what_cannot_be_is_told_in_words_that_help(
    chillrig: Chillrig, tmp_path: Path, bar: Path, options: tuple[Any, ...], code: int, says: str
) -> None:
    said = chillrig("import", probe_file(tmp_path), "--dates", "day-first", *options, "--logbook", bar)
    assert said.code == code
    assert says in " ".join(said.err.replace("│", " ").split())


def test_a_dry_run_of_a_folder_stores_nothing(chillrig: Chillrig, bench: Path, tmp_path: Path) -> None:
    said = chillrig("import", bench, "--dry-run", "--logbook", tmp_path / "none.sqlite")
    assert said.code == 0 and "15 runs" in said.out and not (tmp_path / "none.sqlite").exists()


def from_first_reading(folder: Path, trace: str = "c05") -> Path:
    """A trace of the class with its capsule probe, its time counted from its first reading, as loggers do."""
    rows = (CLASS / f"{trace}.csv").read_text().splitlines()[1:]
    lines = [f"{float(t) + 2.0:.2f},{c}" for t, c in (row.split(",") for row in rows)]
    path = folder / "probe.csv"
    path.write_text("\n".join(["time (s),probe (°C)", *lines, ""]))
    return path


def test_a_preview_says_where_motion_starts_how_surely_and_on_what_grounds(
    chillrig: Chillrig, tmp_path: Path
) -> None:
    file = from_first_reading(tmp_path)
    said = chillrig("import", file, "--dry-run")
    assert re.search(
        r"Motion starts at (1\.[5-9]|2\.[0-5]) s ± 0\.\d s of probe\.csv: probe falls from 58\.\d °C",
        said.out,
    )
    motion = json.loads(chillrig("import", file, "--dry-run", "--json").out)["motion"]
    assert motion["start_s"] == pytest.approx(2.0, abs=0.5) and motion["source"] == "probe"
    told = json.loads(chillrig("import", file, "--dry-run", "--json", "--start-at", "2").out)["motion"]
    assert (told["start_s"], told["grounds"]) == (2.0, "as told")


def test_an_unclear_start_is_asked_for_by_its_option_and_stores_nothing(
    chillrig: Chillrig, tmp_path: Path, bar: Path
) -> None:
    lines = [f"{i / 2},{23 if i < 20 else 9 if i < 60 else 9 - min(i - 60, 20) / 2}" for i in range(100)]
    (tmp_path / "two.csv").write_text("\n".join(["time (s),probe (°C)", *lines, ""]))
    options = ("--run", "z7", *SET_UP, "--logbook", bar)
    shown = chillrig("import", tmp_path / "two.csv", *options, "--dry-run")
    assert shown.code == 0 and "Open: the start of motion is not clear: the probe falls 2 times" in shown.out
    said = chillrig("import", tmp_path / "two.csv", *options)
    assert said.code == 1 and re.search(r"--start-at (9|10)[.\d]* or --start-at (29|30)", said.err)
