"""What all drills share: how large they are, what each of them found, and waiting."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

PATIENCE_S = 120.0


@dataclass(frozen=True)
class Size:
    """How often each thing is done at most; `programs`: kills of each program beside the recorder.

    `seconds`: how long each drill may go on with the next round; 0 for as long as it takes.
    """

    rounds: int = 300
    programs: int = 40
    hostile: int = 600
    half_open: int = 1000
    guests: int = 20
    asked: int = 60
    seconds: int = 0


SHORT = Size(rounds=5, programs=3, hostile=40, half_open=100, guests=4, asked=5)


@dataclass(frozen=True)
class Row:
    """One drill: what was done, how often, what was found, and whether that is as promised."""

    what: str
    times: int
    found: str
    passed: bool


Drill = Callable[[int, Size, Path], list[Row]]


def within(times: int, size: Size) -> Iterator[int]:
    """Rounds, so many of them or as many as there is time for."""
    ends_s = time.monotonic() + (size.seconds or float("inf"))
    for n in range(times):
        if n and time.monotonic() > ends_s:
            return
        yield n


def turned(content: bytes, rng: random.Random) -> bytes:
    """The content with one bit turned."""
    out = bytearray(content)
    out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def until(condition: Callable[[], object]) -> None:
    """Return as soon as a condition is true; fail where it never is."""
    ends_s = time.monotonic() + PATIENCE_S
    while not condition():
        if time.monotonic() > ends_s:
            raise TimeoutError(f"never, in process {os.getpid()}")
        time.sleep(0.005)


def outcomes(read: int, refused: int, otherwise: list[str]) -> str:
    """What became of things that were damaged, in words; `otherwise` must be empty."""
    what = f" {sorted(set(otherwise))[:5]}" if otherwise else ""
    return f"{read} read, {refused} refused in words, {len(otherwise)} otherwise{what}"
