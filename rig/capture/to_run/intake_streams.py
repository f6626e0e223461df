"""From a journal to readings on one time axis: each port decoded, each board's clock aligned."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from rig.arrays import FloatArray
from rig.capture.decoding.clock import ClockFit, Method, align, align_counter
from rig.capture.decoding.dialects import recognise
from rig.capture.decoding.readings import Decoder, Quality, Quantity, Reading
from rig.capture.devices.health import sequence_step
from rig.capture.devices.ports import LINE_END_BYTES, Ear, baud_of
from rig.capture.recording.journal import Event, EventKind, Journal
from rig.errors import NotEnoughData
from rig.sensors.calibration import Calibration
from rig.signals.cadence import cadence

FIRST_LINES = 60
LATE_S = 1.0
"""A reading held up for longer than this is worth a word."""
LEAST_APART_S = 1e-4


@dataclass(frozen=True, eq=False)
class Channel:
    """One channel of one port: what it measures, and a value [°C, g, Hz, …] per reading, NaN where none.

    `calibration` is the one its values were corrected by, `std` what that leaves unknown of them, in their unit.
    """

    name: str
    quantity: Quantity
    value: FloatArray
    calibration: Calibration | None = None
    std: float | None = None


@dataclass(frozen=True, eq=False)
class Stream:
    """All that one port said: `time_s` from the start of the journal and each channel have shape (readings,).

    `rejects` counts lines that were no reading, `lost` those that never came by the device's own count. `late_s` is
    how long the readings that came the latest were held up [s], `late` how many came more than a second late.
    """

    port: int
    name: str
    time_s: FloatArray
    channels: tuple[Channel, ...]
    clock: ClockFit | None = None
    rejects: int = 0
    lost: int = 0
    resets: int = 0
    late: int = 0
    late_s: float = 0.0

    def of(self, quantity: Quantity) -> tuple[Channel, ...]:
        """Its channels of a quantity."""
        return tuple(c for c in self.channels if c.quantity is quantity)


@dataclass
class _Heard:
    """Readings of one port as they are decoded."""

    arrival_s: list[float] = field(default_factory=list)
    line_bytes: list[int] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    rejects: int = 0


def streams_from(journal: Journal, decoders: Mapping[str, Decoder]) -> tuple[Stream, ...]:
    """The streams of all ports that said anything, by port.

    Raises
    ------
    NotFound
        Where the journal was recorded in a dialect that is not among the decoders.
    """
    return tuple(
        stream
        for n in range(len(journal.header.ports))
        if (stream := _stream(journal, n, decoders)) is not None
    )


def _stream(journal: Journal, port: int, decoders: Mapping[str, Decoder]) -> Stream | None:
    spec = journal.header.ports[port]
    heard = _heard(journal, port, _ear(journal, port, decoders))
    if not heard.readings:
        return None
    # Rebooted boards start their ticks anew: `align` fits each stretch by itself.
    clock = _clock(heard, baud_of(spec))
    order = np.argsort(clock.time_s, kind="stable")
    late_s = (np.asarray(heard.arrival_s) - clock.time_s) / journal.header.time_scale
    lost, resets = _missing([r.sequence for r in heard.readings if r.sequence is not None])
    return Stream(
        port=port,
        name=spec.name,
        time_s=clock.time_s[order],
        channels=_channels(heard.readings, order),
        clock=clock,
        rejects=heard.rejects,
        lost=lost,
        resets=resets,
        late=int((late_s > LATE_S).sum()),
        late_s=float(late_s.max()),
    )


def _ear(journal: Journal, port: int, decoders: Mapping[str, Decoder]) -> Ear:
    """An ear that knows the dialect from the first line on, for here all lines are there already."""
    spec = journal.header.ports[port]
    dialect = spec.dialect
    if dialect is None:
        first = [r.line for r, _ in zip(journal.lines(port), range(FIRST_LINES), strict=False)]
        found = recognise(first, decoders) if first else None
        dialect = None if found is None else found.name
    return Ear(dialect, decoders)


def _heard(journal: Journal, port: int, ear: Ear) -> _Heard:
    heard = _Heard()
    for record in journal.records:
        if record.port != port:
            continue
        if isinstance(record, Event):
            if record.kind is EventKind.OPEN:
                ear.reopened()
            continue
        said = ear.hear(record.line)
        if isinstance(said, Reading):
            heard.arrival_s.append(journal.header.elapsed_s(record.at_ns))
            heard.line_bytes.append(len(record.line) + LINE_END_BYTES)
            heard.readings.append(said)
        elif hasattr(said, "reason"):
            heard.rejects += 1
    return heard


def _clock(heard: _Heard, baud: float | None) -> ClockFit:
    ticks = [r.tick_ms for r in heard.readings if r.tick_ms is not None]
    if len(ticks) == len(heard.readings):
        return align(ticks, heard.arrival_s, line_bytes=heard.line_bytes, baud=baud)
    counts = [r.sequence for r in heard.readings if r.sequence is not None]
    count = counts if len(counts) == len(heard.readings) else None
    fit = align_counter(heard.arrival_s, count, line_bytes=heard.line_bytes, baud=baud)
    return replace(fit, time_s=_spread(fit))


def _spread(fit: ClockFit) -> FloatArray:
    """Instants of readings of which several bear one arrival, as when this computer did not come to read them.

    They were held up, and were taken one after the other before that: at the pace of all readings, no earlier than
    the arrival before. Where the device has a clock or a steady pace of its own, that has told them apart already.
    """
    time_s = fit.time_s.copy()
    for segment in fit.segments:
        if segment.method is not Method.ARRIVAL:
            continue
        instant_s, first, count = np.unique(
            fit.time_s[segment.start : segment.stop], return_index=True, return_counts=True
        )
        gap_s = np.diff(instant_s)
        pace_s = float(np.median(gap_s)) if gap_s.size else LEAST_APART_S
        before_s = np.diff(instant_s, prepend=instant_s[0] - pace_s * count[0])
        for n in np.flatnonzero(count > 1):
            step_s = max(min(pace_s, float(before_s[n]) / count[n]), LEAST_APART_S)
            back = np.arange(count[n])[::-1] * step_s
            rows = slice(segment.start + first[n], segment.start + first[n] + count[n])
            time_s[rows] = instant_s[n] - back
    return time_s


def _channels(readings: Sequence[Reading], order: np.ndarray) -> tuple[Channel, ...]:
    values: dict[tuple[str, Quantity], FloatArray] = {}
    for n, reading in enumerate(readings):
        for s in reading.samples:
            column = values.setdefault((s.channel, s.quantity), np.full(len(readings), np.nan))
            if s.quality in (Quality.GOOD, Quality.UNSETTLED):
                column[n] = s.value
    return tuple(Channel(name, quantity, column[order]) for (name, quantity), column in values.items())


def _missing(sequence: Sequence[int]) -> tuple[int, int]:
    steps = [sequence_step(a, b) for a, b in pairwise(sequence)]
    return sum(s - 1 for s in steps if s is not None), sum(s is None for s in steps)


def with_cadence(streams: Sequence[Stream]) -> tuple[Stream, ...]:
    """The streams, and for each that holds acceleration a stream of the cadence found in it."""
    found = []
    for stream in streams:
        axes = [c.value for c in stream.of(Quantity.ACCELERATION)]
        if axes and not any(s.of(Quantity.CADENCE) for s in streams):
            with suppress(NotEnoughData):
                shown = cadence(stream.time_s, np.column_stack(axes))
                channel = Channel("cadence", Quantity.CADENCE, shown.cadence_hz)
                found.append(Stream(stream.port, stream.name, shown.time_s, (channel,)))
    return (*streams, *found)
