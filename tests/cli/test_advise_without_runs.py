"""A bench on which nothing was made yet still gets the best answer there is, with wide bands, and is told so."""

from __future__ import annotations

import json
from pathlib import Path
from shutil import copy

import pytest

from tests.cli.conftest import Chillrig

ASK = (
    "--technique", "shake", "--vessel", "steel tin", "--ice", "freezer cube", "--recipe", "night shift",
    "--target", "coupe",
)  # fmt: skip


@pytest.fixture
def bare(bench: Path, tmp_path: Path) -> Path:
    copy(bench / "bench.toml", tmp_path)
    header = (bench / "run_sheet.csv").read_text().splitlines()[0]
    (tmp_path / "run_sheet.csv").write_text(header + "\n")
    return tmp_path


def test_it_rests_on_the_priors_alone(chillrig: Chillrig, bare: Path, bench: Path) -> None:
    called = [json.loads(chillrig("advise", "--bench", b, *ASK, "--json").out) for b in (bare, bench)]
    assert called[0]["basis"]["kind"] == "prior only"
    assert called[0]["basis"]["runs"] == 0
    wide, narrow = (c["at_call"]["temp_c"]["p95"] - c["at_call"]["temp_c"]["p05"] for c in called)
    assert wide > narrow


def test_it_says_so_in_words(chillrig: Chillrig, bare: Path) -> None:
    said = chillrig("advise", "--bench", bare, *ASK)
    assert said.code == 0
    assert "Rests on no run at all" in said.out
    assert "\n. Target" not in said.out
