"""The sample benches on disk are the generator's, follow the contract, and hold the flaws they admit to."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import pytest

import sample_logs
from rig.bench import parse_bench
from sample_logs.generator.folder import COLUMNS
from sample_logs.generator.samples import write_samples

HERE = Path(sample_logs.__file__).parent
NAMES = ("harbour", "evening_class", "rehearsal")


def files_below(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def sheet(name: str) -> dict[str, dict[str, str]]:
    with (HERE / name / "run_sheet.csv").open(encoding="utf-8", newline="") as file:
        return {row["run"]: row for row in csv.DictReader(file)}


def trace(name: str, run: str) -> list[dict[str, float]]:
    with (HERE / name / "traces" / f"{run}.csv").open(encoding="utf-8", newline="") as file:
        return [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]


def test_the_generator_writes_the_samples_byte_for_byte(tmp_path: Path) -> None:
    write_samples(tmp_path)
    for name in NAMES:
        fresh, stored = files_below(tmp_path / name), files_below(HERE / name)
        assert fresh.keys() == stored.keys()
        assert [f for f in fresh if fresh[f] != stored[f]] == []


def test_the_samples_are_small() -> None:
    assert sum(len(b) for name in NAMES for b in files_below(HERE / name).values()) < 3_000_000


@pytest.mark.parametrize("name", NAMES)
def test_the_bench_parses_without_a_note(name: str) -> None:
    bench, notes = parse_bench((HERE / name / "bench.toml").read_text(encoding="utf-8"))
    assert notes == ()
    assert bench.targets
    for row in sheet(name).values():
        bench.vessel(row["vessel"])
        bench.ice_type(row["ice"])
        bench.recipe(row["recipe"])
        assert bench.motion(row["technique"]) is not None


@pytest.mark.parametrize("name", NAMES)
def test_each_run_has_the_columns_and_the_trace_it_names(name: str) -> None:
    rows = sheet(name)
    named = {row["trace"] for row in rows.values() if row["trace"]}
    assert named == {f for f in files_below(HERE / name) if f.startswith("traces/")}
    for run, row in rows.items():
        assert list(row)[: len(COLUMNS)] == list(COLUMNS)
        if row["trace"]:
            times = [r["time_s"] for r in trace(name, run)]
            assert times[0] < 0 < times[-1] <= float(row["duration_s"])
            assert times == sorted(set(times))


@pytest.mark.parametrize("name", NAMES)
def test_the_data_say_that_they_are_synthetic(name: str) -> None:
    assert "Synthetic" in (HERE / name / "NOTE.md").read_text(encoding="utf-8")
    assert 'note = "Synthetic' in (HERE / name / "bench.toml").read_text(encoding="utf-8")


def test_the_harbour_bench_holds_the_names_the_examples_use() -> None:
    bench, _ = parse_bench((HERE / "harbour" / "bench.toml").read_text(encoding="utf-8"))
    bench.recipe("quayside black")
    bench.target("coupe")
    runs = [r for r in sheet("harbour").values() if r["vessel"] == "two-piece steel"]
    assert sum(r["ice"] == "freezer cube" and r["technique"] == "shake" for r in runs) == 9


@pytest.mark.parametrize(
    ("name", "run", "column"),
    [
        ("harbour", "h07", "trace"),
        ("harbour", "h24", "strained_mass_g"),
        ("harbour", "h31", "ice_mass_g"),
        ("harbour", "h32", "vessel_temp_c"),
        ("harbour", "h32", "room_temp_c"),
        ("evening_class", "c10", "drink_temp_c"),
        ("evening_class", "c17", "strained_mass_g"),
        ("rehearsal", "f21", "ice_temp_c"),
        ("rehearsal", "f27", "trace"),
    ],
)
def test_the_missing_cells_are_the_admitted_ones(name: str, run: str, column: str) -> None:
    assert sheet(name)[run][column] == ""


@pytest.mark.parametrize("name", NAMES)
def test_no_other_measured_cell_is_missing(name: str) -> None:
    optional = {"notes", "foam_half_life_s"}
    empty = [
        (run, k) for run, row in sheet(name).items() for k, v in row.items() if not v and k not in optional
    ]
    assert len(empty) == {"harbour": 5, "evening_class": 2, "rehearsal": 2}[name]


def test_the_other_flaws_are_where_the_readme_says() -> None:
    harbour, rehearsal = sheet("harbour"), sheet("rehearsal")
    assert float(harbour["h18"]["strained_mass_g"]) > 2 * float(harbour["h18"]["drink_mass_g"])
    times = [r["time_s"] for r in trace("harbour", "h39")]
    assert max(b - a for a, b in pairwise(times)) > 2.0
    assert float(rehearsal["f10"]["duration_s"]) == 3.4
    readme = (HERE / "README.md").read_text(encoding="utf-8")
    assert all(f" {run} " in readme for run in ("h07", "h18", "h24", "h31", "h32", "h39", "c10", "c17"))
    assert all(f" {run} " in readme for run in ("f10", "f21", "f27"))
