"""Follow a recording while it grows: readings on one time axis, for screens, weigh-ins and the live call.

Works in any process that can read the journal, and equally on one that is finished.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from rig.capture.decoding.clock import LiveClock
from rig.capture.decoding.readings import ROOM, Decoder, Quality, Quantity, Reading, Sample
from rig.capture.devices.ports import LINE_END_BYTES, Ear, baud_of
from rig.capture.recording.journal import Event, EventKind, Header, JournalTail, Line
from rig.signals.moments import Rhythm


@dataclass(frozen=True)
class Moment:
    """One reading: seconds from the start of the journal, the port it came from, and what it holds."""

    time_s: float
    port: int
    samples: tuple[Sample, ...]


@dataclass(frozen=True)
class StopWords:
    """What an advisor says at a moment: few words to act on, whether to stop now, and what they rest on."""

    text: str
    stop_now: bool = False
    left_s: float | None = None
    note: str = ""

    @property
    def due(self) -> bool:
        """Whether the best moment has come, however good it is."""
        return self.stop_now or (self.left_s is not None and self.left_s <= 0.0)


class Advisor(Protocol):
    """Says when to stop, reading by reading; called in order of time, only while the drink is moved.

    `time_s` is from the start of motion; a value is None where no such reading has come yet, or none is believed;
    `rhythm` is that of the motion by now, None where nobody hears it. Readings after `believed_until_s` were none of
    the drink, whether it was told of them or not.
    """

    def __call__(
        self, time_s: float, temp_c: float | None, rhythm: Rhythm | None, believed_until_s: float
    ) -> StopWords | None:
        """The words for this moment; None where there is nothing to say."""
        ...


class Follower:
    """The state of a recording as its journal tells it; `poll` takes in what is new.

    Attributes hold the latest good value of each quantity, None until there is one. Where several ports read
    the same quantity, the first of the ports is the main one, whichever spoke first; once the drink is moved
    it stays. A channel of the room is never the main one.
    """

    def __init__(self, journal: Path, decoders: Mapping[str, Decoder]) -> None:
        self._tail, self._decoders = JournalTail(journal), decoders
        self._ears: list[Ear] = []
        self._clocks: list[LiveClock] = []
        self._main: dict[Quantity, tuple[int, str]] = {}
        self.header: Header | None = None
        self.temp_c: float | None = None
        self.scale_g: float | None = None
        self.cadence_hz: float | None = None
        self.started_s: float | None = None
        self.stopped_s: float | None = None
        self.now_s = 0.0
        """The newest reading or event [s]."""
        self.events: list[Event] = []
        self.ended = False

    def poll(
        self,
        each: Callable[[Moment], None] = lambda moment: None,
        happened: Callable[[Event], None] = lambda event: None,
    ) -> list[Moment]:
        """What has come since the last poll; `each` is called after each reading, `happened` after each event."""
        moments = []
        for record in self._tail.poll():
            match record:
                case Header():
                    self._begin(record)
                case Event():
                    self._happened(record)
                    happened(record)
                case Line() if self.header is not None and record.port < len(self._ears):
                    moment = self._hear(self.header, record)
                    if moment is not None:
                        moments.append(moment)
                        each(moment)
        return moments

    def is_main(self, port: int, sample: Sample) -> bool:
        """Whether a sample belongs to the main channel of its quantity."""
        return self._main.get(sample.quantity) == (port, sample.channel)

    def at_s(self, stamp_ns: int) -> float:
        """Seconds from the start of the journal to a stamp; 0 before there is a header."""
        return 0.0 if self.header is None else self.header.elapsed_s(stamp_ns)

    def happened_s(self, event: Event) -> float:
        """Seconds from the start of the journal to what an event tells of; 0 before there is a header."""
        return 0.0 if self.header is None else self.header.happened_s(event)

    @property
    def moving(self) -> bool:
        """Whether the drink is being moved."""
        return self.started_s is not None and self.stopped_s is None

    @property
    def moved_s(self) -> float:
        """How long the drink has been moved, up to the newest reading."""
        if self.started_s is None:
            return 0.0
        return (self.now_s if self.stopped_s is None else self.stopped_s) - self.started_s

    def _begin(self, header: Header) -> None:
        self.header = header
        self._ears = [Ear(p.dialect, self._decoders) for p in header.ports]
        self._clocks = [LiveClock(baud=baud_of(p)) for p in header.ports]

    def _happened(self, event: Event) -> None:
        self.events.append(event)
        if self.header is None:
            return
        self.now_s = max(self.now_s, self.header.elapsed_s(event.at_ns))
        match event.kind:
            case EventKind.OPEN if event.port is not None:
                self._ears[event.port].reopened()
            case EventKind.START:
                self.started_s, self.stopped_s = self.header.happened_s(event), None
            case EventKind.STOP:
                self.stopped_s = self.header.happened_s(event)
            case EventKind.END:
                self.ended = True

    def _hear(self, header: Header, line: Line) -> Moment | None:
        said = self._ears[line.port].hear(line.line)
        if not isinstance(said, Reading):
            return None
        at_s = header.elapsed_s(line.at_ns)
        if said.tick_ms is not None:
            at_s = self._clocks[line.port].add(said.tick_ms, at_s, len(line.line) + LINE_END_BYTES)
        self.now_s = max(self.now_s, at_s)
        for sample in said.samples:
            if self._stands_for(line.port, sample):
                self._take(sample)
        return Moment(at_s, line.port, said.samples)

    def _stands_for(self, port: int, sample: Sample) -> bool:
        """Whether a sample is of the main channel of its quantity, which it may become by coming."""
        if sample.channel.startswith(ROOM):
            return False
        main = self._main.setdefault(sample.quantity, (port, sample.channel))
        if port < main[0] and self.started_s is None:
            main = self._main[sample.quantity] = (port, sample.channel)
        return main == (port, sample.channel)

    def _take(self, sample: Sample) -> None:
        value = sample.value if sample.quality in (Quality.GOOD, Quality.UNSETTLED) else None
        match sample.quantity:
            case Quantity.TEMPERATURE:
                self.temp_c = value
            case Quantity.MASS:
                self.scale_g = value
            case Quantity.CADENCE:
                self.cadence_hz = value
            case _:
                pass
