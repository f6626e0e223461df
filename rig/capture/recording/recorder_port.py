"""One port being read: open, listen, lose, find again, for as long as the recording lasts."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Mapping
from contextlib import suppress

from rig.capture.decoding.lines import LineSplitter
from rig.capture.decoding.readings import Decoder
from rig.capture.devices.health import PortHealth
from rig.capture.devices.ports import Ear, Opener, PortSpec, Resolver, open_port, resolve
from rig.capture.devices.transport import BackOff, Link, Refusal, Trouble
from rig.capture.recording.journal import Event, EventKind, Line
from rig.errors import PortError

Records = queue.Queue[Line | Event]
_EVENT_PATIENCE_S = 1.0


class PortReader(threading.Thread):
    """Reads one port and puts its lines, with what happens to the port, into a bounded queue.

    It never waits for the queue: where that is full the newest line is dropped and counted, for a reader that
    waits loses more inside the kernel, uncounted.
    """

    def __init__(
        self,
        number: int,
        spec: PortSpec,
        records: Records,
        stop: threading.Event,
        decoders: Mapping[str, Decoder],
        *,
        opener: Opener = open_port,
        resolver: Resolver = resolve,
    ) -> None:
        super().__init__(name=f"read {spec.name}", daemon=True)
        self.number, self.spec = number, spec
        self.health = PortHealth(spec.name, spec.baud)
        self._records, self._stop_asked, self._opener, self._resolver = records, stop, opener, resolver
        self._ear = Ear(spec.dialect, decoders)
        self._gap_told = 0

    def run(self) -> None:
        """Open and listen until asked to stop."""
        back_off = BackOff()
        while not self._stop_asked.is_set():
            link = self._open()
            if link is not None:
                try:
                    self._listen(link, back_off)
                finally:
                    link.close()
            self._stop_asked.wait(back_off.wait_s())

    def take_gap(self) -> int:
        """Lines dropped since the last call; called by the one who empties the queue."""
        dropped = self.health.dropped
        fresh, self._gap_told = dropped - self._gap_told, dropped
        return fresh

    def _open(self) -> Link | None:
        # The old descriptor is closed by now: else the device would come back under another name.
        address = self._resolver(self.spec)
        if address is None:
            self.health.refused(Refusal(Trouble.ABSENT, f"{self.spec.usb} is not plugged in"))
            return None
        opened = self._opener(address, self.spec.baud)
        if isinstance(opened, Refusal):
            self.health.refused(opened)
            return None
        self.health.opened(time.perf_counter_ns())
        self._tell(EventKind.OPEN, {"address": address})
        return opened

    def _listen(self, link: Link, back_off: BackOff) -> None:
        splitter = LineSplitter()
        overlong_before = self.health.overlong
        self._ear.reopened()
        while not self._stop_asked.is_set():
            try:
                arrival = link.read()
            except PortError as error:
                self.health.lost_link(str(error))
                self._tell(EventKind.LOST, {"why": str(error)})
                return
            if arrival is None:
                continue
            back_off.worked()
            lines = splitter.feed(arrival.data)
            self.health.bytes_came(arrival.at_ns, overlong_before + splitter.overlong)
            for line in lines:
                self._put(Line(arrival.at_ns, self.number, line))
            for line in lines:
                self.health.line_came(arrival.at_ns, self._ear.hear(line), line)

    def _put(self, line: Line) -> None:
        try:
            self._records.put_nowait(line)
        except queue.Full:
            self.health.dropped += 1

    def _tell(self, kind: EventKind, detail: dict[str, str]) -> None:
        # Nothing is being read at this moment, so that an event may wait for room.
        with suppress(queue.Full):
            event = Event(time.perf_counter_ns(), kind, self.number, detail)
            self._records.put(event, timeout=_EVENT_PATIENCE_S)
