"""A run joins a bench folder without any other line of it being touched."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.errors import BenchError, NotFound
from rig.importing.bench_folder import open_bench
from rig.importing.bench_rows import add_row, attach_trace
from rig.runs import Run, Trace

TOML = """# mine
[vessels.tin]
mass_g = 235
[ice.cube]
edge_mm = 25
[recipes.black]
ingredients = [{ name = "coffee", volume_ml = 50 }]
"""
HEADER = "run,technique,vessel,ice,recipe,ice_mass_g,trace,notes,mood"
OTHERS = [
    "broken,shake,jar,cube,black,200,,,",
    '"a",stir,tin,cube,black,,,"two\nlines",',
    "",
    "z,shake,tin,cube,black,,,,",
]
TRACE = Trace(np.array([-1.0, 0.0, 1.0]), {"": np.array([20.0, 20.0, 15.0])})
RUN = Run(
    "new", "shake", "tin", "cube", "black", ice_mass_g=np.float64(180.5), trace=TRACE, extra={"read as": "x"}
)


@pytest.fixture(params=["\n", "\r\n"])
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text(TOML)
    (tmp_path / "run_sheet.csv").write_bytes(request.param.join([HEADER, *OTHERS, ""]).encode())
    return tmp_path


def sheet(folder: Path) -> str:
    return (folder / "run_sheet.csv").read_bytes().decode()


def test_a_new_run_is_appended_and_its_trace_written(folder: Path) -> None:
    before = sheet(folder)
    path = add_row(folder, RUN)
    assert sheet(folder).startswith(before) and sheet(folder).count("\n") == before.count("\n") + 1
    book = open_bench(folder)
    run = next(r for r in book.runs if r.run == "new")
    assert run.trace == TRACE and run.ice_mass_g == 180.5 and run.notes == "read as: x"
    assert path.parent == folder / "traces" and (folder / "bench.toml").read_text() == TOML


@pytest.mark.parametrize("name", ["a", "z"])
def test_a_trace_joins_a_run_that_is_there_and_other_lines_stay(folder: Path, name: str) -> None:
    before = sheet(folder)
    attach_trace(folder, replace(RUN, run=name))
    book = open_bench(folder)
    run = next(r for r in book.runs if r.run == name)
    assert run.trace == TRACE and run.ice_mass_g == 180.5
    for line in (HEADER, OTHERS[0]):
        assert line in sheet(folder)
    assert {r.run for r in book.runs} == {"a", "z"} and sheet(folder).count("\n") >= before.count("\n") - 1


def test_traces_of_like_names_do_not_overwrite_each_other(folder: Path) -> None:
    first = add_row(folder, RUN)
    first_bytes = first.read_bytes()
    other = Trace(np.array([0.0, 1.0]), {"": np.array([1.0, 2.0])})
    second = attach_trace(folder, replace(RUN, trace=other))
    assert second != first and first.read_bytes() == first_bytes


def test_a_run_that_is_there_is_not_added_twice(folder: Path) -> None:
    with pytest.raises(BenchError, match="a run of this name is there"):
        add_row(folder, replace(RUN, run="a"))
    assert not (folder / "traces").exists()


def test_a_column_that_the_sheet_lacks_is_named(folder: Path) -> None:
    with pytest.raises(BenchError, match="'duration_s'"):
        add_row(folder, replace(RUN, duration_s=12.0))


def test_a_run_that_is_not_there_takes_no_trace(folder: Path) -> None:
    with pytest.raises(NotFound, match="no run 'q'"):
        attach_trace(folder, replace(RUN, run="q"))
