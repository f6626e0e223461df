"""The live call in a thread of its own: neither the readings nor any page ever waits for an estimate."""

from __future__ import annotations

import logging
import threading
import time
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeVar

import numpy as np

from rig.advice.call.words import assumptions, begun, headline
from rig.advice.live.live import EVERY_S, LiveCall, LiveEstimate, by_the_clock, estimate, live_call
from rig.arrays import FloatArray
from rig.bench import Target
from rig.errors import RigError
from rig.fitting.prediction import Basis, BasisKind
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import Trace
from rig.signals.moments import Rhythm

IDLE_S = 0.05
MOST_CAUGHT_UP = 10
"""So many estimates of what went before are made at most: the present does not wait long for the past."""


Answer = TypeVar("Answer")
Called = Callable[[Fit, LiveCall, datetime], object]
"""Hears a call as it stands before the start, the fit it rests on, and when it was asked for."""


def nobody(fit: Fit, call: LiveCall, asked_at: datetime) -> None:
    """Hears nothing."""


@dataclass(frozen=True)
class Heard:
    """What there is to estimate from: seconds of motion, the readings that are believed, the rhythm.

    `probe_now`: whether the probe is believed by now; before, it may have been.
    """

    now_s: float
    time_s: Sequence[float]
    temp_c: FloatArray
    rhythm: Rhythm | None = None
    probe_now: bool = True

    def until(self, time_s: float) -> Heard:
        """What there was at an earlier moment."""
        n = bisect_right(self.time_s, time_s)
        return Heard(time_s, self.time_s[:n], self.temp_c[:n])

    @property
    def trace(self) -> Trace:
        """The readings as a trace."""
        return Trace(np.array(self.time_s), {"": self.temp_c})


def caught_up_s(now_s: float) -> FloatArray:
    """When a drink that is first seen in the middle of its motion is estimated as well, so that it shows whole."""
    n = min(int(now_s / EVERY_S), MOST_CAUGHT_UP)
    return np.linspace(0.0, now_s, n, endpoint=False)[1:] if n > 1 else np.zeros(0)


def _estimated(call: LiveCall, heard: Heard) -> LiveEstimate:
    if heard.time_s and heard.probe_now:
        return estimate(call, heard.trace, heard.now_s)
    return by_the_clock(call, heard.now_s, heard.rhythm, heard.trace)


class Caller:
    """Prepares the call as soon as all is weighed, then estimates while the drink is moved.

    `fit` gives the fit, and may take its time; `situation` and `heard` are asked for what is known now, and
    give None while there is nothing to ask about; `called` hears the call before the start. `estimates` only
    grows.
    """

    def __init__(
        self,
        fit: Callable[[], Fit],
        target: Target | None,
        situation: Callable[[], Situation | None],
        heard: Callable[[], Heard | None],
        called: Called = nobody,
    ) -> None:
        self.called = called
        self._fit, self._target, self._situation, self._heard = fit, target, situation, heard
        self._left = threading.Event()
        self.estimates: list[LiveEstimate] = []
        self.words = "reading the fit of this bench"
        """How far the call is, then what it rests on."""

    def start(self) -> None:
        """Begin."""
        threading.Thread(target=self._run, name="live call", daemon=True).start()

    def leave(self) -> None:
        """End at the next turn."""
        self._left.set()

    def _run(self) -> None:
        try:
            self._call()
        except RigError as error:
            self.words = f"no call: {error}"
        except Exception:
            logging.getLogger(__name__).exception("the live call failed")
            self.words = "no call: working it out failed. What is read is on file all the same"

    def _call(self) -> None:
        fit = self._fit()
        self.words = "ready when all is weighed"
        situation = self._until(self._situation)
        if situation is None:
            return
        self.words = "working out the call"
        asked_at = datetime.now(UTC)
        call = live_call(fit, situation, self._target)
        self.called(fit, call, asked_at)
        self.words = before_words(call)
        while (heard := self._until(self._heard)) is not None:
            begun_s = time.monotonic()
            before = [] if self.estimates else [heard.until(s) for s in caught_up_s(heard.now_s)]
            self.estimates += [_estimated(call, h) for h in (*before, heard)]
            took_s = time.monotonic() - begun_s
            # at most half of a core, however slow this computer is
            self._left.wait(max(EVERY_S - took_s, took_s, IDLE_S))

    def _until(self, ask: Callable[[], Answer | None]) -> Answer | None:
        """The first answer that is not None; None where the caller has left."""
        while not self._left.wait(IDLE_S):
            if (answer := ask()) is not None:
                return answer
        return None


def before_words(call: LiveCall) -> str:
    """What the call is before anything is seen, and what it rests on."""
    rests = basis_words(call.basis)
    return (
        rests
        if call.before is None
        else f"{headline(call.before)}. {assumptions(call.before.filled)}; {rests}"
    )


def basis_words(basis: Basis) -> str:
    """What a call rests on, so that a person knows how far to trust it."""
    return {
        BasisKind.MEASURED: f"the call rests on {basis.runs} run{'' if basis.runs == 1 else 's'}",
        BasisKind.TRANSFERRED: f"it rests on {basis.runs} of its runs, beyond them: {'; '.join(basis.extrapolated)}"
        if basis.runs
        else "never measured on this set-up: the call rests on related runs",
        BasisKind.PRIOR_ONLY: f"no run of this set-up yet: the call is {basis.others}"
        if basis.others
        else "no run of this set-up yet: the call rests on what is usual, with wide bands",
    }[basis.kind] + (begun(basis) if basis.kind is not BasisKind.PRIOR_ONLY else "")
