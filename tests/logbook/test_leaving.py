"""A logbook's file is left for a while: whoever has it open ends first, whoever comes waits."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event

import pytest

from rig.errors import LogbookError
from rig.logbook.copies import back_up
from rig.logbook.holding import held_alone
from rig.logbook.restoring import restore
from rig.logbook.store import Logbook, open_logbook
from tests.dashboard.live_drinks import small_logbook

PATIENCE_S = 60.0
NOW = datetime(2031, 4, 6, tzinfo=UTC)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return small_logbook(tmp_path)


@pytest.fixture
def logbook(file: Path) -> Iterator[Logbook]:
    with open_logbook(file) as opened:
        yield opened


def test_a_question_waits_while_the_file_is_left_and_is_answered_after(logbook: Logbook, file: Path) -> None:
    logbook.benches()  # there is a connection in the pool
    with ThreadPoolExecutor() as others:
        with logbook.left():
            asked = others.submit(logbook.benches)
            with held_alone(file):
                assert not asked.done()
        assert [b.name for b in asked.result(PATIENCE_S)] == ["corner"]


def test_whoever_reads_ends_first_and_may_ask_once_more_meanwhile(logbook: Logbook, file: Path) -> None:
    reads, go_on = Event(), Event()

    def long_look() -> int:
        with logbook._snapshot():
            reads.set()
            assert go_on.wait(PATIENCE_S)
            return len(logbook.benches())

    with ThreadPoolExecutor() as others:
        looked = others.submit(long_look)
        assert reads.wait(PATIENCE_S)
        with pytest.raises(LogbookError, match="in use"), held_alone(file):
            pass
        others.submit(go_on.set)
        with logbook.left():
            assert looked.result(PATIENCE_S) == 1
            with held_alone(file):
                pass


def test_a_copy_takes_its_place_at_the_first_try_while_threads_ask_without_pause(
    logbook: Logbook, file: Path
) -> None:
    copy = back_up(file, NOW)
    over = Event()

    def ask() -> int:
        count = 0
        while not over.is_set():
            count += len(logbook.list_runs("corner"))
        return count

    with ThreadPoolExecutor(4) as others:
        asking = [others.submit(ask) for _ in range(4)]
        try:
            for n in range(10):
                with logbook.left():
                    restore(file, copy, NOW + timedelta(seconds=n))
        finally:
            over.set()
        assert all(a.result(PATIENCE_S) for a in asking)


def test_a_holder_whose_asker_was_killed_ends_without_a_word(file: Path) -> None:
    nobody, told = os.pipe()
    os.close(nobody)
    holder = subprocess.run(
        [sys.executable, "-m", "rig.logbook.holding", str(file)],
        stdin=subprocess.PIPE,
        stdout=told,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    os.close(told)
    assert (holder.returncode, holder.stderr) == (0, "")
