"""Read any logger's table: channels with seconds and values in °C and g, and a report of how it was read."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np

from rig.arrays import BoolArray
from rig.errors import TableRefused
from rig.importing.tabular.assembly import Assembled, Channel, assemble
from rig.importing.tabular.cells import shown
from rig.importing.tabular.columns import Column, joined, overfull, read_columns
from rig.importing.tabular.dialect import MIXED
from rig.importing.tabular.grid import load, without_cut_line
from rig.importing.tabular.layout import Layout
from rig.importing.tabular.limits import MOST_BYTES
from rig.importing.tabular.measuring import Measuring, groups_of
from rig.importing.tabular.preamble import units_from
from rig.importing.tabular.prepared import Prepared, prepare
from rig.importing.tabular.profile import CHANNELS, TableProfile, TimeUnit
from rig.importing.tabular.questions import DECIMAL_CURE
from rig.importing.tabular.report import Log, TableReport
from rig.importing.tabular.side_by_side import curves_cure, curves_of, only
from rig.importing.tabular.stamps import DAY_S
from rig.importing.tabular.time_axis import TimeAxis
from rig.importing.tabular.time_columns import find_time
from rig.importing.tabular.units_in_text import Role

__all__ = [
    "Channel",
    "Role",
    "Table",
    "TableProfile",
    "TableReport",
    "TimeUnit",
    "read_table",
    "table_from_bytes",
]


@dataclass(frozen=True, eq=False)
class Table:
    """A logger's table, read.

    `started_at` is the moment of time 0 where the file tells a date (with an offset where it tells one).
    `clock_s` is the time of day of time 0 [s] where the file tells a clock. `own_zero_s` is what the file's
    own elapsed time reads at time 0. `settled` reads this and like files again without a question.
    """

    file: str
    channels: tuple[Channel, ...]
    report: TableReport
    started_at: datetime | None = None
    clock_s: float | None = None
    own_zero_s: float | None = None
    settled: TableProfile = field(default_factory=TableProfile)

    def of_role(self, role: Role) -> tuple[Channel, ...]:
        """The channels that measure a quantity."""
        return tuple(c for c in self.channels if c.role is role)


def read_table(path: str | PathLike[str], profile: TableProfile | None = None, **settings: Any) -> Table:
    """Read a table that a logger, a scale or a spreadsheet wrote.

    `profile` and `settings` (the fields of `TableProfile`; they go before the profile) settle what the file
    leaves open.

    Raises
    ------
    TableRefused
        Where the file is no table, or leaves something open that would change the readings: the reason, the
        line, and the setting that settles it.
    """
    place, told = Path(path), (profile or TableProfile()).with_settings(settings)
    # nobody holds the bytes once there is a text, so that the cells are laid where they lay
    return table_from_prepared(prepare(bytes_of(place), place.name, told))


def table_from_bytes(raw: bytes, file: str, profile: TableProfile | None = None, **settings: Any) -> Table:
    """Read a table from a file's bytes; `file` names it in messages. See `read_table`."""
    return table_from_prepared(prepare(raw, file, (profile or TableProfile()).with_settings(settings)))


def bytes_of(path: Path) -> bytes:
    """A file's bytes.

    Raises
    ------
    TableRefused
        Where it cannot be read, or is larger than any logger's.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            mib = MOST_BYTES >> 20
            raise TableRefused(f"the file is larger than {mib} MiB", path.name, cure="Split it into parts")
        return path.read_bytes()
    except OSError as e:
        raise TableRefused(f"the file cannot be read ({e.strerror})", str(path), cure="Check its name") from e


def table_from_prepared(prepared: Prepared) -> Table:
    """Read a table whose place in its file is known. See `read_table`."""
    text, layout, told, file = prepared.text, prepared.layout, prepared.told, prepared.file
    encoding, log = prepared.encoding, Log(layout.first_line)
    for note in prepared.notes:
        log.note(note)
    text = without_cut_line(text, layout, log)
    grid = load(text, layout, file, log)
    columns = joined(read_columns(grid, layout), log)
    shifted = overfull(columns, layout)
    log.drop_rows(f"row with more than {layout.width - 1} cells", shifted)
    every = [c.position for c in columns]
    curves = [every] if told.curves is None else _curves(columns, told, file)
    read = [_read(columns if c == every else only(columns, c), c, prepared, shifted, log) for c in curves]
    axis, found, valid = read[0].axis, read[0].found, np.logical_or.reduce([r.valid for r in read])
    _say_lost_rows(columns, valid | shifted, log)
    channels = found.channels if len(read) == 1 else _on_one_clock(read)
    report = TableReport(
        file,
        encoding,
        _spelled_delimiter(layout.dialect.delimiter),
        layout.dialect.decimal,
        layout.header_line,
        layout.first_line,
        int(valid.sum()),
        tuple(log.columns[position] for position in sorted(log.columns)),
        tuple(log.dropped),
        tuple(log.notes),
    )
    started_at = axis.moment(found.zero_s)
    clock_s = None
    if started_at is not None:
        clock_s = (
            started_at.hour * 3600.0
            + started_at.minute * 60
            + started_at.second
            + started_at.microsecond / 1e6
        )
    elif axis.is_clock:
        clock_s = found.zero_s % DAY_S
    counts = axis.may_restart and not axis.is_clock
    return Table(
        file,
        channels,
        report,
        started_at,
        clock_s,
        found.zero_s if counts else None,
        _settled(told, axis, layout, encoding),
    )


@dataclass(frozen=True, eq=False)
class _Read:
    """One curve, or a whole table: its time, its channels, and which rows hold one, shape (rows,)."""

    axis: TimeAxis
    found: Assembled
    valid: BoolArray


def _curves(columns: list[Column], told: TableProfile, file: str) -> list[list[int]]:
    """The columns of the curves that are meant, of those side by side."""
    curves = curves_of(columns)
    if told.curves == CHANNELS and curves:
        return curves
    number = 0 if told.curves in (None, CHANNELS) else int(told.curves or 0)
    if not 1 <= number <= len(curves):
        raise TableRefused(
            f"{len(curves) or 'no'} curves stand side by side, each with a time of its own; "
            f"curves={told.curves!r} names none",
            file,
            cure="Leave out curves" if not curves else curves_cure(len(curves)),
        )
    return [curves[number - 1]]


def _read(columns: list[Column], mine: list[int], prepared: Prepared, shifted: BoolArray, log: Log) -> _Read:
    """The time and the channels of some columns, said in the log."""
    layout, told, file, own = (
        prepared.layout,
        prepared.told,
        prepared.file,
        Log(log.first_line, dict(log.columns)),
    )
    axis = find_time(columns, layout.preamble, told, file, own)
    valid = np.isfinite(axis.time_s) & ~shifted
    measuring = Measuring(
        columns, axis, told, units_from(layout.preamble), layout.open_columns, file, own
    )  # fmt: skip
    if axis.used & set(layout.open_columns):
        raise TableRefused(
            "the commas in the time column may mark decimals or thousands", file, layout.first_line,
            DECIMAL_CURE,
        )  # fmt: skip
    groups = groups_of(measuring, valid) if valid.any() else []
    found = assemble(groups, axis, told.recording, file, own) if groups else None
    if found is None:
        raise TableRefused(
            "nothing is measured: no column but the time holds numbers", file, layout.first_line,
            "Give a table with a temperature or a mass",
        )  # fmt: skip
    log.columns |= {position: note for position, note in own.columns.items() if position in mine}
    log.dropped += own.dropped
    for note in own.notes:
        log.note(note)
    return _Read(axis, found, valid)


def _on_one_clock(read: list[_Read]) -> tuple[Channel, ...]:
    """The channels of curves side by side, from the zero of the first, with names of their own."""
    zero_s, names = read[0].found.zero_s, list[str]()
    out = []
    for r in read:
        for c in r.found.channels:
            name, n = c.name, 2
            while name in names:
                name, n = f"{c.name} ({n})", n + 1
            names.append(name)
            out.append(replace(c, name=name, time_s=c.time_s + (r.found.zero_s - zero_s)))
    return tuple(out)


def _settled(told: TableProfile, axis: TimeAxis, layout: Layout, encoding: str) -> TableProfile:
    """What was told, and what the file itself settled about its form."""
    return replace(
        told,
        delimiter=None if layout.dialect.delimiter == MIXED else layout.dialect.delimiter or told.delimiter,
        decimal=layout.dialect.decimal,
        day_first=told.day_first if told.day_first is not None else axis.profile.day_first,
        time_unit=told.time_unit or axis.profile.time_unit,
        interval_s=told.interval_s or axis.profile.interval_s,
    )


def _say_lost_rows(columns: list[Column], valid: BoolArray, log: Log) -> None:
    """Report the rows without a time: headers again, footers, remarks; blank lines are not worth a word."""
    if valid.all():
        return
    headers, others, sample = list[int](), list[int](), ""
    for row in np.flatnonzero(~valid).tolist():
        texts = [(c, c.texts[c.code[row]]) for c in columns if c.code is not None and c.code[row] >= 0]
        numbers = [c for c in columns if c.code is None and np.isfinite(c.value[row])]
        if any(text == c.heading.text for c, text in texts):
            headers.append(row)
        elif texts or numbers:
            sample = sample or " ".join([t for _, t in texts] + [f"{c.value[row]:g}" for c in numbers])
            others.append(row)
    log.drop_rows("repeated header", np.array(headers, dtype=np.int64))
    log.drop_rows(f"row without a time, such as {shown(sample)}", np.array(others, dtype=np.int64))


def _spelled_delimiter(delimiter: str | None) -> str:
    names = {None: "nothing (one value a line)", " ": "blanks", "\t": "tabs", MIXED: "blanks and commas"}
    return names.get(delimiter, repr(delimiter))
