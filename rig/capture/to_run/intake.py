"""From a journal to a run in the logbook, once and only once.

The header's `meta` is written when the recording starts, so that a crash loses none of it:

    bench_name      the logbook's name of the bench
    bench           its bench.toml, as text
    run             fields of `rig.runs.Run` that are known beforehand, by name
    probe_in_drink  true where the main probe sits in the drink before the motion starts
    blind           true where it is stopped by feel, with the call and all numbers hidden
    usual_start_c   what it should read there, or where else it waits [°C]
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from datetime import timedelta
from typing import Any, Protocol

import numpy as np

from rig.arrays import FloatArray
from rig.bench import Bench, parse_bench
from rig.capture.decoding.readings import ROOM, Decoder, Quantity
from rig.capture.recording.journal import (
    Event,
    EventKind,
    Journal,
    JournalTail,
    merged,
    place_of,
    read_journal,
)
from rig.capture.recording.process import end_left
from rig.capture.recording.recorder_files import Files
from rig.capture.to_run.calibrated import calibrated, weighed_std_g
from rig.capture.to_run.heard_shake import with_heard
from rig.capture.to_run.intake_streams import Channel, Stream, streams_from, with_cadence
from rig.capture.to_run.probe_doubted import doubted, without_doubted
from rig.consistency.judging import judged
from rig.errors import LogbookError, NotEnoughData, NotFound, RigError
from rig.names import NameUnclear
from rig.runs import BLIND, PROBE_DOUBT, YES, Finding, Gravity, Run, RunBook, Trace
from rig.sensors.calibration import Calibration
from rig.signals.moments import MotionSpan
from rig.signals.motion import motion_of
from rig.signals.scale import steady_mass_g

JOURNAL_KEY = "journal"
WEIGHED_FIELDS: Mapping[str, str] = {
    "drink": "drink_mass_g",
    "ice": "ice_mass_g",
    "strained": "strained_mass_g",
    "gross before": "gross_before_g",
    "gross after": "gross_after_g",
}
"""What may be weighed, and the field of the run that it fills; anything else is kept as a note."""
BEFORE_S = 1.0
"""The drink's temperature is the mean of its probe over this long before the start."""
UNNAMED = "unnamed"
_RUN_FIELDS = frozenset(f.name for f in fields(Run)) - {"trace", "extra", "started_at"}
_SAME_INSTANT_S = 1e-6


class RunStore(Protocol):
    """The part of a logbook that an intake needs."""

    def run(self, bench_name: str, run: str) -> Run:
        """A stored run; NotFound where there is none."""
        ...

    def add(self, book: RunBook, bench_name: str, source: str) -> object:
        """Store a book under a bench name, each run whole or not at all."""
        ...


@dataclass(frozen=True)
class Recorded:
    """What a journal holds: the run, what is doubtful about it, and the streams it comes from."""

    run: Run
    bench: Bench
    bench_name: str
    findings: tuple[Finding, ...]
    streams: tuple[Stream, ...]


Remark = Callable[[Run], Run]
"""Adds to a run, before it is stored, what is known of it beside its journal."""


def take_in(
    files: Files,
    store: RunStore,
    decoders: Mapping[str, Decoder],
    calibrations: Iterable[Calibration] = (),
    remark: Remark = lambda run: run,
) -> Recorded:
    """Bring a recording into the logbook and move its journal to `done/`; one that goes on without a screen is ended.

    Killed at any moment and called again, it leaves the run in the logbook exactly once, for the run carries
    the id that was born with its journal, and the journal moves only after the logbook has it.

    Raises
    ------
    NotEnoughData
        Where the journal holds no reading and no weigh-in.
    TableRefused
        Where it is cut short before its header was whole.
    LogbookError
        Where journal or logbook cannot be read or written; the journal stays where it is.
    """
    end_left(files)
    journal = _with_late_orders(read_journal(files.journal), files)
    with _named(files):
        recorded = recorded_in(journal, decoders, calibrations)
    with _named(files):
        recorded = _stored(replace(recorded, run=remark(recorded.run)), store, f"recording {files.run}")
    files.set_done()
    return recorded


@contextmanager
def _named(files: Files) -> Iterator[None]:
    """Name the journal in what is said of it; a header that says what no run can have is refused in words."""
    try:
        yield
    except RigError as error:
        if files.journal.name in str(error):
            raise
        raise LogbookError(f"{files.journal}: {error}") from error
    except (TypeError, ValueError, KeyError, AttributeError, OverflowError) as error:
        raise LogbookError(
            f"{files.journal}: its first line says of the run what cannot be: {error}. Mend it, or set it aside"
        ) from error


def recorded_in(
    journal: Journal, decoders: Mapping[str, Decoder], calibrations: Iterable[Calibration] = ()
) -> Recorded:
    """The run that a journal holds, corrected by the calibrations in force on its day.

    Raises NotEnoughData where there is nothing in it.
    """
    day = journal.header.utc.date()
    streams, corrections = calibrated(with_cadence(streams_from(journal, decoders)), calibrations, day)
    weighed = list(journal.events(EventKind.WEIGH))
    if not streams and not weighed:
        raise NotEnoughData(f"{journal.path.name}: no valid reading and no weigh-in was recorded")
    findings = _doubts(journal, streams)
    start_s, stop_s = _motion(journal, streams, findings)
    values, extra = _fields(journal), {JOURNAL_KEY: journal.header.run}
    if journal.header.meta.get(BLIND):
        extra[BLIND] = YES
    main = _main_probe(streams)
    doubt = doubted(journal, main, start_s, stop_s)
    if doubt is not None:
        findings.append(_doubt(journal, doubt.words))
        extra[PROBE_DOUBT] = doubt.words
    if journal.header.meta.get("probe_in_drink") and main is not None and start_s is not None:
        time_s, temp_c = main
        believed = temp_c if doubt is None else doubt.believed(time_s - start_s, temp_c)
        values.setdefault("drink_temp_c", _mean_before(time_s, believed, start_s))
    probes = _probes(streams)
    if probes:
        values["probe_std_k"] = probes.get("", next(iter(probes.values())))[1].std
    by_weight: dict[str, str] = {}
    for event in weighed:
        by_weight |= _take_weighing(journal, event, streams, values, extra, findings)
    corrections = (*corrections, *by_weight.values())
    findings += [_note(journal, c) for c in corrections]
    if corrections:
        extra["calibrations"] = "; ".join(corrections)
    for event in journal.events(EventKind.MARK):
        at_s = journal.header.elapsed_s(event.at_ns) - (start_s or 0.0)
        extra[f"mark at {at_s:.1f} s"] = str(event.detail.get("text", ""))
    if start_s is not None and stop_s is not None:
        values.setdefault("duration_s", round(stop_s - start_s, 2))
    trace = _trace(streams, start_s or 0.0) if streams else None
    if trace is not None and doubt is not None:
        trace = without_doubted(trace, doubt)
    real_s = (start_s or 0.0) / journal.header.time_scale
    run = Run(
        **{"run": journal.header.run, **dict.fromkeys(("technique", "vessel", "ice", "recipe"), UNNAMED)}
        | {k: v for k, v in values.items() if v is not None},
        started_at=journal.header.utc + timedelta(seconds=real_s),
        trace=trace,
        extra=extra,
    )
    run = with_heard(run, journal)
    text = journal.header.meta.get("bench")
    bench = parse_bench(text, "the journal's bench")[0] if text else Bench()
    name = str(journal.header.meta.get("bench_name") or bench.title)
    (one,) = judged(bench, [run])
    findings += one.findings(place_of(journal))
    return Recorded(one.run, bench, name, tuple(findings), streams)


def _with_late_orders(journal: Journal, files: Files) -> Journal:
    """The journal with orders that its recorder was given but did not live to write down."""
    told = [
        e for e in JournalTail(files.orders).poll() if isinstance(e, Event) and e.kind is not EventKind.END
    ]
    late = [e for e in told if e not in journal.records]
    return replace(journal, records=merged((*journal.records, *late))) if late else journal


def _stored(recorded: Recorded, store: RunStore, source: str) -> Recorded:
    """The recording in the store, once: under its own name, else one that people can tell from the others there."""
    key = recorded.run.extra[JOURNAL_KEY]
    unclear: RigError | None = None
    for name in (recorded.run.run, f"{recorded.run.run}-{key[:8]}", key):
        findings = tuple(replace(f, place=replace(f.place, run=name)) for f in recorded.findings)
        named = replace(recorded, run=replace(recorded.run, run=name), findings=findings)
        try:
            if store.run(recorded.bench_name, name).extra.get(JOURNAL_KEY) == key:
                return named
        except NotFound:
            try:
                store.add(RunBook(named.bench, (named.run,), findings), named.bench_name, source)
                return named
            except NameUnclear as error:
                unclear = error
    raise unclear or LogbookError(f"no name is free for the run {key}")


def _fields(journal: Journal) -> dict[str, Any]:
    given = journal.header.meta.get("run", {})
    return {k: v for k, v in given.items() if k in _RUN_FIELDS}


def _motion(
    journal: Journal, streams: Sequence[Stream], findings: list[Finding]
) -> tuple[float | None, float | None]:
    """Start and stop [s] as somebody said; what nobody said, as the readings show it."""
    header = journal.header
    starts = [header.happened_s(e) for e in journal.events(EventKind.START)]
    stops = [header.happened_s(e) for e in journal.events(EventKind.STOP)]
    # what was heard after it was pressed is told anew, and holds
    start_s = starts[-1] if starts else None
    stop_s = next((s for s in reversed(stops) if s > (start_s or 0.0)), None)
    if start_s is not None and stop_s is not None:
        return start_s, stop_s
    shown = _motion_shown(streams)
    if start_s is None and shown.start is not None:
        start_s = shown.start.time_s
        known = f"{shown.start.grounds}, ± {2.0 * shown.start.uncertainty_s:.1f} s"
        what = f"the start of motion was not marked; the {shown.start.source} shows it ({known})"
        findings.append(_doubt(journal, "; ".join([what, *shown.doubts])))
    elif start_s is None:
        what = "the start of motion was not marked and no reading shows it"
        findings.append(_doubt(journal, "; ".join([what, *shown.doubts])))
    if stop_s is None and shown.stop is not None and shown.stop.time_s > (start_s or 0.0):
        stop_s = shown.stop.time_s
        findings.append(
            _doubt(journal, f"the stop of motion was not marked; the {shown.stop.source} shows it")
        )
    elif stop_s is None:
        findings.append(_doubt(journal, "the stop of motion was not marked and no reading shows it"))
    return start_s, stop_s


def _motion_shown(streams: Sequence[Stream]) -> MotionSpan:
    """The motion as the readings show it."""
    cadence, scale = (
        next(((s.time_s, c.value) for s in streams for c in s.of(quantity)), None)
        for quantity in (Quantity.CADENCE, Quantity.MASS)
    )
    return motion_of(cadence=cadence, probe=_main_probe(streams), scale=scale)


def _take_weighing(
    journal: Journal,
    event: Event,
    streams: Sequence[Stream],
    values: dict[str, Any],
    extra: dict[str, str],
    findings: list[Finding],
) -> dict[str, str]:
    """Put a weigh-in where it belongs, corrected by its scale's calibration; what that did, in words by name."""
    what = str(event.detail.get("what", "")).strip()
    said_g = event.detail.get("mass_g")
    scale = _scale_of(event, streams)
    known = None if scale is None else scale[1].calibration
    told: dict[str, str] = {}
    if said_g is None:
        mass_g = _steady_g(streams, journal.header.elapsed_s(event.at_ns))
    elif scale is None or known is None:
        mass_g = float(said_g)
    else:
        # A weigh-in is the difference of two readings: the slope corrects it, an offset falls out of it.
        mass_g = round(float(known.difference(float(said_g))[0]), 2)
        day = known.when.date().isoformat()
        told[what] = (
            f"{what} weighed {float(said_g):.1f} g, by {scale[0].name}'s calibration of {day} {mass_g:.2f} g"
        )
    field = WEIGHED_FIELDS.get(what)
    if mass_g is None:
        findings.append(_doubt(journal, f"weigh-in {what!r}: the scale was not steady; nothing was taken"))
    elif field is not None:
        values[field] = mass_g
        if field == "drink_mass_g" and known is not None:
            values["scale_std_g"] = weighed_std_g(known, mass_g)
    else:
        extra[f"weighed {what} g"] = f"{mass_g:.1f}"
    return told


def _scale_of(event: Event, streams: Sequence[Stream]) -> tuple[Stream, Channel] | None:
    """The scale that a weigh-in names; where it names none, the first."""
    scales = [(s, c) for s in streams for c in s.of(Quantity.MASS)]
    named = [
        (s, c)
        for s, c in scales
        if (s.port, c.name) == (event.detail.get("port"), event.detail.get("channel"))
    ]
    return next(iter(named or scales), None)


def _steady_g(streams: Sequence[Stream], at_s: float) -> float | None:
    masses = (steady_mass_g(s.time_s, c.value, at_s) for s in streams for c in s.of(Quantity.MASS))
    return next((m for m in masses if m is not None), None)


def _main_probe(streams: Sequence[Stream]) -> tuple[FloatArray, FloatArray] | None:
    first = next(iter(_probes(streams).values()), None)
    return None if first is None else (first[0].time_s, first[1].value)


def _mean_before(time_s: FloatArray, temp_c: FloatArray, start_s: float) -> float | None:
    near = (time_s > start_s - BEFORE_S) & (time_s <= start_s) & np.isfinite(temp_c)
    return round(float(temp_c[near].mean()), 2) if near.any() else None


def _trace(streams: Sequence[Stream], start_s: float) -> Trace:
    """All channels on one axis: the instants of all readings, NaN where a channel was not read."""
    stamps = np.concatenate([s.time_s for s in streams]) - start_s
    time_s = np.unique(np.round(stamps / _SAME_INSTANT_S) * _SAME_INSTANT_S)

    def on_axis(stream: Stream, channel: Channel) -> FloatArray:
        rows = np.searchsorted(time_s, stream.time_s - start_s - _SAME_INSTANT_S)
        values = np.full(time_s.size, np.nan)
        values[np.clip(rows, 0, time_s.size - 1)] = channel.value
        return values

    single: dict[str, FloatArray] = {}
    for stream in streams:
        for channel in stream.channels:
            match channel.quantity:
                case Quantity.TEMPERATURE if channel.name.startswith(ROOM):
                    single.setdefault("room_c", on_axis(stream, channel))
                case Quantity.MASS:
                    single.setdefault("scale_g", on_axis(stream, channel))
                case Quantity.CADENCE:
                    single.setdefault("cadence_hz", on_axis(stream, channel))
                case _:
                    pass
    return Trace(time_s, {name: on_axis(*where) for name, where in _probes(streams).items()}, **single)


def _probes(streams: Sequence[Stream]) -> dict[str, tuple[Stream, Channel]]:
    """The probes in the drink or on the vessel by their names in the trace."""
    found: dict[str, tuple[Stream, Channel]] = {}
    for stream in streams:
        for channel in stream.of(Quantity.TEMPERATURE):
            if not channel.name.startswith(ROOM):
                found[_probe_name(channel, stream, found)] = stream, channel
    return found


def _probe_name(channel: Channel, stream: Stream, taken: Mapping[str, object]) -> str:
    """The plain probe has no name; a name that another port took is made one's own by the port's name."""
    name = "" if channel.name in ("probe", "probe1", "T") and "" not in taken else channel.name
    return name if name not in taken else f"{stream.name} {channel.name}"


def _doubts(journal: Journal, streams: Sequence[Stream]) -> list[Finding]:
    found = []
    if not journal.ended:
        found.append(_doubt(journal, "the recording was interrupted; all that reached its journal is here"))
    for event in journal.events(EventKind.GAP):
        count = event.detail.get("lines", event.detail.get("records", 0))
        found.append(
            _doubt(journal, f"{count} readings could not be kept: they came too fast, or the disk was full")
        )
    for event in journal.events(EventKind.SLEEP):
        seconds = float(event.detail.get("seconds", 0.0))
        found.append(_doubt(journal, f"the computer slept for {seconds:.0f} s, or its clock was set"))
    for stream in streams:
        if stream.lost:
            found.append(_note(journal, f"{stream.name}: {stream.lost} readings never arrived"))
        if stream.late:
            found.append(
                _doubt(
                    journal,
                    f"{stream.name}: {stream.late} readings came up to {stream.late_s:.1f} s late, as where this "
                    "computer was held up; their times are by the device's clock or pace, and some in between may "
                    "be missing",
                )
            )
        if stream.rejects:
            found.append(_note(journal, f"{stream.name}: {stream.rejects} lines were no valid reading"))
        if stream.resets:
            found.append(_doubt(journal, f"{stream.name}: the board started anew {stream.resets} times"))
    return found


def _doubt(journal: Journal, what: str) -> Finding:
    return Finding(Gravity.DOUBT, what, place_of(journal))


def _note(journal: Journal, what: str) -> Finding:
    return Finding(Gravity.NOTE, what, place_of(journal))
