"""One bad entry of bench.toml costs that entry and the runs that use it, never the rest."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.bench import parse_bench
from rig.bench_toml import bench_toml
from rig.importing.bench_folder import open_bench
from rig.runs import Gravity

BENCH = """\
title = "bar"
[vessels.tin]
mass_g = 235
[ice.cube]
shape = "cube"
[ice.bad]
shape = "cube"
edge_mm = -3
[recipes.black]
ingredients = [{ name = "coffee", volume_ml = 50 }]
[recipes.odd]
ingredients = [
  { name = "coffee", volume_ml = 50 },
  { name = "syrup", volume_ml = 5, brix = 130 },
]
[targets.coupe]
serve_temp_c_max = -2.0
"""


@pytest.mark.parametrize(
    ("old", "new", "entry", "line", "what"),
    [
        ("mass_g = 235", 'mass_g = "heavy"', ("vessels", "tin"), 3, "must be a number"),
        ('shape = "cube"', 'shape = "egg"', ("ice", "cube"), 5, "is not one of"),
        ("volume_ml = 50 }]", "volume_ml = 50, mass_g = 50 }]", ("recipes", "black"), 10, "one of the two"),
        ("ingredients = [{", "ingredient = [{", ("recipes", "black"), 9, "lists no ingredients"),
        ("serve_temp_c_max = -2.0", "abv_pct = [30, 20]", ("targets", "coupe"), 16, "low < high"),
        (
            "[targets.coupe]\nserve_temp_c_max = -2.0",
            "[targets]\ncoupe = 3",
            ("targets", "coupe"),
            17,
            "one table",
        ),
    ],
)
def test_a_bad_entry_is_named_with_its_line_and_the_others_stay(
    old: str, new: str, entry: tuple[str, str], line: int, what: str
) -> None:
    bench, notes = parse_bench(BENCH.replace(old, new, 1))
    found = {n.left_out: n for n in notes if n.left_out is not None}
    assert set(found) == {entry, ("ice", "bad"), ("recipes", "odd")}
    assert found[entry].place.line == line and what in found[entry].text
    held = {(s, n) for s in ("vessels", "ice", "recipes", "targets") for n in getattr(bench, s)}
    assert held == {("vessels", "tin"), ("ice", "cube"), ("recipes", "black"), ("targets", "coupe")} - {entry}


def test_runs_that_use_a_bad_entry_are_left_out_and_told_where_it_stands(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(BENCH)
    rows = [
        "a,shake,tin,cube,black",
        "b,shake,tin,bad,black",
        "c,shake,tin,cube,odd",
        "d,stir,tin,cube,black",
    ]
    (tmp_path / "run_sheet.csv").write_text("\n".join(["run,technique,vessel,ice,recipe", *rows, ""]))
    book = open_bench(tmp_path)
    assert [r.run for r in book.runs] == ["a", "d"]
    left = [f for f in book.findings if f.gravity is Gravity.LEFT_OUT]
    assert [(f.place.file, f.place.line) for f in left] == [
        ("bench.toml", 8), ("bench.toml", 14), ("run_sheet.csv", 3), ("run_sheet.csv", 4),
    ]  # fmt: skip
    assert "ice 'bad' cannot be used (bench.toml, line 8)" in left[2].what and left[2].place.run == "b"


def test_a_bad_entry_is_kept_word_for_word_when_the_bench_is_written() -> None:
    bench, _ = parse_bench(BENCH)
    again, _ = parse_bench(bench_toml(bench))
    assert again == bench
    assert again.notes["ice.bad"] == {"shape": "cube", "edge_mm": -3}
