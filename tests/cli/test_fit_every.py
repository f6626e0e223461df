"""`chillrig fit --every`: all benches of a logbook, and what came of each."""

from __future__ import annotations

import json
from pathlib import Path

from rig.importing.bench_folder import open_bench
from rig.logbook.store import open_logbook
from tests.cli.conftest import Chillrig


def test_every_bench_is_fitted_and_one_without_runs_says_why(
    chillrig: Chillrig, logbook: Path, bench: Path, tmp_path: Path
) -> None:
    own = tmp_path / "own.sqlite"
    own.write_bytes(logbook.read_bytes())
    with open_logbook(own) as opened:
        name = opened.benches()[0].name
        book = open_bench(bench)
        opened.add(type(book)(book.bench, (), ()), "new bar", "test")
    said = chillrig("fit", "--every", "--logbook", own)
    assert said.code == 0, said.err
    assert "1 of 2 benches fitted, 15 runs" in said.out
    assert "new bar: no run can be fitted" in said.out
    found = {f["bench"]: f for f in json.loads(chillrig("fit", "--every", "--logbook", own, "--json").out)}
    assert found[name]["refused"] is None
    assert found[name]["doubtful"] == 1
    assert found["new bar"]["fingerprint"] is None


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
    assert chillrig("fit", "--every", "--bench", bench).code == 2
    assert chillrig("fit", "--on", "processes", "--bench", bench).code == 2
