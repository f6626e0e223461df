"""`chillrig export --as ...`: each format comes back with `chillrig import`, and nothing has changed."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from rig.logbook.store import open_logbook
from tests.cli.conftest import Chillrig

FORMATS = ["bench", "csvw", "json", "xlsx", "parquet"]


@pytest.mark.parametrize("kind", FORMATS)
def test_what_is_exported_and_imported_again_is_the_same(
    chillrig: Chillrig, logbook: Path, tmp_path: Path, kind: str
) -> None:
    out = tmp_path / f"copy.{kind}"
    assert chillrig("export", "--logbook", logbook, "--as", kind, "--to", out).code == 0
    shown = chillrig("import", out, "--dry-run", "--json")
    assert json.loads(shown.out)["folders"][0]["runs"] == 15
    said = chillrig("import", out, "--as", "copy", "--logbook", tmp_path / "other.sqlite", "--json")
    assert said.code == 0 and json.loads(said.out)["imports"][0]["new"] == 15
    with open_logbook(logbook) as first, open_logbook(tmp_path / "other.sqlite") as second:
        assert second.book("copy").runs == first.book("corner").runs
        assert second.bench("copy") == first.bench("corner")


def test_a_run_sheet_to_a_file_stands_beside_its_metadata(
    chillrig: Chillrig, logbook: Path, tmp_path: Path
) -> None:
    assert chillrig("export", "--logbook", logbook, "--as", "csv", "--to", tmp_path / "runs.csv").code == 0
    said = json.loads((tmp_path / "runs.csv-metadata.json").read_text(encoding="utf-8"))
    assert said["url"] == "runs.csv"


@pytest.mark.parametrize("kind", ["csvw", "xlsx", "parquet"])
def test_a_format_that_cannot_be_printed_asks_where_it_goes(
    chillrig: Chillrig, logbook: Path, kind: str
) -> None:
    said = chillrig("export", "--logbook", logbook, "--as", kind)
    assert said.code == 2 and "--to" in said.err


@pytest.mark.parametrize("kind", ["xlsx", "parquet", "json"])
def test_a_file_that_is_there_is_not_replaced_unasked(
    chillrig: Chillrig, logbook: Path, tmp_path: Path, kind: str
) -> None:
    out = tmp_path / f"x.{kind}"
    out.write_text("mine")
    assert chillrig("export", "--logbook", logbook, "--as", kind, "--to", out).code == 1
    assert out.read_text() == "mine"


def test_without_pyarrow_parquet_says_what_to_install(
    chillrig: Chillrig, logbook: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    said = chillrig("export", "--logbook", logbook, "--as", "parquet", "--to", tmp_path / "x.parquet")
    assert said.code == 1 and "chillrig[parquet]" in said.err and not (tmp_path / "x.parquet").exists()


def test_open_data_of_a_folder_and_of_the_logbook_it_came_into_hold_the_same_runs(
    chillrig: Chillrig, bench: Path, logbook: Path, tmp_path: Path
) -> None:
    for name, source in (("a", ("--bench", bench)), ("b", ("--logbook", logbook, "--bench-name", "corner"))):
        told = chillrig("export", *source, "--as", "parquet", "--to", tmp_path / name, "--json")
        assert told.code == 0 and json.loads(told.out)["runs"] == 15
    first, second = (pd.read_parquet(tmp_path / name / "runs.parquet") for name in ("a", "b"))
    pd.testing.assert_frame_equal(first, second)


def test_open_data_without_names_says_so_and_names_nobody(
    chillrig: Chillrig, logbook: Path, tmp_path: Path
) -> None:
    out = tmp_path / "for-all"
    said = chillrig("export", "--logbook", logbook, "--as", "parquet", "--without-names", "--to", out)
    assert said.code == 0 and "without names" in said.out
    assert set(pd.read_parquet(out / "runs.parquet")["operator"].dropna()) <= {"hand 1", "hand 2", "hand 3"}
    refused = chillrig("import", out, "--logbook", logbook)
    assert refused.code == 1 and "--as NAME" in refused.err
    assert chillrig("export", "--logbook", logbook, "--as", "csv", "--without-names").code == 2


def test_half_of_open_data_is_refused_in_one_line(chillrig: Chillrig, logbook: Path, tmp_path: Path) -> None:
    out = tmp_path / "open-data"
    assert chillrig("export", "--logbook", logbook, "--as", "parquet", "--to", out).code == 0
    (out / "traces.parquet").unlink()
    said = chillrig("import", out, "--logbook", tmp_path / "new.sqlite")
    assert said.code == 1 and "traces.parquet" in said.err and not (tmp_path / "new.sqlite").exists()
