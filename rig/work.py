"""Work on many things at once, on whatever runs a Python call: here, processes of this computer, or a Dask cluster.

One way for all: `each_done` hands independent tasks to a `concurrent.futures` executor and yields what each comes to as
soon as it is there. Only the task and its result travel; whoever works opens the logbook by its address.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Hashable, Iterator, Sequence
from concurrent.futures import (
    BrokenExecutor,
    CancelledError,
    Executor,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    as_completed,
)
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from typing import TypeVar

from rig.errors import RigError
from rig.threads import keep_to_one_thread

HERE, PROCESSES = "here", "processes"
MOST_IN_VAIN = 3
"""So often in a row workers may die before any brings a result; one of the tasks then kills whoever works on it."""

T = TypeVar("T", bound=Hashable)
R = TypeVar("R")


@dataclass(frozen=True)
class Workers:
    """An executor, and the errors by which it says that a worker has died over a task."""

    executor: Executor
    died: tuple[type[BaseException], ...] = (BrokenExecutor, CancelledError)


Opening = Callable[[], AbstractContextManager[Workers]]
"""Opens workers; opened again where they have died."""


def workers_on(told: str) -> Opening:
    """Where to work: `here`, `processes`, or the address of a Dask scheduler, `tcp://host:port` or `tls://host:port`.

    Raises
    ------
    RigError
        For anything else; when opened, where no scheduler answers or `distributed` is not installed.
    """
    if told == HERE:
        return lambda: _closing(Workers(ThreadPoolExecutor(1)))
    if told == PROCESSES:
        return lambda: _closing(Workers(_processes()))
    if is_cluster(told):
        return lambda: _cluster(told)
    raise RigError(
        f"nothing works on {told!r}. Say --on {PROCESSES} for this computer, or the address of a Dask "
        "scheduler: --on tcp://scheduler:8786"
    )


def is_cluster(told: str) -> bool:
    """Whether work leaves this computer's own processes."""
    return told.startswith(("tcp://", "tls://"))


def each_done(
    opening: Opening,
    work: Callable[[T], R],
    tasks: Sequence[T],
    progress: Callable[[float], None] = lambda share: None,
) -> Iterator[tuple[T, R]]:
    """Every task with its result, in the order in which they are done.

    A task whose worker died is given to another. Where one fails, or whoever listens stops listening, those not begun
    are taken back, those begun are waited for, and the workers are closed.

    Parameters
    ----------
    work
        A function of a module, so that another process finds it; given one task.
    tasks
        Small values that differ from one another.
    progress
        Called with the share done, 0…1.

    Raises
    ------
    RigError
        What the work itself says, or that workers die over and over.
    """
    left, in_vain = list(dict.fromkeys(tasks)), 0
    whole = len(left)
    while left:
        before = len(left)
        with opening() as workers:
            futures = {workers.executor.submit(_told_plainly, work, task): task for task in left}
            try:
                for future in as_completed(futures):
                    try:
                        result = future.result()
                    except workers.died:
                        continue
                    task = futures[future]
                    left.remove(task)
                    progress(1.0 - len(left) / whole)
                    yield task, result
            finally:
                for future in reversed(futures):  # workers take from the front
                    future.cancel()
        in_vain = in_vain + 1 if len(left) == before else 0
        if in_vain == MOST_IN_VAIN:
            raise RigError(
                f"workers died {MOST_IN_VAIN} times in a row and {len(left)} of {whole} tasks are not done. What is "
                "done is kept; see whether memory runs out, then ask for the rest again"
            )


def _told_plainly(work: Callable[[T], R], task: T) -> R:
    """The work; what it refuses travels as words alone, since not every error can be put together elsewhere."""
    try:
        return work(task)
    except RigError as error:
        raise RigError(str(error)) from None


@contextmanager
def _closing(workers: Workers) -> Iterator[Workers]:
    try:
        yield workers
    finally:
        workers.executor.shutdown(cancel_futures=True)


def _processes() -> Executor:
    """As many processes as this one may use processors; spawned, since whoever asks may have threads."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return ProcessPoolExecutor(usable, mp_context=get_context("spawn"), initializer=_begin)


def _begin() -> None:
    """Of a worker: an interrupt from the keyboard is for whoever asked, who then takes back what has not begun."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    keep_to_one_thread()


_ANSWER_S = 10


@contextmanager
def _cluster(address: str) -> Iterator[Workers]:
    try:
        from distributed import Client, KilledWorker
    except ImportError as error:
        raise RigError("a Dask cluster needs one more library: pip install 'chillrig[cluster]'") from error
    try:
        client = Client(address, timeout=_ANSWER_S)
    except (OSError, ValueError) as error:
        raise RigError(
            f"no Dask scheduler answers at {address}. Check the address, and that it runs: dask scheduler"
        ) from error
    with client:
        yield Workers(client.get_executor(pure=False), (BrokenExecutor, CancelledError, KilledWorker))
