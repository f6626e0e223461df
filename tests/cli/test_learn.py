"""`chillrig learn`: what all benches of a logbook know becomes where each begins, and calls say so."""

from __future__ import annotations

import json
from pathlib import Path

from rig.importing.bench_folder import open_bench
from rig.logbook.store import open_logbook
from tests.cli.conftest import Chillrig
from tests.cli.test_advise_without_runs import ASK


def test_benches_learn_from_one_another_and_a_new_one_says_from_whom(
    chillrig: Chillrig, logbook: Path, bench: Path, tmp_path: Path
) -> None:
    own = tmp_path / "own.sqlite"
    own.write_bytes(logbook.read_bytes())
    with open_logbook(own) as opened:
        name = opened.benches()[0].name
        book = open_bench(bench)
        opened.add(type(book)(book.bench, (), ()), "new bar", "test")
    asked = ("advise", "--logbook", own, "--bench-name", "new bar", *ASK, "--json")
    before = json.loads(chillrig(*asked).out)
    said = chillrig("learn", "--rounds", "1", "--logbook", own)
    assert said.code == 0, said.err
    assert "A new bench now starts from 1 bar, 15 runs." in said.out
    assert "new bar: no run can be fitted" in said.out
    with open_logbook(own) as opened:
        assert opened.book(name).population is None  # alone it has nobody to learn from
        learned = opened.book("new bar").population
    assert learned is not None
    after = json.loads(chillrig(*asked).out)
    assert before["basis"]["others"] is None
    assert after["basis"]["others"] == "from 1 bar, 15 runs"
    assert after["odds"] != before["odds"]
    words = " ".join(chillrig(*asked[:-1]).out.split())
    assert "on what others know of such vessels and ice, from 1 bar, 15 runs" in words
    again = json.loads(chillrig("learn", "--forget", "--logbook", own, "--json").out)
    assert again["new_bench"] is None
    assert json.loads(chillrig(*asked).out) == before


def test_a_password_travels_to_no_worker(chillrig: Chillrig) -> None:
    said = chillrig("learn", "--on", "tcp://127.0.0.1:9", "--logbook", "postgresql://a:word@h/bars")
    assert said.code == 1
    assert "password file" in said.err
    assert "word@" not in said.err
