"""A folder that came in is written out again byte for byte, but for what was changed; and reads back the same."""

from __future__ import annotations

import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rig.bench_text import tables_of
from rig.errors import BenchError, RigError
from rig.importing.bench_folder import open_bench
from rig.importing.write_bench import bench_files, write_bench
from rig.logbook.editing import bench_text, describe, kept_files, remove, rename, undo_step
from rig.logbook.sheet import SheetEdits, save_sheet
from rig.logbook.store import Logbook, open_logbook
from rig.runs import Run, RunBook

ROOT = Path(__file__).parents[2]
SAMPLES = sorted(p.parent for p in (ROOT / "sample_logs").rglob("bench.toml"))


def lying(folder: Path) -> dict[str, bytes]:
    """The files of a bench folder by their names in it."""
    every = [folder / "bench.toml", folder / "run_sheet.csv", *(folder / "traces").glob("*.csv")]
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in every}


def out_of(logbook: Logbook, name: str, to: Path) -> Path:
    book = replace(logbook.book(name), files=kept_files(logbook, name))
    return write_bench(book, to, text=bench_text(logbook, name))


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda p: p.name)
def test_every_sample_bench_comes_out_as_it_went_in(sample: Path, tmp_path: Path) -> None:
    book = open_bench(sample)
    assert {n: zlib.decompress(c) for n, c in book.files.items()} == lying(sample)
    with open_logbook(tmp_path / "log.sqlite") as logbook:
        logbook.add(book, "bar", "folder")
        home = out_of(logbook, "bar", tmp_path / "out")
        assert lying(home) == lying(sample)
        assert (open_bench(home).bench, open_bench(home).runs) == (book.bench, logbook.book("bar").runs)
        assert out_of(logbook, "bar", tmp_path / "again") and lying(tmp_path / "again") == lying(home)


SHEET = (
    "\ufeffrun;technique;vessel;ice;recipe;ice_mass_g;strained_mass_g;trace;weather\r\n"
    "\r\n"
    'a;shake;tin;cube;black;200,50;120,0;a;"fair; cold"\r\n'
    "b;shake;pot;cube;black;200;120;;\r\n"
    "c;shake;tin;cube;black;9999999;+1.20e2;;rain\r\n"
    "d;shake;tin;cube;black;;;sub/d.csv;"
)
BENCH = (
    '# ours\ntitle = "Bar"   # in short\n\n[vessels.tin]\nmass_g = 2_35 # weighed\ncolour = "red"\n\n[ice.cube]\n'
    '[recipes."black"]\ningredients = [\n  { name = "coffee", volume_ml = 5e1 }, # strong\n]\n'
)
TRACE = "time_s, probe_c\r\n0,20.00\r\n5,1e1\r\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    home = tmp_path / "odd"
    (home / "traces" / "sub").mkdir(parents=True)
    (home / "bench.toml").write_bytes(BENCH.encode())
    (home / "run_sheet.csv").write_bytes(SHEET.encode())
    (home / "traces" / "a.csv").write_bytes(TRACE.encode())
    (home / "traces" / "sub" / "d.csv").write_bytes(TRACE.replace("20.00", "21").encode())
    (home / "traces" / "nobody's.csv").write_bytes(b"time_s,probe_c\n0,1\n")
    return home


@pytest.fixture
def logbook(folder: Path, tmp_path: Path) -> Any:
    with open_logbook(tmp_path / "log.sqlite") as opened:
        opened.add(open_bench(folder), "bar", "folder")
        yield opened


def sheet(home: Path) -> list[str]:
    return (home / "run_sheet.csv").read_bytes().decode().splitlines(keepends=True)


def test_an_odd_folder_comes_out_as_it_went_in(folder: Path, logbook: Logbook, tmp_path: Path) -> None:
    home = out_of(logbook, "bar", tmp_path / "out")
    assert lying(home) == lying(folder)
    assert (home / "traces" / "sub" / "d.csv").read_bytes() == (
        folder / "traces" / "sub" / "d.csv"
    ).read_bytes()


def test_only_the_cells_that_changed_are_written_anew(folder: Path, logbook: Logbook, tmp_path: Path) -> None:
    edits = SheetEdits(
        {"a": {"strained_mass_g": "118,5"}, "c": {"ice_mass_g": "180"}},
        (
            {
                "run": "e",
                "technique": "stir",
                "vessel": "tin",
                "ice": "cube",
                "recipe": "black",
                "room_temp_c": "21",
            },
        ),
    )
    assert save_sheet(logbook, "bar", edits, "from the notebook") == ()
    logbook.delete_run("bar", "d", "a test")
    before, after = sheet(folder), sheet(out_of(logbook, "bar", tmp_path / "out"))
    assert after[0] == before[0].rstrip("\r\n") + ";room_temp_c\r\n"
    assert after[1] == before[1]
    assert after[2] == 'a;shake;tin;cube;black;200,50;118.5;a;"fair; cold";\r\n'
    assert after[3] == before[3]  # a row that could not be used stays for whoever corrects it
    assert after[4] == "c;shake;tin;cube;black;180;+1.20e2;;rain;\r\n"
    assert after[5] == "e;stir;tin;cube;black;;;;;21\r\n" and len(after) == 6
    assert not (tmp_path / "out" / "traces" / "sub" / "d.csv").exists()
    assert (tmp_path / "out" / "traces" / "nobody's.csv").exists()


def test_a_description_changed_here_is_changed_there_and_nowhere_else(
    folder: Path, logbook: Logbook, tmp_path: Path
) -> None:
    table = tables_of(bench_text(logbook, "bar"))["vessels"]["tin"]
    describe(logbook, "bar", "vessels", "tin", table | {"mass_g": 240}, "weighed again")
    describe(logbook, "bar", "targets", "coupe", {"serve_temp_c_max": -2}, "new")
    home = out_of(logbook, "bar", tmp_path / "out")
    text = (home / "bench.toml").read_text(encoding="utf-8")
    assert text == BENCH.replace("2_35", "240") + "\n[targets.coupe]\nserve_temp_c_max = -2\n"
    assert sheet(home) == sheet(folder)
    undo_step(logbook, "bar")
    undo_step(logbook, "bar")
    assert lying(out_of(logbook, "bar", tmp_path / "undone")) == lying(folder)


def test_a_name_changed_here_is_changed_in_its_rows(folder: Path, logbook: Logbook, tmp_path: Path) -> None:
    rename(logbook, "bar", "vessels", "tin", "small tin", "two now")
    home = out_of(logbook, "bar", tmp_path / "out")
    again = open_bench(home)
    assert {r.vessel for r in again.runs} == {"small tin"} and [r.run for r in again.runs] == ["a", "c", "d"]
    assert again.runs == logbook.book("bar").runs


def test_another_trace_takes_a_name_of_its_own(folder: Path, logbook: Logbook, tmp_path: Path) -> None:
    run = logbook.run("bar", "a")
    other = logbook.run("bar", "d").trace
    logbook.complete(RunBook(logbook.bench("bar"), (replace(run, trace=other),)), "bar", "another.csv")
    home = out_of(logbook, "bar", tmp_path / "out")
    assert {r.run: r.trace for r in open_bench(home).runs}["a"] == other
    assert not (home / "traces" / "a.csv").exists() or (home / "traces" / "a.csv").read_text() != TRACE


def test_kept_files_never_leave_their_folder(logbook: Logbook) -> None:
    book = replace(
        logbook.book("bar"), files={"../x.csv": zlib.compress(b""), "run_sheet.csv": zlib.compress(b"run")}
    )
    with pytest.raises(BenchError, match="outside its folder"):
        bench_files(book)


def test_a_bench_begun_here_is_a_folder_too(tmp_path: Path) -> None:
    from rig.logbook.editing import begin_bench

    with open_logbook(tmp_path / "log.sqlite") as logbook:
        begin_bench(logbook, "corner")
        for section, name, table in (
            ("vessels", "tin", {}),
            ("ice", "cube", {}),
            ("recipes", "black", {"ingredients": [{"name": "coffee", "volume_ml": 50}]}),
        ):
            describe(logbook, "corner", section, name, table, "new")
        run = Run("a", "shake", "tin", "cube", "black", duration_s=12.0)
        logbook.add(RunBook(logbook.bench("corner"), (run,)), "corner", "typed")
        home = out_of(logbook, "corner", tmp_path / "out")
        assert (home / "bench.toml").read_text(encoding="utf-8") == bench_text(logbook, "corner")
        assert open_bench(home).runs == (run,) and open_bench(home).bench == logbook.bench("corner")


numbers = st.floats(0.1, 60.0).map(lambda v: f"{v:.3g}".replace(".", ","))
words = st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), max_size=8)
cells = st.sampled_from(["a", "c", "d"]).flatmap(
    lambda run: st.dictionaries(
        st.sampled_from(["room_temp_c", "foam_ml", "notes", "session", "operator"]),
        numbers | words,
        min_size=1,
        max_size=2,
    ).map(lambda row: (run, row))
)
tables = st.fixed_dictionaries(
    {}, optional={"mass_g": st.floats(0.1, 900), "material": words, "held_back_g": st.floats(0, 50)}
)
deeds = st.lists(
    st.one_of(
        st.tuples(st.just("sheet"), cells),
        st.tuples(st.just("vessel"), st.tuples(st.sampled_from(["tin", "pot", "jar 2"]), tables)),
        st.tuples(st.just("ice"), st.tuples(st.sampled_from(["cube", "ball"]), st.floats(1, 60))),
        st.tuples(st.just("rename"), st.tuples(st.sampled_from(["tin", "pot"]), words)),
        st.tuples(st.just("remove"), st.sampled_from(["tin", "pot", "jar 2"])),
        st.tuples(st.just("undo"), st.none()),
    ),
    max_size=6,
)


@given(deeds)
@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_whatever_is_edited_reads_back_as_it_stands_and_is_undone_to_the_byte(
    tmp_path_factory: pytest.TempPathFactory, done: list[tuple[str, Any]]
) -> None:
    home = tmp_path_factory.mktemp("edited")
    first = SAMPLE.replace("pot", "tin")
    (home / "in" / "traces").mkdir(parents=True)
    (home / "in" / "bench.toml").write_bytes(BENCH.encode())
    (home / "in" / "run_sheet.csv").write_bytes(first.encode())
    (home / "in" / "traces" / "a.csv").write_bytes(TRACE.encode())
    with open_logbook(None) as logbook:
        logbook.add(open_bench(home / "in"), "bar", "folder")
        stood = 0
        for what, told in done:
            try:
                stood += _do(logbook, what, told)
            except RigError:
                continue  # what cannot be is refused, and leaves everything as it is
        written = open_bench(out_of(logbook, "bar", home / "out"))
        now = logbook.book("bar")
        assert written.bench == now.bench and written.runs == now.runs
        for _ in range(stood):
            undo_step(logbook, "bar")
        assert lying(out_of(logbook, "bar", home / "undone")) == lying(home / "in")


SAMPLE = SHEET.replace("sub/d.csv", "")


def _do(logbook: Logbook, what: str, told: Any) -> int:
    """One deed; how many more steps stand after it."""
    before = bench_text(logbook, "bar"), logbook.book("bar").runs
    if what == "undo":
        from rig.logbook.steps import last_step

        last = last_step(logbook, "bar")
        if last is None or last.began_bench:
            return 0
        undo_step(logbook, "bar")
        return -1
    if what == "sheet":
        if save_sheet(logbook, "bar", SheetEdits({told[0]: told[1]}), "typed"):
            return 0
    elif what == "vessel":
        describe(logbook, "bar", "vessels", told[0], told[1], "typed")
    elif what == "ice":
        describe(logbook, "bar", "ice", told[0], {"edge_mm": told[1]}, "typed")
    elif what == "rename":
        rename(logbook, "bar", "vessels", told[0], told[1], "typed")
    else:
        remove(logbook, "bar", "vessels", told, "typed")
    return int((bench_text(logbook, "bar"), logbook.book("bar").runs) != before)
