"""Columns of numbers that count time: elapsed units, counters, seconds since 1970, serial days."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from rig.arrays import FloatArray
from rig.importing.tabular.columns import Column
from rig.importing.tabular.profile import TimeUnit
from rig.importing.tabular.stamps import DAY_S
from rig.importing.tabular.units_in_text import Role
from rig.importing.tabular.words import words_of

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
SERIAL_ZERO = datetime(1899, 12, 30, tzinfo=UTC)
"""Day 0 of spreadsheets: with it serial 61 is 1 March 1900, as in ECMA-376 part 1, 18.17.4 (from memory)."""

_EPOCH_WINDOWS = (
    (1.0, TimeUnit.EPOCH_SECONDS),
    (1e3, TimeUnit.EPOCH_MILLISECONDS),
    (1e6, TimeUnit.MICROSECONDS),
    (1e9, None),
)
_EPOCH_FROM, _EPOCH_TO = 9.4e8, 2.3e9  # late 1999 to 2042
SERIAL_FROM, SERIAL_TO = 36526.0, 73050.0  # 2000 to 2099
_SECONDS = {
    TimeUnit.MICROSECONDS: 1e-6,
    TimeUnit.MILLISECONDS: 1e-3,
    TimeUnit.SECONDS: 1.0,
    TimeUnit.MINUTES: 60.0,
    TimeUnit.HOURS: 3600.0,
    TimeUnit.DAYS: DAY_S,
}
_BY_SYMBOL = {
    "µs": TimeUnit.MICROSECONDS,
    "ms": TimeUnit.MILLISECONDS,
    "s": TimeUnit.SECONDS,
    "min": TimeUnit.MINUTES,
    "h": TimeUnit.HOURS,
    "d": TimeUnit.DAYS,
}
_BY_WORD = {"millis": TimeUnit.MILLISECONDS, "ms": TimeUnit.MILLISECONDS, "micros": TimeUnit.MICROSECONDS}
_COARSE_STEP = 20.0
_SAMPLE = 50_000  # rows that settle what a column counts


@dataclass(frozen=True, eq=False)
class NumberTime:
    """Counted time [s] of every row from its own zero; the moment of that zero where it is known."""

    time_s: FloatArray
    unit: TimeUnit
    why: str
    origin: datetime | None = None
    has_zone: bool = False
    wraps_s: tuple[float, ...] = ()
    tick_s: float = 0.0


def counts_from_1970(value: FloatArray) -> bool:
    """Whether numbers can only be moments since 1970: in that window, in s, ms, µs or ns, and rising."""
    finite = value[:_SAMPLE][np.isfinite(value[:_SAMPLE])]
    if len(finite) < 2 or np.mean(np.diff(finite) >= 0) < 0.9 or finite[-1] == finite[0]:
        return False
    return any(
        np.mean((finite / scale >= _EPOCH_FROM) & (finite / scale <= _EPOCH_TO)) > 0.9
        for scale, _ in _EPOCH_WINDOWS
    )


def number_time(column: Column, told: TimeUnit | None, *, is_told: bool) -> NumberTime | str:
    """The seconds a column counts, or the question it leaves open."""
    value = column.value
    finite = value[:_SAMPLE][np.isfinite(value[:_SAMPLE])]
    if len(finite) < 2:
        return f"the unit of {column.name!r} is open: it holds fewer than two times"
    whole = bool(np.all(finite == np.round(finite)))
    if told in (TimeUnit.EPOCH_SECONDS, TimeUnit.EPOCH_MILLISECONDS):
        return _since_1970(value, 1.0 if told is TimeUnit.EPOCH_SECONDS else 1e3, told, "the unit was given")
    if told is TimeUnit.SERIAL_DAYS:
        return _serial_days(value, "the unit was given")
    if told in _SECONDS:
        return _elapsed(column, told, whole, "the unit was given")
    symbol = column.unit.symbol if column.unit and column.unit.role is Role.TIME else None
    for scale, unit in _EPOCH_WINDOWS if finite.max() >= _EPOCH_FROM else ():
        fits = (finite / scale >= _EPOCH_FROM) & (finite / scale <= _EPOCH_TO)
        if np.mean(fits) > 0.9 and symbol in (None, _EPOCH_SYMBOLS[scale]):
            return _since_1970(value, scale, unit or TimeUnit.MICROSECONDS, "counts from 1970")
    if symbol is not None:
        where = "header" if column.heading.unit else "cells"
        return _elapsed(
            column,
            _BY_SYMBOL[symbol],
            whole,
            f"its {where} {'says' if where == 'header' else 'say'} {symbol}",
        )
    steps = np.abs(np.diff(finite))
    step = float(np.median(steps[steps > 0])) if np.any(steps > 0) else 0.0
    if finite.min() >= SERIAL_FROM and finite.max() <= SERIAL_TO and 0 < step < 0.05 and not whole:
        return _serial_days(value, "a spreadsheet's serial days by their size and step")
    for word in words_of(column.heading.text):
        if word in _BY_WORD:
            return _elapsed(column, _BY_WORD[word], whole, f"its header says {word}")
    if step >= _COARSE_STEP:
        return f"the unit of {column.name!r} is open: steps of {step:g} may be milliseconds or seconds"
    if whole and not column.heading.text and not is_told:
        return "the first column, without a header, may be seconds or only number the rows: its unit is open"
    return _elapsed(
        column, TimeUnit.SECONDS, whole, f"no unit given; steps of {step:g} were taken for seconds"
    )


_EPOCH_SYMBOLS = {1.0: "s", 1e3: "ms", 1e6: "µs", 1e9: "ns"}


def _since_1970(value: FloatArray, scale: float, unit: TimeUnit, why: str) -> NumberTime:
    value = np.where((value / scale >= _EPOCH_FROM) & (value / scale <= _EPOCH_TO), value, np.nan)
    first = float(np.floor(np.nanmin(value) / scale))
    time_s = (value - first * scale) / scale
    tick = 1.0 if scale == 1.0 and not np.any(np.mod(time_s[np.isfinite(time_s)], 1.0)) else 0.0
    return NumberTime(time_s, unit, why, _EPOCH + timedelta(seconds=first), has_zone=True, tick_s=tick)


def _serial_days(value: FloatArray, why: str) -> NumberTime:
    first = float(np.floor(np.nanmin(value)))
    # Nine decimals of a day are 0.1 ms, so what lies below a millisecond is rounding.
    time_s = np.round((value - first) * DAY_S, 3)
    return NumberTime(time_s, TimeUnit.SERIAL_DAYS, why, SERIAL_ZERO + timedelta(days=first))


def _elapsed(column: Column, unit: TimeUnit, whole: bool, why: str) -> NumberTime:
    factor = _SECONDS[unit]
    if column.cell_unit(slice(None)) is None:
        time_s = column.value * factor
    else:
        time_s = column.inside(np.arange(len(column.value)), column.unit)
    wraps: tuple[float, ...] = ()
    if unit in (TimeUnit.MILLISECONDS, TimeUnit.MICROSECONDS):
        wraps = (2**16 * factor, 2**32 * factor)
    elif unit is TimeUnit.SECONDS:
        wraps = (2**32 * 1e-3, 2**32 * 1e-6)
    tick = factor if whole and unit in (TimeUnit.SECONDS, TimeUnit.MINUTES) else 0.0
    return NumberTime(np.asarray(time_s, dtype=np.float64), unit, why, wraps_s=wraps, tick_s=tick)
