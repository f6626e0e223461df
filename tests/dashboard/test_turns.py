from __future__ import annotations

import threading
import time

import pytest

from dashboard.turns import Busy, Turns, asked_again

BUSY = ("Others are being answered.", 5)
PATIENCE_S = 60.0


class Line:
    """Threads that wait for a turn, one after the other; notes who had theirs, and how many had one at once."""

    def __init__(self, turns: Turns) -> None:
        self._turns, self._threads, self._lock = turns, list[threading.Thread](), threading.Lock()
        self.had, self.at_once, self.most, self.go = list[str](), 0, 0, threading.Event()
        self.go.set()

    def joined_by(self, *names: str) -> None:
        for who in names:
            before = self._waiting()
            self._threads.append(threading.Thread(target=self._wait, args=(who,), daemon=True))
            self._threads[-1].start()
            ends_s = time.monotonic() + PATIENCE_S
            while self._waiting() == before:
                assert time.monotonic() < ends_s
                time.sleep(0.001)

    def _waiting(self) -> int:
        with self._turns._changed:
            return sum(map(len, self._turns._waiting.values())) + self._turns._running

    def _wait(self, who: str) -> None:
        with self._turns.mine(who):
            with self._lock:
                self.had.append(who)
                self.at_once += 1
                self.most = max(self.most, self.at_once)
            assert self.go.wait(PATIENCE_S)
            with self._lock:
                self.at_once -= 1

    def over(self) -> list[str]:
        for thread in self._threads:
            thread.join(PATIENCE_S)
            assert not thread.is_alive()
        return self.had


def test_who_asks_much_waits_for_everybody_elses_next_question() -> None:
    turns = Turns(1, 20, *BUSY)
    line = Line(turns)
    with turns.mine("first"):
        line.joined_by("much", "much", "much", "once", "twice", "twice")
        assert line.had == []
    assert line.over() == ["much", "once", "twice", "much", "twice", "much"]


def test_so_many_have_a_turn_at_once_and_no_more() -> None:
    turns = Turns(2, 20, *BUSY)
    line = Line(turns)
    line.go.clear()
    line.joined_by(*"abcdefgh")
    assert len(line.had) <= 2
    line.go.set()
    assert sorted(line.over()) == list("abcdefgh")
    assert line.most == 2


def test_who_finds_the_line_full_or_waits_too_long_is_told_when_to_ask_again() -> None:
    full, short = Turns(1, 0, *BUSY), Turns(1, 5, *BUSY, patience_s=0.0)
    for turns in (full, short):
        with turns.mine("a"), pytest.raises(Busy), turns.mine("b"):
            pass
        with turns.mine("b"):  # and what was given up is nobody's place any more
            pass
    told = asked_again(Busy(*BUSY))
    assert (told.status_code, told.headers["Retry-After"], told.get_data(as_text=True)) == (
        503,
        "5",
        "Others are being answered.",
    )


def test_a_turn_that_broke_off_is_given_on() -> None:
    turns = Turns(1, 0, *BUSY)
    with pytest.raises(ZeroDivisionError), turns.mine("a"):
        _ = 1 / 0
    with turns.mine("b"):
        pass


def test_nobody_has_a_turn_while_they_are_stopped_and_all_have_theirs_after() -> None:
    turns = Turns(2, 20, *BUSY)
    line = Line(turns)
    with turns.stopped(PATIENCE_S):
        line.joined_by("a", "b", "c")
        assert line.had == []
    assert sorted(line.over()) == ["a", "b", "c"]


def test_to_be_stopped_waits_for_what_is_under_way() -> None:
    turns, order = Turns(1, 5, *BUSY), list[str]()
    begun, go = threading.Event(), threading.Event()

    def work() -> None:
        with turns.mine("a"):
            begun.set()
            assert go.wait(PATIENCE_S)
            order.append("done")

    def stop() -> None:
        with turns.stopped(PATIENCE_S):
            order.append("stopped")

    threads = [threading.Thread(target=t) for t in (work, stop)]
    threads[0].start()
    assert begun.wait(PATIENCE_S)
    threads[1].start()
    go.set()
    for thread in threads:
        thread.join(PATIENCE_S)
    assert order == ["done", "stopped"]
