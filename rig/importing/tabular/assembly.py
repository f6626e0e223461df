"""From series of raw values to channels: time put in order, fault values left out, one common zero."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from rig.arrays import BoolArray, FloatArray, IntArray
from rig.errors import TableRefused
from rig.importing.tabular.fault_values import fault_values, impossible, is_beyond_doubt, power_on_rows
from rig.importing.tabular.profile import Use
from rig.importing.tabular.questions import INTERVAL_CURE, Settles
from rig.importing.tabular.report import Log
from rig.importing.tabular.roles import Measure
from rig.importing.tabular.time_axis import TimeAxis
from rig.importing.tabular.time_repair import ordered, restarts, rises_strictly, unwrapped, wanders_at
from rig.importing.tabular.units_in_text import Role

Number = TypeVar("Number", np.float64, np.int64)


@dataclass(frozen=True, eq=False)
class Channel:
    """What one sensor read: `value` in the unit of its role (°C, g, ...) at `time_s`, shape (readings,).

    Time rises and counts from the table's first valid row; every value is finite. `use` is what the channel
    was told to be used for in a run.
    """

    name: str
    role: Role
    unit: str
    time_s: FloatArray
    value: FloatArray
    use: Use | None = None


@dataclass(frozen=True, eq=False)
class Series:
    """A channel's values before they are put in order: as written and in the unit inside, shape (rows,)."""

    name: str
    measure: Measure
    written: FloatArray
    inside: FloatArray
    use: Use | None = None


@dataclass(frozen=True, eq=False)
class Group:
    """Series that share their rows: `rows` are positions in the grid, NaN marks a value that is not there."""

    rows: IntArray
    series: tuple[Series, ...]


@dataclass(frozen=True, eq=False)
class Assembled:
    """The channels, and the reading of the file's own clock at their zero [s]."""

    channels: tuple[Channel, ...]
    zero_s: float


def assemble(
    groups: Sequence[Group], axis: TimeAxis, recording: int | None, file: str, log: Log
) -> Assembled | None:
    """Channels with a common zero, or None where no value is left.

    Raises
    ------
    TableRefused
        Where the time does not move, or starts again and nobody said which recording is meant.
    """
    every = np.unique(np.concatenate([g.rows for g in groups])) if len(groups) > 1 else groups[0].rows
    time_s, in_order = axis.time_s, rises_strictly(_at(axis.time_s, every))
    running, wraps = (
        (time_s, 0) if in_order else unwrapped(_at(time_s, every), axis.wraps_s, is_clock=axis.is_clock)
    )
    if wraps:
        time_s = axis.time_s.copy()
        time_s[every] = running
        what = "the clock passes midnight" if axis.is_clock else "the time's counter starts over"
        log.note(f"{what} {wraps} time{'s' if wraps > 1 else ''}; the time was carried on")
    found: list[tuple[Series, FloatArray, FloatArray]] = []
    for group in groups:
        chosen = group
        if not in_order or recording is not None:
            chosen = _one_recording(group, time_s, axis, recording, file, log.first_line)
        found += _in_order(chosen, time_s, axis, log)
    found = [f for f in found if len(f[1])]
    if not found:
        return None
    zero = min(float(time[0]) for _, time, _ in found)
    if max(float(time[-1]) for _, time, _ in found) <= zero:
        raise TableRefused("all rows bear the same time", file, log.first_line, INTERVAL_CURE)
    shifted: dict[int, FloatArray] = {}
    channels = []
    for series, time, value in found:
        if id(time) not in shifted:
            shifted[id(time)] = time - zero if zero else time
        measure = series.measure
        channels.append(
            Channel(series.name, measure.role, measure.inside, shifted[id(time)], value, series.use)
        )
    return Assembled(tuple(channels), zero)


def _at(array: npt.NDArray[Number], rows: IntArray) -> npt.NDArray[Number]:
    """The rows of an array; all of them are not copied. `rows` rises."""
    return array if len(rows) == len(array) else array[rows]


def _one_recording(
    group: Group, time_s: FloatArray, axis: TimeAxis, recording: int | None, file: str, first_line: int
) -> Group:
    """The group cut down to one recording, where the time starts again inside it."""
    time = _at(time_s, group.rows)
    if (wanders := wanders_at(time)) is not None:
        raise TableRefused(
            "the time runs to and fro, and no order of the rows makes it a steady one",
            file,
            first_line + int(group.rows[wanders]),
            Settles(f"{INTERVAL_CURE}, where the rows stand in order", INTERVAL_CURE.setting),
        )
    starts = restarts(time) if axis.may_restart else np.empty(0, dtype=np.int64)
    if not len(starts):
        if recording not in (None, 1):
            raise TableRefused("the file holds one recording", file, cure="Leave out recording")
        return group
    values = [s.inside for s in group.series]
    if len(ordered(time, values, 0.0).repeated) >= len(time) - starts[0]:
        return group  # the same recording written twice
    if recording is None:
        raise TableRefused(
            f"the time starts again: the file holds {len(starts) + 1} recordings",
            file,
            first_line + int(group.rows[starts[0]]),
            Settles(
                f"Pass recording=1 to {len(starts) + 1}, or split the file there",
                "recording",
                tuple(str(n + 1) for n in range(len(starts) + 1)),
            ),
        )
    if recording > len(starts) + 1:
        raise TableRefused(
            f"the file holds {len(starts) + 1} recordings", file, cure="Pass a smaller recording"
        )
    bounds = [0, *starts.tolist(), len(time)]
    cut = slice(bounds[recording - 1], bounds[recording])
    return Group(
        group.rows[cut],
        tuple(Series(s.name, s.measure, s.written[cut], s.inside[cut], s.use) for s in group.series),
    )


def _in_order(
    group: Group, time_s: FloatArray, axis: TimeAxis, log: Log
) -> list[tuple[Series, FloatArray, FloatArray]]:
    """Each series of a group with its times and values, in order, without fault values and gaps."""
    time, rows, picked = _at(time_s, group.rows), group.rows, None
    if not rises_strictly(time):
        order = ordered(time, [s.inside for s in group.series], axis.tick_s)
        if not order.was_sorted:
            log.note("rows stood out of order and were sorted by time")
        if order.spread:
            tick = "minute" if axis.tick_s == 60 else f"{axis.tick_s:g} s" if axis.tick_s != 1 else "second"
            log.note(f"rows stamped with the same {tick} were spread evenly over it")
        log.drop_rows("row whose time is out of line with its neighbours", rows[order.stray])
        log.drop_rows("repeated row", rows[order.repeated])
        log.drop_rows("row at the time of an earlier row, with other values", rows[order.clashing])
        time = order.time_s
        if not order.was_sorted or len(order.rows) < len(rows):
            picked, rows = order.rows, rows[order.rows]
    out = []
    for series in group.series:
        inside = series.inside if picked is None else series.inside[picked]
        written = series.written if picked is None else series.written[picked]
        if is_beyond_doubt(series.measure.role, written, inside):
            out.append((series, time, inside))
            continue
        keep = np.isfinite(inside)
        _leave_out_faults(series, written, inside, keep, rows, log)
        out.append((series, time, inside) if keep.all() else (series, time[keep], inside[keep]))
    return out


def _leave_out_faults(
    series: Series, written: FloatArray, inside: FloatArray, keep: BoolArray, rows: IntArray, log: Log
) -> None:
    """Clear `keep` where a value is a fault value, and say so."""
    role = series.measure.role
    for value, hit in fault_values(role, written, inside).items():
        what = f"fault value {value:g} (sensor lost or over range)"
        log.drop_rows(what, rows[hit & keep], series.name)
        keep &= ~hit
    below = impossible(role, inside) & keep
    log.drop_rows("temperature below absolute zero", rows[below], series.name)
    keep &= ~below
    if role is Role.TEMPERATURE:
        on = np.flatnonzero(keep)[power_on_rows(inside if keep.all() else inside[keep])]
        log.drop_rows("power-on value 85.0 °C", rows[on], series.name)
        keep[on] = False
