"""Answers that are kept: worked out once, whoever asks and however many ask at once."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from dashboard.memoise import memoised


def test_what_is_asked_at_once_is_worked_out_once() -> None:
    made: list[int] = []
    begun, go_on = threading.Event(), threading.Event()

    @memoised(4)
    def square(n: int) -> int:
        made.append(n)
        begun.set()
        go_on.wait(20)
        return n * n

    with ThreadPoolExecutor(3) as threads:
        first = threads.submit(square, 7)
        assert begun.wait(20)
        others = [threads.submit(square, 7) for _ in range(2)]
        go_on.set()
        assert [f.result(20) for f in (first, *others)] == [49, 49, 49]
    assert made == [7]


def test_the_last_answers_are_kept_and_older_ones_are_not() -> None:
    made: list[int] = []

    @memoised(2)
    def square(n: int) -> int:
        made.append(n)
        return n * n

    assert [square(n) for n in (1, 2, 1, 3, 1, 2)] == [1, 4, 1, 9, 1, 4]
    assert made == [1, 2, 3, 2]


def test_what_failed_is_asked_again() -> None:
    left = [ValueError("not yet")]

    @memoised(2)
    def ready() -> str:
        if left:
            raise left.pop()
        return "ready"

    with pytest.raises(ValueError, match="not yet"):
        ready()
    assert ready() == "ready"
