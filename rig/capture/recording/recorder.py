"""The recorder: threads that read, one that writes, orders from outside and word of how it all goes.

It runs in a process of its own (see `process`): a screen busy in the same interpreter would delay the stamps
by tens of milliseconds.
"""

from __future__ import annotations

import os
import queue
import shutil
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from rig.capture.decoding.dialects import load
from rig.capture.devices.ports import Opener, Resolver, open_port, resolve
from rig.capture.recording.journal import Event, EventKind, Header, JournalFile, JournalTail, Line
from rig.capture.recording.recorder_files import Plan, RecorderState, StateBoard, held
from rig.capture.recording.recorder_port import PortReader, Records
from rig.errors import LogbookError

QUEUE_RECORDS = 8192
DRAIN_S = 0.02
"""How long a reading waits at most before it is on file, where screens and the live call find it."""
SYNC_S = 1.0
STATE_S = 0.2
SILENT_S, AFTER_STOP_S, LONGEST_LEFT_S = 60.0, 300.0, 1800.0
"""A recorder whose screen has gone ends by itself: when no device has said anything for so long, so long after the
motion was stopped, which leaves time to weigh, and at the latest after so long."""
SLEPT_S = 1.5
_NS_PER_S = 1e9
_ORDERS = frozenset({EventKind.START, EventKind.STOP, EventKind.MARK, EventKind.WEIGH, EventKind.END})

Clock = Callable[[], int]


class SleepWatch:
    """Notices that the computer slept, or that its time of day was set: both part the two clocks."""

    def __init__(self, wall_ns: Clock = time.time_ns, mono_ns: Clock = time.perf_counter_ns) -> None:
        self._wall_ns, self._mono_ns = wall_ns, mono_ns
        self._apart_ns = wall_ns() - mono_ns()

    def jumped_s(self) -> float:
        """How far the clocks parted since the last call [s]; 0 where no more than they usually do."""
        apart_ns = self._wall_ns() - self._mono_ns()
        jump_s = (apart_ns - self._apart_ns) / _NS_PER_S
        self._apart_ns = apart_ns
        return jump_s if abs(jump_s) > SLEPT_S else 0.0


class Recorder:
    """Records one run; `record` returns when it was told to end, by an order or by `end`."""

    def __init__(
        self,
        plan: Plan,
        *,
        opener: Opener = open_port,
        resolver: Resolver = resolve,
        sleep_watch: SleepWatch | None = None,
    ) -> None:
        """Raises BenchError or NotFound where a dialect is declared wrongly or not at all."""
        self.plan, self.files = plan, plan.files
        self._stop = threading.Event()
        self._ended = False
        self._records: Records = queue.Queue(QUEUE_RECORDS)
        decoders = load(plan.dialect_files)
        self._readers = [
            PortReader(n, spec, self._records, self._stop, decoders, opener=opener, resolver=resolver)
            for n, spec in enumerate(plan.ports)
        ]
        self._told: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._left_s: float | None = None
        self._stopped_s: float | None = None
        self._heard_s = float("-inf")
        self._say: Callable[[RecorderState], None] = lambda state: None
        self._orders = JournalTail(self.files.orders)
        self._orders_taken = 0
        self._sleep_watch = sleep_watch or SleepWatch()
        self._turned_away_told = 0
        self._synced_s = self._stated_s = 0.0

    def end(self) -> None:
        """End the recording; for signal handlers and other threads."""
        self._stop.set()

    def leave(self) -> None:
        """Whoever started it has gone: go on, and end by itself in time."""
        self._left_s = time.monotonic()

    def told(self, order: Event) -> None:
        """Take an order that came another way than by the file of orders, which a full disk does not take."""
        self._told.put(order)

    def record(
        self,
        ready: Callable[[], None] = lambda: None,
        say: Callable[[RecorderState], None] = lambda state: None,
    ) -> None:
        """Record until told to end; `ready` is called once the journal is safely begun, `say` with every state.

        Raises
        ------
        LogbookError
            Where the journal cannot be begun, or another process records this run.
        """
        self.files.make_folders()
        with held(self.files.lock):
            utc, mono_ns = datetime.now(UTC), time.perf_counter_ns()
            header = Header(
                self.plan.run, utc, mono_ns, self.plan.ports, self.plan.meta, self.plan.time_scale
            )
            file, board = JournalFile(self.files.journal), StateBoard(self.files.state)

            def tell(state: RecorderState) -> None:
                board.put(state)
                say(state)

            self._say = tell
            file.append([header])
            if not file.flush():
                raise LogbookError(
                    f"{file.path}: the journal cannot be begun: {file.trouble}. Free some space"
                )
            file.sync()
            ready()
            self._write_state(file, mono_ns)
            for reader in self._readers:
                reader.start()
            try:
                while not self._stop.wait(DRAIN_S):
                    self._round(file, mono_ns)
            finally:
                self._stop.set()
                for reader in self._readers:
                    reader.join()
                self._round(file, mono_ns)
                file.append([Event(time.perf_counter_ns(), EventKind.END)])
                file.close()
                self._ended = True
                self._write_state(file, mono_ns)
                board.close()

    def _round(self, file: JournalFile, mono_ns: int) -> None:
        """Take what has come, write it, and say how things are."""
        now_s = time.monotonic()
        taken = self._taken()
        if any(isinstance(r, Line) for r in taken):
            self._heard_s = now_s
        file.append(taken)
        events = self._happened(file)
        file.append(events)
        file.flush()
        for event in events:
            if event.kind in (EventKind.START, EventKind.STOP):
                self._stopped_s = now_s if event.kind is EventKind.STOP else None
        if self._over(now_s):
            self._stop.set()
        if events or now_s - self._synced_s > SYNC_S:
            file.sync()
            self._synced_s = now_s
        if events or now_s - self._stated_s > STATE_S:
            self._write_state(file, mono_ns)
            self._stated_s = now_s

    def _over(self, now_s: float) -> bool:
        """Whether there is nothing more to wait for, nobody being there to say so."""
        if self._left_s is None:
            return False
        return (
            now_s - max(self._heard_s, self._left_s) > SILENT_S
            or (self._stopped_s is not None and now_s - self._stopped_s > AFTER_STOP_S)
            or now_s - self._left_s > LONGEST_LEFT_S
        )

    def _taken(self) -> list[Line | Event]:
        taken: list[Line | Event] = []
        with suppress(queue.Empty):
            while len(taken) < QUEUE_RECORDS:
                taken.append(self._records.get_nowait())
        return taken

    def _happened(self, file: JournalFile) -> list[Event]:
        """Orders, gaps and sleep since the last round."""
        now_ns = time.perf_counter_ns()
        orders = [e for e in self._orders.poll() if isinstance(e, Event)]
        with suppress(queue.Empty):
            while True:
                orders.append(self._told.get_nowait())
        events = [e for e in orders if e.kind in _ORDERS]
        self._orders_taken += len(events)
        if any(e.kind is EventKind.END for e in events):
            self._stop.set()
        events = [e for e in events if e.kind is not EventKind.END]
        for reader in self._readers:
            if count := reader.take_gap():
                events.append(Event(now_ns, EventKind.GAP, reader.number, {"lines": count}))
        if not file.trouble and (count := file.turned_away - self._turned_away_told):
            self._turned_away_told = file.turned_away
            events.append(Event(now_ns, EventKind.GAP, None, {"records": count, "why": "the disk was full"}))
        if jump_s := self._sleep_watch.jumped_s():
            events.append(Event(now_ns, EventKind.SLEEP, None, {"seconds": round(jump_s, 3)}))
        return events

    def _write_state(self, file: JournalFile, mono_ns: int) -> None:
        now_ns = time.perf_counter_ns()
        state = RecorderState(
            run=self.plan.run,
            pid=os.getpid(),
            at_ns=now_ns,
            elapsed_s=(now_ns - mono_ns) / _NS_PER_S * self.plan.time_scale,
            written=file.written,
            pending=file.pending,
            turned_away=file.turned_away,
            trouble=file.trouble,
            size_bytes=file.size,
            free_bytes=free_bytes(self.plan.folder),
            orders=self._orders_taken,
            ended=self._ended,
            left=self._left_s is not None,
            ports=tuple(r.health.report(now_ns) for r in self._readers),
        )
        self._say(state)


def free_bytes(folder: Path) -> int:
    """Room on the disk of a folder [bytes]; 0 where it cannot be told."""
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return 0
