"""From tables to a run's trace."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from rig.arrays import FloatArray
from rig.errors import NoCommonClock, TableRefused
from rig.importing.tables import Table
from rig.importing.tabular.assembly import Channel
from rig.importing.tabular.profile import Use
from rig.importing.tabular.stamps import DAY_S
from rig.importing.tabular.units_in_text import Role
from rig.importing.tabular.words import ROOM, has_word
from rig.runs import Trace


def trace_from_tables(
    tables: Sequence[Table],
    *,
    starts_s: Sequence[float] | None = None,
    motion_at_s: float = 0.0,
    scale: str | None = None,
    room: str | None = None,
) -> Trace:
    """One trace of all tables' channels, on the union of their times; NaN where a channel was not read.

    Parameters
    ----------
    tables : one or more
    starts_s : when each table's time 0 was, on one common clock [s]; else the tables' own clocks are used
    motion_at_s : when the motion began, after the first table's time 0 [s]; this becomes the trace's time 0
    scale : the name of the mass channel, where there are several
    room : the name of the temperature channel that read the room; else one whose name says so

    Raises
    ------
    TableRefused
        Where tables have no common clock, no temperature and no mass is there, or several masses are.
    """
    if not tables:
        raise TableRefused("there is no table to make a trace of")
    begins = _begins(tables) if starts_s is None else [float(s) - float(starts_s[0]) for s in starts_s]
    if len(begins) != len(tables):
        raise TableRefused(
            f"{len(begins)} starts were given for {len(tables)} tables", cure="Give one for each"
        )
    placed = [
        (c, c.time_s + b - motion_at_s) for t, b in zip(tables, begins, strict=True) for c in t.channels
    ]
    temperatures = [p for p in placed if p[0].role is Role.TEMPERATURE]
    masses = [p for p in placed if p[0].role is Role.MASS and scale in (None, p[0].name)]
    masses = [p for p in masses if p[0].use is Use.SCALE] or masses
    if len(masses) > 1 or (scale is not None and not masses):
        names = ", ".join(repr(c.name) for c, _ in placed if c.role is Role.MASS)
        raise TableRefused(
            f"the mass channel is open: {names or 'there is none'}", cure="Pass scale with its name"
        )
    rooms = [p for p in temperatures if _reads_room(p[0], room)][:1]
    probes = [p for p in temperatures if p not in rooms]
    if room is not None and not rooms:
        raise TableRefused(f"there is no temperature channel {room!r}", tables[0].file)
    if not probes and not masses:
        raise TableRefused(
            "no channel is a temperature or a mass", tables[0].file, cure="Pass columns={header: '°C'} or 'g'"
        )
    cadences = [p for p in placed if p[0].role is Role.FREQUENCY]
    cadences = ([p for p in cadences if p[0].use is Use.CADENCE] or cadences)[:1]
    time_s = np.unique(np.concatenate([t for _, t in (*probes, *masses, *rooms, *cadences)]))
    return Trace(
        time_s,
        {name: _on(time_s, p) for name, p in _named(probes).items()},
        scale_g=_on(time_s, masses[0]) if masses else None,
        room_c=_on(time_s, rooms[0]) if rooms else None,
        cadence_hz=_on(time_s, cadences[0]) if cadences else None,
    )


def _reads_room(channel: Channel, room: str | None) -> bool:
    """Whether a temperature is the room's: as told, else by its name."""
    if room is not None:
        return channel.name == room
    return channel.use is Use.ROOM if channel.use is not None else has_word(channel.name, ROOM)


_Placed = tuple[Channel, FloatArray]


def _begins(tables: Sequence[Table]) -> list[float]:
    """When each table began, after the first one's start [s], by dates, else by the time of day."""
    first = tables[0]
    begins = [0.0]
    for table in tables[1:]:
        if first.started_at is not None and table.started_at is not None:
            if (first.started_at.tzinfo is None) != (table.started_at.tzinfo is None):
                raise TableRefused(
                    "one clock has an offset from UTC, the other has none", table.file, cure="Pass starts_s"
                )
            begins.append((table.started_at - first.started_at).total_seconds())
        elif first.clock_s is not None and table.clock_s is not None:
            apart = table.clock_s - first.clock_s
            begins.append((apart + DAY_S / 2) % DAY_S - DAY_S / 2)  # midnight may lie between
        else:
            raise NoCommonClock(
                f"{first.file} and {table.file} have no common clock",
                table.file,
                cure="Pass starts_s, when each table began [s]",
            )
    return begins


def _named(probes: Sequence[_Placed]) -> Mapping[str, _Placed]:
    """Probes by name, made different where names repeat; a single one is the plain probe, named ''."""
    if len(probes) == 1:
        return {"": probes[0]}
    named: dict[str, _Placed] = {}
    for probe in probes:
        name, n = probe[0].name, 2
        while name in named:
            name, n = f"{probe[0].name} ({n})", n + 1
        named[name] = probe
    return named


def _on(time_s: FloatArray, placed: _Placed) -> FloatArray:
    """A channel's values at its own times among `time_s`, NaN at the others; both of shape (samples,)."""
    channel, own_s = placed
    out = np.full(len(time_s), np.nan)
    out[np.searchsorted(time_s, own_s)] = channel.value
    return out
