"""`chillrig fit --check`, and the calls that `advise` leaves in the logbook for it."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from rig.logbook import store
from rig.logbook.calls import calls_made
from rig.logbook.store import Logbook, open_logbook
from rig.runs import RunBook
from tests.cli.conftest import Chillrig

ASK = (
    "advise", "--technique", "shake", "--vessel", "steel tin", "--ice", "freezer cube", "--recipe", "night shift",
    "--drink-temp-c", "22", "--target", "coupe",
)  # fmt: skip


@pytest.fixture
def own(logbook: Path, tmp_path: Path) -> Path:
    """A copy of the logbook, its fit in it, to be written to."""
    with open_logbook(logbook) as opened, opened._engine.connect() as connection:
        connection.exec_driver_sql("pragma wal_checkpoint(truncate)")
    return Path(shutil.copy(logbook, tmp_path / "own.sqlite"))


def kept(file: Path) -> list[tuple[float, float]]:
    with open_logbook(file) as opened:
        return [(k.call.duration_s, k.call.odds) for k in calls_made(opened, opened.benches()[0].name)]


def test_the_check_says_band_odds_and_each_set_up(chillrig: Chillrig, logbook: Path) -> None:
    said = chillrig("fit", "--check", "--logbook", logbook)
    assert (said.code, said.err) == (0, "")
    text = " ".join(said.out.split())
    assert re.search(r"Of 15 runs, \d+ lie in the 90 % band; calls of .* landed \d+ of \d+ times\.", text)
    for words in (
        "freezer cube",
        "stir · mixing glass",
        "Brier score",
        "Landed is by measurement",
    ):
        assert words in text
    assert not re.search(r"[-−]0\.0\b", said.out)
    assert max(map(len, said.out.splitlines())) <= 100


def test_the_checks_keys_are_stable(chillrig: Chillrig, logbook: Path) -> None:
    said = chillrig("fit", "--check", "--logbook", logbook, "--json")
    found = json.loads(said.out)
    assert set(found) == {"bench", "fingerprint", "sentence", "landed_by", "check"}
    assert set(found["check"]) == {
        "runs", "band", "coverage", "set_ups", "leanings", "odds", "calls",
    }  # fmt: skip
    assert found["check"]["runs"] == 15
    assert set(found["check"]["calls"]) == {"kept", "score", "followed"}


def test_the_check_keeps_to_the_set_ups_asked_for(chillrig: Chillrig, logbook: Path) -> None:
    found = json.loads(
        chillrig("fit", "--check", "--logbook", logbook, "--ice", "freezer cube", "--json").out
    )
    assert found["check"]["runs"] == 5
    assert {s["ice"] for s in found["check"]["set_ups"]} == {"freezer cube"}


def test_a_folder_is_checked_too(chillrig: Chillrig, bench: Path) -> None:
    said = chillrig("fit", "--check", "--bench", bench)
    assert said.code == 0
    assert "kept in the logbook" not in said.out


def test_a_call_of_advise_is_kept_once_a_question(chillrig: Chillrig, own: Path) -> None:
    printed = json.loads(chillrig(*ASK, "--logbook", own, "--json").out)
    chillrig(*ASK, "--logbook", own)
    ((duration_s, odds),) = kept(own)
    assert duration_s == pytest.approx(printed["duration_s"], abs=0.01)
    assert odds == pytest.approx(printed["odds"], abs=1e-3)
    chillrig(*ASK, "--logbook", own, "--ice-mass-g", "180")
    assert len(kept(own)) == 2


def test_a_call_on_a_folder_is_kept_nowhere(chillrig: Chillrig, bench: Path) -> None:
    before = sorted(p.name for p in bench.rglob("*"))
    assert chillrig(*ASK, "--bench", bench).code == 0
    assert sorted(p.name for p in bench.rglob("*")) == before


def test_a_logbook_that_cannot_be_written_costs_no_answer(
    chillrig: Chillrig, own: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    open_it: Callable[[Any], Logbook] = store.open_logbook

    def read_only(at: Any) -> Logbook:
        opened = open_it(at)
        sa.event.listen(opened._engine, "checkout", lambda c, *_: c.execute("pragma query_only=on"))
        return opened

    monkeypatch.setattr(store, "open_logbook", read_only)
    said = chillrig(*ASK, "--logbook", own)
    assert (said.code, said.err) == (0, "")
    assert "lands" in said.out
    monkeypatch.undo()
    assert kept(own) == []


def test_the_run_that_follows_a_call_scores_it(chillrig: Chillrig, own: Path) -> None:
    chillrig(*ASK, "--logbook", own)
    ((called_s, odds),) = kept(own)
    with open_logbook(own) as opened:
        name = opened.benches()[0].name
        book = opened.book(name)
        like = next(r for r in book.runs if r.run == "a3")
        run = replace(like, run="followed", duration_s=called_s, target="coupe", drink_temp_c=22.0)
        opened.add(RunBook(book.bench, (run,)), name, "later")
    said = chillrig("fit", "--check", "--logbook", own)
    assert "1 call is kept in the logbook, followed by 1 run" in " ".join(said.out.split())
    found = json.loads(chillrig("fit", "--check", "--logbook", own, "--json").out)["check"]["calls"]
    ((followed,),) = (found["followed"],)
    assert (followed["run"], followed["asked_from"]) == ("followed", "advise")
    assert followed["odds_said"] == pytest.approx(odds, abs=1e-3)
    assert followed["landed"] in (True, False)
    assert found["score"]["runs"] == 1
