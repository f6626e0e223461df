"""The logbook as open data: the same runs come back, into either store; and it is there whole or not at all."""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from pyarrow.parquet import ParquetFile

import rig
from rig.consistency.judging import judged
from rig.errors import BenchError, Place, RigError
from rig.logbook.open_data import parquet, write
from rig.logbook.open_data.parquet import open_package
from rig.logbook.open_data.read import read_open_data
from rig.logbook.open_data.tables import RUN_COLUMNS, TABLES
from rig.logbook.open_data.write import write_open_data
from rig.logbook.store import Logbook, open_logbook
from rig.runs import Run, RunBook, Trace
from tests.logbook.conftest import BENCH, FINDINGS, trace
from tests.logbook.conftest import RUNS as UNJUDGED

_JUDGED = judged(BENCH, UNJUDGED)
RUNS = tuple(one.run for one in _JUDGED)
"""As they are once they have come through any door: without values that cannot be."""
ODD = tuple(finding for one in _JUDGED for finding in one.findings(Place("run_sheet.csv")))


def written(logbook: Logbook, to: Path, **how: Any) -> Path:
    write_open_data(logbook, [b.name for b in logbook.benches()], to, **how)
    return to


def read_back(folder: Path, url: str | None, as_name: str | None = None) -> Logbook:
    logbook = open_logbook(url)
    read_open_data(logbook, open_package(folder), str(folder), as_name)
    return logbook


@pytest.fixture(scope="module")
def book() -> RunBook:
    return RunBook(BENCH, RUNS, (*FINDINGS, *ODD))


@pytest.fixture
def kept(made: Path, tmp_path: Path) -> Path:
    """Open data of the logbook that lies beside it."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return tmp_path / "open"


@pytest.fixture(scope="module")
def made(book: RunBook, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two benches and their open data; of the first, runs were corrected, deleted, and given another trace."""
    home = tmp_path_factory.mktemp("made")
    with open_logbook(home / "first.sqlite") as first:
        first.add(book, "corner", "corner")
        other = replace(BENCH, title="Second bar", notes={})
        first.add(RunBook(other, (replace(RUNS[3], trace=Trace(np.array([0.0, 1.0]))),)), "second", "second")
        first.edit_run("corner", "r1", {"drink_temp_c": 21.5, "notes": None}, "read again")
        first.exclude("corner", "r2", "spilt")
        first.complete(RunBook(BENCH, (replace(RUNS[3], trace=trace(9)),)), "corner", "probe.csv")
        first.complete(RunBook(BENCH, (replace(RUNS[3], trace=trace(8, 0)),)), "corner", "probe.csv")
        first.delete_run("corner", "r10", "a mistake")
        written(first, home / "open")
    return home


def test_the_same_runs_come_back_into_either_store(kept: Path, tmp_path: Path, url: str) -> None:
    with open_logbook(tmp_path / "first.sqlite") as first, read_back(kept, url) as second:
        assert [b.name for b in second.benches()] == ["corner", "second"]
        for name in ("corner", "second"):
            assert second.book(name) == first.book(name)
            for mine, theirs in zip(first.book(name).runs, second.book(name).runs, strict=True):
                assert mine.trace is None or list(mine.trace.channels()) == list(theirs.trace.channels())
                assert first.history(name, mine.run) == second.history(name, mine.run)


def test_what_came_from_postgresql_goes_into_sqlite(book: RunBook, url: str, tmp_path: Path) -> None:
    with open_logbook(url) as first:
        first.add(book, "corner", "corner")
        with read_back(written(first, tmp_path / "open"), None) as second:
            assert second.book("corner") == first.book("corner")


def test_a_correction_that_came_along_can_be_taken_back_with_its_trace(kept: Path, url: str) -> None:
    with read_back(kept, url) as logbook:
        logbook.undo("corner", "r3")
        assert logbook.run("corner", "r3").trace == trace(9)
        logbook.undo("corner", "r1")
        assert logbook.run("corner", "r1").drink_temp_c == RUNS[0].drink_temp_c


def test_to_bring_it_in_again_changes_nothing(kept: Path, tmp_path: Path) -> None:
    with open_logbook(tmp_path / "first.sqlite") as first:
        before = first.book("corner"), first.history("corner", "r1")
        came = read_open_data(first, open_package(kept), str(kept))
        assert [(c.added.new, c.added.changed, c.added.unchanged) for c in came] == [(0, 0, 3), (0, 0, 1)]
        assert before == (first.book("corner"), first.history("corner", "r1"))


def test_its_folder_again_is_still_known_and_takes_no_correction_away(
    kept: Path, book: RunBook, tmp_path: Path
) -> None:
    with read_back(kept, None) as logbook:
        added = logbook.add(replace(book, runs=book.runs[:2]), "corner", "corner")
        assert (added.new, added.changed, added.unchanged) == (0, 0, 2)
        assert logbook.run("corner", "r1").drink_temp_c == 21.5


def test_a_correction_made_elsewhere_comes_in_as_one(kept: Path, tmp_path: Path) -> None:
    with read_back(kept, None) as second:
        second.edit_run("corner", "r2", {"ice_mass_g": 200.0}, "weighed")
        again = written(second, tmp_path / "again")
    with open_logbook(tmp_path / "first.sqlite") as first:
        (corner, _) = read_open_data(first, open_package(again), str(again))
        assert corner.added.changed == 1 and first.run("corner", "r2").ice_mass_g == 200.0


def test_every_field_of_a_run_has_a_column_and_every_column_a_meaning() -> None:
    assert {"run", "trace", *RUN_COLUMNS} == {f.name for f in fields(Run)}
    for table in TABLES:
        for column in table.columns:
            assert column.meaning
            ends = column.name.rsplit("_", 1)[-1]
            assert column.unit or ends not in ("g", "c", "s", "k", "ml", "pct") or column.kind == "string"


def test_the_description_says_of_each_file_what_is_in_it(kept: Path) -> None:
    said = json.loads((kept / "datapackage.json").read_text())
    assert {p.name for p in kept.iterdir()} == {"datapackage.json", *(r["path"] for r in said["resources"])}
    for resource in said["resources"]:
        frame = pd.read_parquet(kept / resource["path"])
        assert [f["name"] for f in resource["schema"]["fields"]] == list(frame.columns)
        assert resource["bytes"] == (kept / resource["path"]).stat().st_size
        key = resource["schema"].get("primaryKey")
        assert key is None or not frame.duplicated(key).any()
        for field in resource["schema"]["fields"]:
            assert not field.get("constraints") or frame[field["name"]].notna().all()
        for refers in resource["schema"].get("foreignKeys", ()):
            there = pd.read_parquet(kept / f"{refers['reference']['resource']}.parquet")
            known = set(map(tuple, there[refers["reference"]["fields"]].to_numpy()))
            assert set(map(tuple, frame[refers["fields"]].to_numpy())) <= known


def test_deleted_runs_stay_behind_with_their_traces(kept: Path) -> None:
    assert list(pd.read_parquet(kept / "runs.parquet")["run"]) == ["r1", "r2", "r3", "r3"]
    readings = pd.read_parquet(kept / "traces.parquet")
    lengths = sorted(len(t) for t in (trace(1).time_s, trace(9).time_s, [0.0, 1.0]))
    assert (
        sorted(readings[readings["channel"].isin(["probe_c", "time_s"])].groupby("trace").size()) == lengths
    )


def test_recipes_and_ice_stand_in_tables_of_their_own(kept: Path) -> None:
    recipes = pd.read_parquet(kept / "recipes.parquet")
    rum = recipes[(recipes["bench"] == "corner") & (recipes["ingredient"] == "rum")].iloc[0]
    assert (rum["recipe"], rum["position"], rum["mass_g"], rum["abv_pct"]) == ("black", 2, 33, 42)
    targets = pd.read_parquet(kept / "targets.parquet")
    assert list(targets["dilution_by_volume_from"]) == [0.3, 0.3]


def test_without_names_no_name_and_no_free_text_is_in_any_file(tmp_path: Path) -> None:
    secret = "Quillfeather"
    runs = (
        replace(
            RUNS[0], operator=secret, session=secret, notes=secret, extra={"by": secret}, trace_file=secret
        ),
        replace(RUNS[1], operator="B", excluded_because=secret),
        replace(RUNS[3], operator=secret),
    )
    with open_logbook(None) as first:
        first.add(RunBook(replace(BENCH, notes={"owner": secret}), runs), "corner", f"/home/{secret}")
        first.edit_run("corner", "r2", {"operator": secret, "notes": secret}, secret)
        folder = written(first, tmp_path / "open", with_names=False)
    for file in folder.iterdir():
        frame = pd.read_parquet(file) if file.suffix == ".parquet" else pd.DataFrame([file.read_text()])
        assert not frame.astype(str).apply(lambda c: c.str.contains(secret)).to_numpy().any(), file.name
    frame = pd.read_parquet(folder / "runs.parquet")
    assert list(frame["operator"]) == ["hand 1", "hand 1", "hand 1"]
    assert list(frame["excluded_because"].notna()) == [False, True, False]
    corrections = pd.read_parquet(folder / "corrections.parquet").set_index("field")
    assert tuple(corrections.loc["operator", ["before", "after"]]) == ('"hand 2"', '"hand 1"')


def test_numbers_for_people_are_not_laid_over_their_names(book: RunBook, tmp_path: Path) -> None:
    with open_logbook(None) as logbook:
        logbook.add(book, "corner", "corner")
        package = open_package(written(logbook, tmp_path / "open", with_names=False))
        with pytest.raises(BenchError, match="--as NAME"):
            read_open_data(logbook, package, "open")
        for _ in range(2):
            read_open_data(logbook, package, "open", "for all")
        assert logbook.run("for all", "r1").operator == "hand 1"
        assert logbook.run("corner", "r1").operator == "A"


@pytest.mark.parametrize("damage", ["cut", "turned", "gone"])
@pytest.mark.parametrize("table", ["runs", "traces", "channels", "benches", "corrections"])
def test_a_damaged_table_is_refused_before_anything_is_stored(kept: Path, table: str, damage: str) -> None:
    path = kept / f"{table}.parquet"
    raw = bytearray(path.read_bytes())
    if damage == "gone":
        path.unlink()
    else:
        raw[len(raw) // 2] ^= 1
        path.write_bytes(raw if damage == "turned" else raw[:-3])
    with pytest.raises(BenchError, match=table):
        open_package(kept)


def _change(kept: Path, table: str, change: Callable[[pd.DataFrame], pd.DataFrame]) -> None:
    """Rewrite a table as another program would, which says nothing of its digest."""
    path = kept / f"{table}.parquet"
    change(pd.read_parquet(path)).to_parquet(path)
    said = json.loads((kept / "datapackage.json").read_text())
    for resource in said["resources"]:
        resource.pop("bytes", None), resource.pop("hash", None)
    (kept / "datapackage.json").write_text(json.dumps(said))


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("runs", lambda f: f.drop(columns="vessel")),
        ("runs", lambda f: f.assign(vessel=None)),
        ("runs", lambda f: f.assign(started_at="yesterday")),
        ("runs", lambda f: f.assign(extra="[")),
        ("runs", lambda f: f.assign(trace=99)),
        ("runs", lambda f: f.assign(as_imported="[1]")),
        ("runs", lambda f: pd.concat([f, f])),
        ("traces", lambda f: f.iloc[:-1]),
        ("traces", lambda f: f.assign(channel="scale_g")),
        ("corrections", lambda f: f.assign(before="{")),
        ("benches", lambda f: f.assign(bench_toml="[")),
    ],
)
def test_what_cannot_be_is_refused_with_its_place_and_a_cure(
    kept: Path, table: str, change: Callable[[pd.DataFrame], pd.DataFrame]
) -> None:
    _change(kept, table, change)
    with open_logbook(None) as logbook, pytest.raises(RigError):
        read_open_data(logbook, open_package(kept), "open")


def test_a_correction_to_what_no_run_can_have_stays_behind(kept: Path) -> None:
    _change(kept, "corrections", lambda f: f.assign(before='"x"', after='"y"'))
    with read_back(kept, None) as logbook:
        assert [c for r in logbook.book("corner").runs for c in logbook.history("corner", r.run)] == [
            c for c in logbook.history("corner", "r1") if set(c.changes) == {"notes"}
        ] + [c for c in logbook.history("corner", "r2") if set(c.changes) == {"excluded_because"}]


def test_rows_that_another_program_put_in_another_order_are_found(kept: Path) -> None:
    _change(kept, "runs", lambda f: f.iloc[::-1])
    with read_back(kept, None) as logbook:
        assert logbook.run("corner", "r1").trace == RUNS[0].trace


def test_something_else_that_is_there_is_never_replaced(kept: Path, tmp_path: Path, book: RunBook) -> None:
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "diary.txt").write_text("mine")
    with open_logbook(None) as logbook:
        logbook.add(book, "other", "other")
        for there, overwrite in ((mine, True), (mine, False), (kept, False)):
            with pytest.raises(RigError):
                written(logbook, there, overwrite=overwrite)
        assert (mine / "diary.txt").read_text() == "mine"
        written(logbook, kept, overwrite=True)
    assert list(pd.read_parquet(kept / "benches.parquet")["bench"]) == ["other"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["first.sqlite", "mine", "open"]


_KILLED = """
import os, signal, sys
from rig.logbook.open_data import parquet, write
from rig.logbook.store import open_logbook
calls = 0
def die(*_):
    global calls
    calls += 1
    if calls == int(sys.argv[3]):
        os.kill(os.getpid(), signal.SIGKILL)
real = write.sync
write.sync = lambda path: (die(), real(path))
with open_logbook(sys.argv[1]) as logbook:
    write.write_open_data(logbook, [b.name for b in logbook.benches()], write.Path(sys.argv[2]), progress=die)
"""


@pytest.mark.parametrize("moment", [1, 9, 16])
def test_a_kill_leaves_nothing_that_looks_like_an_export(kept: Path, tmp_path: Path, moment: int) -> None:
    to = tmp_path / "again"
    done = subprocess.run(
        [sys.executable, "-c", _KILLED, tmp_path / "first.sqlite", to, str(moment)], check=False
    )
    assert done.returncode == -signal.SIGKILL
    assert not to.exists()
    half = [p for p in tmp_path.iterdir() if p.name.startswith(".again")]
    assert half and all(p.name.endswith(".part") for p in half)
    with open_logbook(tmp_path / "first.sqlite") as first:
        assert open_package(written(first, to)).with_names


def test_a_text_that_is_repeated_without_end_is_refused_before_it_is_unpacked(
    kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parquet, "_MOST_IN_GROUP", 1 << 20)
    many = [f"r{n}" for n in range(200)]
    _change(kept, "runs", lambda f: pd.concat([f.assign(notes="x" * 20_000)] * 50).assign(run=many))
    assert (kept / "runs.parquet").stat().st_size < 100_000
    with open_logbook(None) as logbook, pytest.raises(BenchError, match="more text"):
        read_open_data(logbook, open_package(kept), "open")


def test_a_row_group_that_would_take_the_machine_is_refused_unread(
    kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parquet, "_MOST_IN_GROUP", 1 << 16)
    _change(kept, "traces", lambda f: pd.concat([f.iloc[:1]] * 5_000))
    with pytest.raises(BenchError, match="row group"):
        open_package(kept)


def test_no_more_is_held_at_once_than_a_row_group(
    book: RunBook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(write, "ROWS", 2)
    monkeypatch.setattr(write, "READINGS", 100)
    runs = tuple(replace(RUNS[3], run=f"r{n}", trace=trace(n)) for n in range(9))
    with open_logbook(None) as logbook:
        logbook.add(RunBook(BENCH, runs), "corner", "corner")
        folder = written(logbook, tmp_path / "open")
        sizes = [
            [ParquetFile(folder / f"{t}.parquet").metadata.row_group(n).num_rows for n in range(4)]
            for t in ("runs", "traces")
        ]
        assert sizes == [[2] * 4, [100] * 4]
        with read_back(folder, None) as again:
            assert again.book("corner") == logbook.book("corner")


def test_pandas_polars_and_duckdb_read_it_as_the_readme_says(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (Path(rig.__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    (tmp_path / "open-data").symlink_to(made / "open")
    monkeypatch.chdir(tmp_path)
    found = {}
    for library in ("pandas", "polars", "duckdb"):
        (code,) = re.findall(rf"```python\n(import {library}.*?)```", text, re.S)
        assert len(code.strip().replace("\n\n", "\n").splitlines()) == 4  # the import, and three lines
        known: dict[str, Any] = {}
        exec(compile(code, "README.md", "exec"), known)  # our own text, as a reader would paste it
        answer = known["coldest"]
        frame = (
            answer.reset_index()
            if library == "pandas"
            else answer.to_pandas()
            if library == "polars"
            else answer
        )
        found[library] = {tuple(row) for row in frame[["bench", "run", "value"]].to_numpy()}
    with open_logbook(made / "first.sqlite") as logbook:
        probed = {("corner", r.run): r.trace for r in logbook.book("corner").runs if r.trace is not None}
    assert found["pandas"] == {
        (*whose, np.nanmin(t.probe_c))
        for whose, t in probed.items()
        if t.probe_c is not None and t.probe_c.size
    }
    assert found["pandas"] == found["polars"] == found["duckdb"]
