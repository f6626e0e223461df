"""The last answers of a function, kept: who asks for one that is being worked out waits for it."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from functools import wraps
from threading import Lock
from typing import ParamSpec, TypeVar

Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")


def memoised(most: int) -> Callable[[Callable[Asked, Answer]], Callable[Asked, Answer]]:
    """Keep a function's last answers, so many of them; arguments by position and hashable.

    Unlike `functools.lru_cache`, threads that ask the same at once have it worked out once. What failed is asked
    again.
    """

    def decorate(make: Callable[Asked, Answer]) -> Callable[Asked, Answer]:
        answers: OrderedDict[Hashable, Future[Answer]] = OrderedDict()
        lock = Lock()

        @wraps(make)
        def answered(*asked: Asked.args, **named: Asked.kwargs) -> Answer:
            with lock:
                answer = answers.get(asked)
                mine = answer is None
                if answer is None:
                    answer = answers[asked] = Future()
                answers.move_to_end(asked)
                while len(answers) > most:
                    answers.popitem(last=False)
            if mine:
                try:
                    answer.set_result(make(*asked, **named))
                except BaseException as error:
                    with lock:
                        answers.pop(asked, None)
                    answer.set_exception(error)
            return answer.result()

        return answered

    return decorate
