from __future__ import annotations

import shutil
import stat
import time
from pathlib import Path

import pytest

from rig.errors import NotFound, RigError
from rig.report.pdf import NAMES, find_chromium, pdf_of


def test_a_chromium_told_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NotFound, match="there is no Chromium"):
        find_chromium(tmp_path / "chromium")


def test_the_one_told_is_taken(tmp_path: Path) -> None:
    mine = tmp_path / "mine"
    mine.touch()
    assert find_chromium(mine) == mine


def test_where_none_is_found_it_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda name: None)
    with pytest.raises(RigError, match="open the page in any browser and print it"):
        find_chromium()


@pytest.mark.parametrize("said", ["no display", ""])
def test_a_chromium_that_prints_nothing_is_told_with_what_it_said(tmp_path: Path, said: str) -> None:
    fake = tmp_path / "chromium"
    fake.write_text(f"#!/bin/sh\necho '{said}' >&2\nexit 1\n", encoding="utf-8")
    fake.chmod(fake.stat().st_mode | stat.S_IXUSR)
    with pytest.raises(RigError, match=said or "it said nothing"):
        pdf_of("<p>x</p>", fake)


def test_what_a_chromium_started_ends_with_it(tmp_path: Path) -> None:
    fake, pid = tmp_path / "chromium", tmp_path / "pid"
    fake.write_text(f"#!/bin/sh\nsleep 1000 &\necho $! > {pid}\nexit 1\n", encoding="utf-8")
    fake.chmod(fake.stat().st_mode | stat.S_IXUSR)
    with pytest.raises(RigError, match="did not print"):
        pdf_of("<p>x</p>", fake)
    left, ends_s = Path(f"/proc/{pid.read_text().strip()}/stat"), time.monotonic() + 60.0
    while left.exists() and left.read_text().rpartition(")")[2].split()[0] != "Z":
        assert time.monotonic() < ends_s


@pytest.mark.slow
def test_a_page_is_printed() -> None:
    if not any(shutil.which(name) for name in NAMES):
        pytest.skip("no Chromium here")
    assert pdf_of("<!DOCTYPE html><title>x</title><p>one page", find_chromium()).startswith(b"%PDF-")
