"""How each port is doing, in one of few states and in words: kept by who reads it, shown to everybody."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from rig.capture.decoding.readings import Decoded, Reading
from rig.capture.devices.transport import Refusal, Trouble

SILENT_PERIODS = 3.0
SHORTEST_SILENCE_S, FIRST_SILENCE_S = 0.5, 3.0
"""A board may boot for up to three seconds after its port was opened."""
UNREADABLE_S = 2.0
_WRAP = 2**32
_RESET_STEP = 100_000
_NS_PER_S = 1e9


class PortState(StrEnum):
    """What a port is doing."""

    ABSENT = "absent"
    IN_USE = "in use"
    NOT_ALLOWED = "not allowed"
    REFUSED = "refused"
    OPENING = "opening"
    SILENT = "silent"
    UNREADABLE = "no valid line"
    OK = "ok"


STATE_OF_TROUBLE = {
    Trouble.ABSENT: PortState.ABSENT,
    Trouble.IN_USE: PortState.IN_USE,
    Trouble.NOT_ALLOWED: PortState.NOT_ALLOWED,
    Trouble.REFUSED: PortState.REFUSED,
}


@dataclass(frozen=True)
class PortReport:
    """A port at one moment: state, what it means in words, and its counts since the recording began."""

    name: str
    state: PortState
    words: str
    rate_hz: float = 0.0
    good: int = 0
    bad: int = 0
    lost: int = 0
    """Lines that never came, by gaps in the device's own count."""
    dropped: int = 0
    """Lines that came faster than they could be written."""
    overlong: int = 0
    opens: int = 0
    resets: int = 0

    def to_dict(self) -> dict[str, Any]:
        """As JSON values."""
        return asdict(self) | {"state": self.state.value}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> PortReport:
        """The inverse of `to_dict`."""
        return cls(**{**values, "state": PortState(values["state"])})


class PortHealth:
    """The running account of one port; written by the thread that reads it, read by any.

    `now_ns` arguments are `time.perf_counter_ns()`.
    """

    def __init__(self, name: str, baud: int) -> None:
        self.name, self.baud = name, baud
        self.good = self.bad = self.lost = self.dropped = self.overlong = self.opens = self.resets = 0
        self._refusal: Refusal | None = None
        self._opened_ns: int | None = None
        self._byte_ns: int | None = None
        self._good_ns: int | None = None
        self._last_bad: bytes = b""
        self._sequence: int | None = None
        self._recent: deque[int] = deque(maxlen=200)

    def refused(self, refusal: Refusal) -> None:
        """The port could not be opened."""
        self._refusal, self._opened_ns = refusal, None

    def opened(self, now_ns: int) -> None:
        """The port was opened."""
        self.opens += 1
        self._refusal, self._opened_ns = None, now_ns
        self._byte_ns = self._good_ns = None
        self._recent.clear()

    def lost_link(self, words: str) -> None:
        """The device has gone."""
        self._refusal, self._opened_ns = Refusal(Trouble.ABSENT, words), None

    def bytes_came(self, now_ns: int, overlong: int) -> None:
        """Bytes arrived; `overlong` is the splitter's count of lines too long to be any."""
        self._byte_ns, self.overlong = now_ns, overlong

    def line_came(self, now_ns: int, said: Decoded, line: bytes) -> None:
        """A line arrived and was decoded."""
        if isinstance(said, Reading):
            self.good += 1
            self._good_ns = now_ns
            self._recent.append(now_ns)
            self._count(said.sequence)
        elif hasattr(said, "reason"):
            self.bad += 1
            self._last_bad = line

    def report(self, now_ns: int | None = None) -> PortReport:
        """The state of the port at this moment."""
        now_ns = time.perf_counter_ns() if now_ns is None else now_ns
        rate_hz = self._rate_hz(now_ns)
        state, words = self._state(now_ns, rate_hz)
        return PortReport(
            self.name,
            state,
            words,
            round(rate_hz, 2),
            self.good,
            self.bad,
            self.lost,
            self.dropped,
            self.overlong,
            self.opens,
            self.resets,
        )

    def _state(self, now_ns: int, rate_hz: float) -> tuple[PortState, str]:
        if self._refusal is not None:
            return STATE_OF_TROUBLE[self._refusal.trouble], self._refusal.words
        if self._opened_ns is None:
            return PortState.OPENING, "not opened yet"
        since_byte_s = (now_ns - (self._byte_ns or self._opened_ns)) / _NS_PER_S
        if self._byte_ns is None:
            if since_byte_s < FIRST_SILENCE_S:
                return PortState.OPENING, "waiting for its first line"
            return PortState.SILENT, (
                f"open for {since_byte_s:.0f} s and nothing came. Is the device on, does it send by itself?"
            )
        patience_s = max(SHORTEST_SILENCE_S, SILENT_PERIODS / rate_hz if rate_hz > 0 else FIRST_SILENCE_S)
        if since_byte_s > patience_s:
            return PortState.SILENT, f"nothing for {since_byte_s:.1f} s; it was heard before"
        since_good_s = (now_ns - (self._good_ns or self._opened_ns)) / _NS_PER_S
        if since_good_s > (UNREADABLE_S if self._good_ns is None else max(UNREADABLE_S, patience_s)):
            return PortState.UNREADABLE, self._unreadable()
        if self._good_ns is None:
            return PortState.OPENING, "bytes come; waiting for a valid line"
        return PortState.OK, self._ok(rate_hz)

    def _unreadable(self) -> str:
        text = f"bytes come at {self.baud} baud but no valid line: wrong speed, or a dialect nobody declared"
        if self._last_bad.isascii() and self._last_bad:
            text += f". It says {self._last_bad[:60].decode('ascii')!r}"
        return text

    def _ok(self, rate_hz: float) -> str:
        flaws = [
            f"{count} {what}"
            for count, what in ((self.lost, "lost"), (self.bad, "bad"), (self.dropped, "dropped"))
            if count
        ]
        return f"{rate_hz:.3g} readings a second" + (f"; {', '.join(flaws)}" if flaws else "")

    def _rate_hz(self, now_ns: int) -> float:
        """Over the last readings, at most 200 of them."""
        recent = tuple(self._recent)
        if len(recent) < 2 or recent[-1] == recent[0]:
            return 0.0
        return (len(recent) - 1) / (recent[-1] - recent[0]) * _NS_PER_S

    def _count(self, sequence: int | None) -> None:
        if sequence is None:
            return
        before, self._sequence = self._sequence, sequence
        if before is None:
            return
        step = sequence_step(before, sequence)
        if step is None:
            self.resets += 1
        else:
            self.lost += step - 1


def sequence_step(before: int, after: int) -> int | None:
    """From one line's count to the next one's: 1 where none was lost, None where the board started anew."""
    step = (after - before) % _WRAP
    # A board that starts anew counts from 0: that is no four thousand million lost lines.
    return step if 0 < step < _RESET_STEP else None
