"""Read the trace of one run from CSV; what cannot be used is named, the rest goes through."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence

import numpy as np

from rig.arrays import BoolArray, FloatArray, IntArray
from rig.errors import Place
from rig.importing.cells import BrokenRow, Problem, Row, delimiter_of, is_unreadable, number, rows, shown
from rig.plausible import TRACE, TRACE_PROBE, TRACE_TIME, Plausible
from rig.runs import Finding, Gravity, Trace

TIME = "time_s"
_PROBE = re.compile(r"probe_(?:(.+)_)?c", re.DOTALL)
_PLAIN = re.compile(r"[0-9eE+\-.,\r\n]*")
_THOUSANDS = re.compile(r"(?<![\d.])[1-9]\d{0,2},\d{3}(?!\d)")
_BLANK_CELL = re.compile(r",(?=[,\r\n]|\Z)")
_KNOWN = "time_s, probe_c, probe_NAME_c, scale_g, room_c, cadence_hz"


def read_trace(text: str, file: str, run: str | None = None) -> tuple[Trace | None, tuple[Finding, ...]]:
    """Turn the text of a trace file into a Trace.

    Samples whose time cannot be read or does not rise are left out, single readings that cannot be are
    blanked (NaN), and a channel without any reading is dropped; each is a finding that counts them and
    names the first line.

    Returns
    -------
    The trace, or None where no time or no channel is left; and the findings.
    """
    flawless = _flawless(text)
    if flawless is not None:
        return _trace(flawless), ()
    reader = _TraceReader(file, run)
    return reader.trace(text), tuple(reader.findings)


def is_trace(text: str) -> bool:
    """Whether a text's first line names a time as a bench's traces do; else another program wrote it."""
    first = next((row for row in rows(text) if not (isinstance(row, Row) and row.is_blank)), None)
    return isinstance(first, Row) and TIME in first.cells


def _trace(columns: dict[str, FloatArray]) -> Trace:
    return Trace(
        columns[TIME],
        {(m[1] or ""): values for name, values in columns.items() if (m := _PROBE.fullmatch(name))},
        scale_g=columns.get("scale_g"),
        room_c=columns.get("room_c"),
        cadence_hz=columns.get("cadence_hz"),
    )


def _flawless(text: str) -> dict[str, FloatArray] | None:
    """The columns of a trace in which there is nothing to find, read in one go; None for any other."""
    delimiter = delimiter_of(text)
    if delimiter != ",":
        if _THOUSANDS.search(text):
            return None
        text = text.replace(",", ".").replace(delimiter, ",")
    head, _, body = text.partition("\n")
    names = [name.strip() for name in head.split(",")]
    known = all(_is_known(n) for n in names) and '"' not in head and len({TIME, *names}) == len(names)
    if not known or not body.strip() or not _PLAIN.fullmatch(body):
        return None
    try:
        table = np.loadtxt(io.StringIO(_BLANK_CELL.sub(",nan", body)), delimiter=",", ndmin=2, comments=None)
    except ValueError:
        return None
    if table.shape[1] != len(names):
        return None
    columns = {name: table[:, n].copy() for n, name in enumerate(names)}
    time_s = columns.pop(TIME)
    inside = all(_all_inside(v, _plausible(name)) for name, v in columns.items())
    rises = np.isfinite(time_s).all() and _all_inside(time_s, TRACE_TIME) and np.all(np.diff(time_s) > 0)
    channels = {name: values for name, values in columns.items() if not np.isnan(values).all()}
    return {TIME: time_s, **channels} if inside and rises and channels else None


class _TraceReader:
    """Collects findings on the way from text to trace."""

    def __init__(self, file: str, run: str | None) -> None:
        self.file, self.run = file, run
        self.findings: list[Finding] = []

    def doubt(self, what: str, cure: str = "", line: int | None = None, column: str | None = None) -> None:
        place = Place(self.file, line, column, self.run)
        self.findings.append(Finding(Gravity.DOUBT, what, place, cure))

    def trace(self, text: str) -> Trace | None:
        header, body = self.split(text)
        columns = self.columns(header)
        if TIME not in columns:
            self.doubt(
                "the trace has no time_s column; it is left out",
                f"Name the columns in its first line: {_KNOWN}",
                line=header.line,
                column=TIME,
            )
            return None
        lines = np.array([r.line for r in body], dtype=np.int64)
        time_s = self.values(body, lines, TIME, columns.pop(TIME), TRACE_TIME)
        kept = self.rising(time_s, lines)
        if not kept.any():
            self.doubt(
                "the trace holds no usable sample; it is left out", f"Record it again, or name {_KNOWN}"
            )
            return None
        body = [row for row, keep in zip(body, kept, strict=True) if keep]
        channels = {
            name: values
            for name, index in columns.items()
            if np.isfinite(values := self.values(body, lines[kept], name, index, _plausible(name))).any()
        }
        if not channels:
            self.doubt(
                "the trace holds no reading beside its time; it is left out", f"Columns read: {_KNOWN}"
            )
            return None
        return _trace({TIME: time_s[kept], **channels})

    def split(self, text: str) -> tuple[Row, list[Row]]:
        """The header and the rows that hold anything."""
        whole: list[Row] = []
        broken: list[int] = []
        for row in rows(text):
            if isinstance(row, BrokenRow):
                broken.append(row.line)
            elif not row.is_blank:
                whole.append(row)
        if broken:
            what = f"{_samples(len(broken))} a quote that does not close, left out"
            self.doubt(what, "Remove the quote", broken[0])
        if not whole:
            return Row(1, ()), []
        header, body = whole[0], whole[1:]
        long = [r for r in body if any(r.cells[len(header.cells) :])]
        if long:
            self.doubt(
                f"{_samples(len(long))} more cells than the header, left out",
                "Write decimals with a point; a comma ends a cell",
                line=long[0].line,
            )
            body = [r for r in body if not any(r.cells[len(header.cells) :])]
        return header, body

    def columns(self, header: Row) -> dict[str, int]:
        """Where each known column stands."""
        found: dict[str, int] = {}
        for index, name in enumerate(header.cells):
            if not name:
                continue
            if (name != TIME and name not in TRACE and not _PROBE.fullmatch(name)) or is_unreadable(name):
                place = Place(self.file, header.line, shown(name)[1:-1], self.run)
                what = f"unknown trace column {shown(name)} is not read"
                self.findings.append(Finding(Gravity.NOTE, what, place, f"Columns read: {_KNOWN}"))
            elif name in found:
                self.doubt(
                    f"column {name!r} is there twice; the first is used",
                    "Give each probe a name of its own: probe_NAME_c",
                    line=header.line,
                    column=name,
                )
            else:
                found[name] = index
        return found

    def values(
        self, body: Sequence[Row], lines: IntArray, name: str, index: int, plausible: Plausible
    ) -> FloatArray:
        """One column, shape (samples,), NaN where empty or unusable; unusable cells make one finding."""
        cells = [r.cells[index] if index < len(r.cells) else "" for r in body]
        values, problems = _numbers(cells, plausible)
        if problems:
            first = min(problems)
            what = problems[first].what
            more = f"; {len(problems) - 1} more such cells" if len(problems) > 1 else ""
            self.doubt(f"{what}; not used{more}", problems[first].cure, int(lines[first]), name)
        if name == TIME and (empty := [i for i, c in enumerate(cells) if not c]):
            self.doubt(
                f"{_samples(len(empty))} no time, left out",
                "Give each sample its time in seconds",
                int(lines[empty[0]]),
                name,
            )
        return values

    def rising(self, time_s: FloatArray, lines: IntArray) -> BoolArray:
        """Which samples to keep: those later than every one kept before."""
        known = np.isfinite(time_s)
        before = np.maximum.accumulate(np.where(known, time_s, -np.inf))
        rises = known & (time_s > np.concatenate(([-np.inf], before[:-1])))
        falls = np.flatnonzero(known & ~rises)
        if not falls.size:
            return rises
        cure = "Time runs in seconds from the start of motion and must rise; check for two runs in one file"
        line = int(lines[falls[0]])
        if falls.size > rises.sum():
            self.doubt("time does not rise in most of the trace; it is left out", cure, line, TIME)
            return np.zeros_like(rises)
        self.doubt(f"{_samples(falls.size)} a time that does not rise, left out", cure, line, TIME)
        return rises


def _samples(count: int) -> str:
    return "1 sample has" if count == 1 else f"{count} samples have"


def _is_known(column: str) -> bool:
    return not is_unreadable(column) and (column in (TIME, *TRACE) or _PROBE.fullmatch(column) is not None)


def _all_inside(values: FloatArray, limits: Plausible) -> bool:
    return bool(np.all(np.isnan(values) | ((values >= limits.low) & (values <= limits.high))))


def _plausible(column: str) -> Plausible:
    return TRACE.get(column, TRACE_PROBE)


def _numbers(cells: Sequence[str], plausible: Plausible) -> tuple[FloatArray, dict[int, Problem]]:
    """Values, NaN where there is none, and the problem of each cell that is not empty and has none."""
    try:
        if any("_" in c for c in cells):  # float() takes 1_000, we do not
            raise ValueError
        values = np.array([float(c) if c else math.nan for c in cells], dtype=np.float64)
        filled = np.array([bool(c) for c in cells], dtype=np.bool_)
        inside = (values >= plausible.low) & (values <= plausible.high)
        suspects = np.flatnonzero(filled & ~inside).tolist()
    except ValueError:
        values = np.full(len(cells), np.nan)
        suspects = [i for i, c in enumerate(cells) if c]
    problems: dict[int, Problem] = {}
    for i in suspects:
        found = number(cells[i], plausible)
        if isinstance(found, Problem):
            problems[i], values[i] = found, np.nan
        else:
            values[i] = found
    return values, problems
