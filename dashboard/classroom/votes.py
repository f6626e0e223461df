"""The guesses of a class, drink by drink: who guessed what, once, and how near it was."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from threading import Lock
from typing import Any

from rig.errors import RigError
from rig.session.way import Phase

MOST_GUESSES = 200
MOST_NAME = 24
MOST_KEPT = 6
"""Drinks whose paths stay on the wall."""
NEAREST = 3
_PATH_POINTS = 60
_CLOSED = (Phase.MOVING, Phase.AFTER, Phase.DONE)
_ENDED = (Phase.AFTER, Phase.DONE)


class Asked(StrEnum):
    """What a class may be asked of a drink."""

    TEMP_C = "temp_c"
    DILUTION_PCT = "dilution_pct"
    DURATION_S = "duration_s"

    @property
    def words(self) -> str:
        """The question."""
        return _SCALES[self].words

    @property
    def scale(self) -> GuessScale:
        """From where to where one can guess, and in what steps."""
        return _SCALES[self]


@dataclass(frozen=True)
class GuessScale:
    """A question in one word and in full, and the run of a guess, `digits` after its point.

    A guess is kept, shown and judged as it was made.
    """

    short: str
    words: str
    unit: str
    low: float
    high: float
    step: float
    digits: int


_SCALES = {
    Asked.TEMP_C: GuessScale("temperature", "How cold will it be when we stop?", "°C", -10.0, 25.0, 0.1, 1),
    Asked.DILUTION_PCT: GuessScale("water", "How much water will it have taken?", "%", 0.0, 100.0, 1.0, 0),
    Asked.DURATION_S: GuessScale("seconds", "How many seconds until we stop?", "s", 1.0, 120.0, 0.5, 1),
}


@dataclass(frozen=True)
class Guess:
    """One pupil's; `name` empty where none was given."""

    name: str
    value: float


@dataclass(frozen=True)
class Finished:
    """A drink that was guessed and made.

    `path`: dilution [%] and temperature [°C] as it went on, as often as a wall can show.
    """

    drink: str
    asked: Asked
    truth: Mapping[Asked, float]
    guesses: tuple[Guess, ...]
    path: tuple[tuple[float, float], ...]

    @property
    def nearest(self) -> tuple[tuple[Guess, float], ...]:
        """The nearest guesses, nearest first, with how far off each was."""
        truth = self.truth[self.asked]
        off = sorted(((g, abs(g.value - truth)) for g in self.guesses), key=lambda found: found[1])
        return tuple(off[:NEAREST])

    def place_of(self, guess: Guess) -> int:
        """1 for the nearest; those as near share a place."""
        truth = self.truth[self.asked]
        return 1 + sum(abs(g.value - truth) < abs(guess.value - truth) - 1e-9 for g in self.guesses)


@dataclass
class Votes:
    """The round under way and those before it; threads may share it."""

    asked: Asked = Asked.TEMP_C
    shown: bool = False
    finished: list[Finished] = field(default_factory=list)
    _now: dict[str, Guess] = field(default_factory=dict)
    _ended: Finished | None = None
    _phase: Phase | None = None
    _lock: Lock = field(default_factory=Lock)

    @property
    def open(self) -> bool:
        """Whether guesses are taken: until the drink is shown or moves."""
        return not self.shown and self._phase not in _CLOSED and self._ended is None

    @property
    def guesses(self) -> tuple[Guess, ...]:
        """The guesses of this round, in the order they came."""
        return tuple(self._now.values())

    @property
    def ended(self) -> Finished | None:
        """The drink of this round once it has stopped; None before."""
        return self._ended

    def hear(self, told: Mapping[str, Any]) -> None:
        """Take note of where the drink under way stands, told as screens are (`dashboard.live.state_json`)."""
        with self._lock:
            phase = None if told["phase"] == "idle" else Phase(told["phase"])
            before, self._phase = self._phase, phase
            # another drink is begun: the last one's results have had their time
            if (
                self._ended is not None
                and before in (*_ENDED, None)
                and phase in (Phase.OPENING, Phase.WEIGHING)
            ):
                self._next()
            if phase in _ENDED and self._ended is None and (truth := truth_of(told)):
                self._ended = Finished(
                    str(told.get("drink", "")), self.asked, truth, self.guesses, path_of(told)
                )
                self.finished = [*self.finished, self._ended][-MOST_KEPT:]

    def guess(self, voter: str, name: str, value: Any) -> None:
        """Take a guess.

        Raises
        ------
        RigError
            Not open; guessed already; no number, or none that can be meant.
        """
        scale = self.asked.scale
        with self._lock:
            if not self.open:
                raise RigError("guessing is closed: the drink is on its way. The next one comes")
            if voter in self._now:
                raise RigError("you have guessed already. Look at the wall")
            if len(self._now) >= MOST_GUESSES:
                raise RigError(f"{MOST_GUESSES} have guessed, and there is room for no more")
            if (
                isinstance(value, bool)
                or not isinstance(value, int | float)
                or not scale.low <= value <= scale.high
            ):
                raise RigError(f"guess a number from {scale.low:g} to {scale.high:g} {scale.unit}")
            kept = "".join(c for c in str(name) if c.isprintable()).strip()[:MOST_NAME]
            self._now[voter] = Guess(kept, round(float(value), scale.digits))

    def of(self, voter: str) -> Guess | None:
        """A voter's guess in this round."""
        return self._now.get(voter)

    def ask(self, asked: Asked) -> None:
        """Ask something else; what was guessed of another question is put away.

        Raises
        ------
        RigError
            The drink is on its way.
        """
        with self._lock:
            if not self.open:
                raise RigError("the drink is on its way: ask something else of the next one")
            if asked is not self.asked:
                self.asked, self._now = asked, {}

    def show(self) -> None:
        """Close the guessing and show the drink."""
        self.shown = True

    def next(self) -> None:
        """A new round; what was finished stays on the wall."""
        with self._lock:
            self._next()

    def _next(self) -> None:
        self._now, self._ended, self.shown = {}, None, False


def truth_of(told: Mapping[str, Any]) -> dict[Asked, float]:
    """What a drink that has stopped came to; empty where its temperature or its water is not known."""
    call = told.get("call") or {}
    temp, water, moved = call.get("temp_c"), call.get("dilution_pct"), told.get("moved_s")
    if not temp or not water or moved is None or temp[1] is None or water[1] is None:
        return {}
    return {Asked.TEMP_C: temp[1], Asked.DILUTION_PCT: water[1], Asked.DURATION_S: moved}


def path_of(told: Mapping[str, Any]) -> tuple[tuple[float, float], ...]:
    """Water [%] and temperature [°C] of a drink as it went on."""
    estimates = [e for e in told.get("estimates") or () if None not in (e[2], e[5])]
    stride = max(1, len(estimates) // _PATH_POINTS)
    kept = estimates[::-1][::stride][::-1]
    return tuple((float(e[5]), float(e[2])) for e in kept)
