"""`--every`: all benches of a logbook fitted, checked and reported, and what came of each."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.importing.bench_folder import open_bench
from rig.logbook.store import open_logbook
from tests.cli.conftest import Chillrig

NEW = "new/bar"


@pytest.fixture
def own(logbook: Path, bench: Path, tmp_path: Path) -> Path:
    """A logbook of a bench with runs, and of one without."""
    own = tmp_path / "own.sqlite"
    own.write_bytes(logbook.read_bytes())
    with open_logbook(own) as opened:
        book = open_bench(bench)
        opened.add(type(book)(book.bench, (), ()), NEW, "test")
    return own


def test_every_bench_is_fitted_and_one_without_runs_says_why(chillrig: Chillrig, own: Path) -> None:
    said = chillrig("fit", "--every", "--logbook", own)
    assert said.code == 0, said.err
    assert "1 of 2 benches fitted, 15 runs" in said.out
    assert f"{NEW}: no run can be fitted" in said.out
    found = {f["bench"]: f for f in json.loads(chillrig("fit", "--every", "--logbook", own, "--json").out)}
    (name,) = found.keys() - {NEW}
    assert found[name]["refused"] is None
    assert found[name]["doubtful"] == 1
    assert found[NEW]["fingerprint"] is None


def test_every_bench_is_checked_as_it_is_alone(chillrig: Chillrig, own: Path) -> None:
    said = chillrig("fit", "--every", "--check", "--logbook", own)
    assert said.code == 0, said.err
    assert "1 of 2 benches held against their own runs" in said.out
    assert f"{NEW}: no run can be fitted" in said.out
    found = {
        f.pop("bench_name"): f
        for f in json.loads(chillrig("fit", "--every", "--check", "--logbook", own, "--json").out)
    }
    assert found.pop(NEW)["refused"].startswith("no run can be fitted")
    ((name, whole),) = found.items()
    alone = json.loads(chillrig("fit", "--check", "--logbook", own, "--bench-name", name, "--json").out)
    assert whole == {"refused": None, **alone}


def test_every_bench_has_its_report_in_a_folder(chillrig: Chillrig, own: Path, tmp_path: Path) -> None:
    to = tmp_path / "pages"
    said = chillrig("report", "--every", "--logbook", own, "--to", to)
    assert said.code == 0, said.err
    assert "The reports of 1 of 2 benches are in" in said.out
    (page,) = to.iterdir()
    assert "15 runs" in page.read_text(encoding="utf-8")
    again = chillrig("report", "--every", "--logbook", own, "--to", to)
    assert again.code == 1
    assert "--overwrite" in again.err
    found = json.loads(
        chillrig("report", "--every", "--logbook", own, "--to", to, "--overwrite", "--json").out
    )
    assert {f["bench"]: f["path"] for f in found} == {page.stem: str(page), NEW: None}


def test_what_cannot_be_worked_on_is_refused_in_a_line(
    chillrig: Chillrig, logbook: Path, bench: Path
) -> None:
    nowhere = chillrig("fit", "--every", "--on", "the cellar", "--logbook", logbook)
    assert nowhere.code == 1
    assert "--on processes" in nowhere.err
    secret = chillrig(
        "fit", "--every", "--on", "tcp://127.0.0.1:9", "--logbook", "postgresql://a:word@h/bars"
    )
    assert secret.code == 1
    assert "password file" in secret.err
    assert "word@" not in secret.err
    for command in ("fit", "report"):
        assert chillrig(command, "--every", "--bench", bench).code == 2
        assert chillrig(command, "--on", "processes", "--bench", bench).code == 2
