"""A shake that is heard, or felt, while it is made: it starts and stops the drink under way at the moments it shows."""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Callable

import numpy as np

from rig.arrays import FloatArray
from rig.errors import NotEnoughData
from rig.session.drink import Session
from rig.signals.moments import Rhythm, Source
from rig.signals.sound import FRAME_S, BandMeter, HeardShake, hear_power
from rig.signals.strapped import feel_shake

NEAR_S = 3.0
"""A shake that begins further from the start that was pressed is another one's."""
LOOKED_BACK_S, REST_S, AGAIN_S = 20.0, 4.0, 3.0
"""A look goes so far back; while a shake goes on, so far before it; and so far after it, as the rest tells its stop."""
AGREED_S = 0.1
"""A moment that is told otherwise by more than this is told anew."""
ALIKE_S = 0.3
"""Nothing is given before two looks, one after the other, place it so near to each other."""
LEAST_WAIT_S, WAITS = 0.4, 12.0
"""From one look to the next: at least so long, and so many times what the last one took, to leave the core free."""
_NS_PER_S = 1e9


class Take(ABC):
    """One take of sound or of motion as it comes, on a clock of its own that begins at 0 s."""

    def __init__(self) -> None:
        self._rows: list[FloatArray] = []
        self._zero_ns = float("inf")
        self._due_s = float("-inf")
        self._heard: HeardShake | None = None
        self._looked: HeardShake | None = None
        self._over_s = float("-inf")

    def add(self, rows: FloatArray, age_s: float) -> None:
        """Take in what has come of a take that began `age_s` ago; what came with the least delay sets the clock."""
        self._rows.append(rows)
        self._zero_ns = min(self._zero_ns, time.perf_counter_ns() - age_s * _NS_PER_S)

    def at_ns(self, time_s: float) -> int:
        """A moment of the take on this computer's clock, as `time.perf_counter_ns` tells it."""
        return int(self._zero_ns + time_s * _NS_PER_S)

    @property
    def count(self) -> int:
        """Rows by now."""
        return sum(len(r) for r in self._rows)

    @property
    @abstractmethod
    def lasts_s(self) -> float:
        """The last row's time [s]."""

    @abstractmethod
    def _found(self, rows: FloatArray, since_s: float) -> HeardShake:
        """The shake since a moment."""

    def whole(self) -> HeardShake:
        """The shake in all of the take. Raises NotEnoughData where none can be told, in words."""
        return self._found(self._all(), float("-inf"))

    def look(self) -> HeardShake | None:
        """The shake under way, or the one that has just stopped; None where there is none, or it is no time to look.

        It may be told again, and better, until it is well over.
        """
        begun = time.perf_counter()
        if begun < self._due_s or not self._rows:
            return None
        since_s = self.lasts_s - LOOKED_BACK_S if self._heard is None else self._heard.start.time_s - REST_S
        try:
            found = self._found(self._all(), max(since_s, self._over_s))
        except NotEnoughData:
            found = None
        before, self._looked = self._looked, found
        heard = found if found is not None and before is not None and _alike(before, found) else None
        self._heard = heard or self._heard
        if self._heard is not None and self.lasts_s - self._heard.stop.time_s > AGAIN_S:
            self._over_s, self._heard = self._heard.stop.time_s, None
        now = time.perf_counter()
        self._due_s = now + max(LEAST_WAIT_S, WAITS * (now - begun))
        return heard

    def _all(self) -> FloatArray:
        if len(self._rows) > 1:
            self._rows = [np.concatenate(self._rows)]
        return self._rows[0] if self._rows else np.zeros(0)


def _alike(before: HeardShake, now: HeardShake) -> bool:
    """Whether two looks, one after the other, tell the same start, and the same stop where it has stopped."""
    if abs(now.start.time_s - before.start.time_s) > ALIKE_S:
        return False
    return now.goes_on or abs(now.stop.time_s - before.stop.time_s) < ALIKE_S


class SoundTake(Take):
    """Power of the band, frame by frame, (frames,)."""

    @property
    def lasts_s(self) -> float:
        """As of any take."""
        return FRAME_S * self.count

    def _found(self, rows: FloatArray, since_s: float) -> HeardShake:
        first = round(max(since_s, 0.0) / FRAME_S)
        return hear_power(rows[first:]).later(first * FRAME_S)


class MotionTake(Take):
    """Seconds and acceleration [m/s²] on three axes, (samples, 4)."""

    @property
    def lasts_s(self) -> float:
        """As of any take."""
        return float(self._rows[-1][-1, 0]) if self._rows else 0.0

    def _found(self, rows: FloatArray, since_s: float) -> HeardShake:
        kept = rows.reshape(-1, 4)[rows.reshape(-1, 4)[:, 0] >= since_s]
        return feel_shake(kept[:, 0], kept[:, 1:])


def listener(samples: Callable[[], FloatArray], rate_hz: float) -> Callable[[Session], None]:
    """What lets a drink go by a microphone: called every moment, it takes in what was heard since."""
    meter, take = BandMeter(rate_hz), SoundTake()

    def listen(session: Session) -> None:
        frames = meter.add(samples())
        if frames.size:
            take.add(frames, take.lasts_s + FRAME_S * frames.size)
        heard = take.look()
        if heard is not None:
            start_s, stop_s = (session.follower.at_s(take.at_ns(m.time_s)) for m in (heard.start, heard.stop))
            give(session, heard, start_s, stop_s)

    return listen


def give(session: Session, heard: HeardShake, start_s: float, stop_s: float) -> bool:
    """Let a shake start and stop the drink under way; False where it is not this drink's.

    What was pressed gives way to what was heard or felt of the same shake; what was heard or felt gives way to what the
    same sense tells better once it has heard more.

    Parameters
    ----------
    start_s, stop_s
        Its moments in seconds of the journal; the stop counts only where it does not go on.
    """
    by = heard.start.source
    if session.done:
        return False
    if session.started_s is None:
        anew = session.ready_s is not None and start_s >= session.ready_s
        mine = anew
    elif abs(start_s - session.started_s) > NEAR_S:
        # a start that was heard, and never heard to stop, was none where a shake is heard to start later
        anew = session.started_by is by and session.stopped_by is None and start_s > session.started_s
        mine = anew
    else:
        told_otherwise = abs(start_s - session.started_s) > AGREED_S
        anew = session.started_by is Source.OPERATOR or (session.started_by is by and told_otherwise)
        mine = True
    if not mine:
        return False
    if anew:
        session.begin(start_s, by)
    session.heard_rhythm = Rhythm(heard.cadence_hz, heard.cadence_std_hz)
    if not heard.goes_on:
        if session.started_by is by and session.started_s is not None:
            # the take's clock may have been set better since it gave the start: how long it lasted is its own
            stop_s += session.started_s - start_s
        before_s = session.stopped_s
        told_otherwise = before_s is None or anew or abs(stop_s - before_s) > AGREED_S
        if session.stopped_by in (None, Source.OPERATOR) or (session.stopped_by is by and told_otherwise):
            _end(session, heard, stop_s)
    return True


def _end(session: Session, heard: HeardShake, stop_s: float) -> None:
    session.ended(
        stop_s,
        heard.start.source,
        cadence_hz=round(heard.cadence_hz, 3),
        cadence_std_hz=round(heard.cadence_std_hz, 4),
        stroke_cv=round(heard.stroke_cv, 4),
    )
