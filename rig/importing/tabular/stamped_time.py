"""The time by stamps: dates and clocks, in one column or two; clocks without a date; timers in mm:ss."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta, timezone

import numpy as np

from rig.arrays import FloatArray
from rig.importing.tabular.cells import Kind, shown
from rig.importing.tabular.columns import Column, Content
from rig.importing.tabular.numeric_time import SERIAL_FROM, SERIAL_TO, SERIAL_ZERO
from rig.importing.tabular.preamble import start_from
from rig.importing.tabular.profile import TableProfile, TimeUnit
from rig.importing.tabular.questions import DAY_CURE, PARTS_CURE
from rig.importing.tabular.stamps import (
    DAY_S,
    Order,
    Stamp,
    Stamps,
    possible_orders,
    stamp_from,
    stamps_from,
)
from rig.importing.tabular.time_axis import EPOCH, UNIT_CURE, Search, TimeAxis, say_unused
from rig.importing.tabular.units_in_text import TimeForm
from rig.importing.tabular.words import DATE, ELAPSED, TIME, has_word

_FEWEST_CARRIED = 3
_SAMPLE = 10_000  # rows that settle what a column of numbers is


def with_number_stamps(column: Column) -> Column:
    """A column of whole numbers such as 20260314 or, under a date's header, 46095 as a column of dates."""
    if column.content is not Content.NUMBER or column.heading.unit:
        return column
    value = column.value[:_SAMPLE][np.isfinite(column.value[:_SAMPLE])]
    if not len(value) or np.any(value != np.round(value)):
        return column
    low, high = float(value.min()), float(value.max())
    names_date = has_word(column.heading.text, DATE)
    is_stamp = low >= 19900101000000 and high <= 20991231235959
    is_date = low >= 19900101 and high <= 20991231 and (names_date or has_word(column.heading.text, TIME))
    if is_stamp or is_date:
        read = _compact_stamp
    elif low >= SERIAL_FROM and high <= SERIAL_TO and names_date:
        read = _serial_stamp
    else:
        return column
    distinct, code = np.unique(np.where(np.isfinite(column.value), column.value, -1.0), return_inverse=True)
    stamps = [read(int(v)) for v in distinct]
    if sum(s is not None for s in stamps) < 0.9 * len(stamps):
        return column
    return replace(column, content=Content.STAMP, stamps=stamps_from(stamps, code.astype(np.int64)))


def with_dates_carried(column: Column) -> Column:
    """A column of dates that are written only where they change, with each date carried down the rows below."""
    stamps = column.stamps
    if stamps is None or stamps.has_date or column.code is None or len(column.code) < _FEWEST_CARRIED:
        return column
    dated = stamps.date >= 0
    plain = np.isnan(stamps.clock_s[dated]).all() and np.all(
        column.rows_of(Kind.EMPTY) | (column.code < 0) | dated
    )
    if not dated.any() or int(np.argmax(dated)) > 1 or not plain:
        return column
    last = np.maximum.accumulate(np.where(dated, np.arange(len(dated)), -1))
    date = np.where(last >= 0, stamps.date[np.maximum(last, 0)], -1)
    return replace(column, stamps=replace(stamps, date=date))


def _compact_stamp(value: int) -> Stamp | None:
    return stamp_from(f"{value}") if value > 0 else None


def _serial_stamp(value: int) -> Stamp | None:
    if not SERIAL_FROM <= value <= SERIAL_TO:
        return None
    day = SERIAL_ZERO + timedelta(days=value)
    return Stamp((day.year, day.month, day.day), Order.YEAR_MONTH_DAY)


def by_stamps(
    search: Search, dated: Sequence[Column], clocks: Sequence[Column], *, has_counted: bool
) -> TimeAxis:
    """The axis of stamps with a date (with the clock beside them), else of the first clock.

    `has_counted` says that another column counts the time, so that dates alone will do.
    """
    log = search.log
    if not dated:
        column = clocks[0]
        assert column.stamps is not None
        say_unused(search, clocks[1:])
        return _clock_axis(search, column, column.stamps)
    column = dated[0]
    stamps = column.stamps
    assert stamps is not None
    used = {column.position}
    if (one_day := _one_open_day(search, column, stamps, clocks)) is not None:
        say_unused(search, [c for c in (*dated[1:], *clocks) if c.position not in one_day.used])
        return one_day
    order = _order(search, column, stamps)
    days, exists = stamps.days(order)
    has_own = stamps.has_clock and not (clocks and _stands_at_midnight(stamps))
    clock, clock_column = (stamps, column) if has_own else (None, None)
    if clock is None:
        clock, clock_column = _clock_beside(search, column, dated[1:], clocks)
        if clock is None and not has_counted:
            raise search.refuse("the rows bear a date but no time of day", UNIT_CURE)
    if clock is not None and clock_column is not None:
        used.add(clock_column.position)
        second, tick = _clock_seconds(search, clock_column, clock, with_date=True)
        zone = clock.zone_s if np.isfinite(clock.zone_s).any() else stamps.zone_s
    else:
        second, tick, zone = np.zeros(len(days)), DAY_S, stamps.zone_s
    first_day = int(days[exists][0]) if exists.any() else 0
    offset = np.where(np.isfinite(zone), zone, 0.0)
    time_s = np.where(exists, (days - first_day) * DAY_S + second - offset, np.nan)
    known_zone = clock.zone if clock is not None and clock.zone is not None else stamps.zone
    origin = EPOCH + timedelta(days=first_day)
    if known_zone is not None:
        try:
            origin = origin.astimezone(timezone(timedelta(seconds=known_zone)))
        except ValueError as e:
            raise search.refuse("the stamps' offset from UTC is a day or more", "Correct it") from e
    for position in sorted(used):
        text = search.columns[position].heading.text
        log.column(position, text, "date and time", f"stamps, read as {_spelled(order)}")
    say_unused(search, [c for c in (*dated[1:], *clocks) if c.position not in used])
    settled = (
        TableProfile(day_first=order is Order.DAY_MONTH_YEAR) if stamps.order is None else TableProfile()
    )
    return TimeAxis(
        time_s, frozenset(used), origin, known_zone is not None, tick_s=tick, profile=settled
    )  # fmt: skip


def _one_open_day(
    search: Search, column: Column, stamps: Stamps, clocks: Sequence[Column]
) -> TimeAxis | None:
    """The axis by the clock alone where all rows are of one day, whose order of day and month is open.

    Every time within the file is the same either way; only the date stays unknown.
    """
    told = search.profile.day_first
    orders = possible_orders(stamps, column.heading.day_first if told is None else told)
    if len(orders) < 2 or len(np.unique(stamps.date[stamps.date >= 0])) != 1:
        return None
    has_own = stamps.has_clock and not (clocks and _stands_at_midnight(stamps))
    clock = column if has_own else min(clocks, key=lambda c: abs(c.position - column.position), default=None)
    if clock is None or clock.stamps is None:
        return None
    second, tick = _clock_seconds(search, clock, clock.stamps, with_date=True)
    second = np.where(stamps.date >= 0, second, np.nan) if has_own else second
    used = frozenset({column.position, clock.position})
    for position in sorted(used):
        text = search.columns[position].heading.text
        search.log.column(position, text, "clock time", "stamps of one day, the day itself open")
    readings = " or ".join(_spelled(order) for order in orders)
    search.log.note(f"all rows are of one day, {readings}: its date is not known unless told, the times are")
    return TimeAxis(second, used, is_clock=True, tick_s=tick)


def _stands_at_midnight(stamps: Stamps) -> bool:
    """Whether every clock of a column says 00:00:00, as beside dates that have none of their own."""
    return not np.any(stamps.clock_s[np.isfinite(stamps.clock_s)])


def _spelled(order: Order) -> str:
    names = {"y": "year", "m": "month", "d": "day"}
    return "-".join(names[letter] for letter in order.value)


def _order(search: Search, column: Column, stamps: Stamps) -> Order:
    told = search.profile.day_first
    orders = possible_orders(stamps, column.heading.day_first if told is None else told)
    if len(orders) == 1:
        return orders[0]
    has = stamps.date >= 0
    first = column.text_at(int(np.argmax(has)))
    if not orders:
        raise search.refuse(
            f"the dates, such as {shown(first)}, do not exist in any order of day and month",
            "Check them" if search.profile.day_first is None else "Leave out day_first",
            has,
        )
    readings = " or ".join(_spelled(order) for order in orders)
    raise search.refuse(
        f"the order of day and month is open: {shown(first)} may be {readings}",
        DAY_CURE,
        has,
    )


def _clock_beside(
    search: Search, column: Column, dated: Sequence[Column], clocks: Sequence[Column]
) -> tuple[Stamps | None, Column | None]:
    """The clock that goes with dates: a column of clock times, of '10.15.30', or of day fractions."""
    if clocks:
        nearest = min(clocks, key=lambda c: abs(c.position - column.position))
        return nearest.stamps, nearest
    for other in dated:
        stamps = other.stamps
        if stamps is not None and not stamps.has_clock and other.position == column.position + 1:
            clock = np.append(stamps.dates @ np.array([3600.0, 60.0, 1.0]), np.nan)[stamps.date]
            return replace(stamps, clock_s=clock, parts=np.where(stamps.date >= 0, 3, 0)), other
    for other in search.columns:
        beside = other.position == column.position + 1 and other.content is Content.NUMBER
        beside = beside and other.unit is None and not has_word(other.heading.text, ELAPSED)
        value = other.value[np.isfinite(other.value)]
        if not beside or not len(value) or column.stamps is None:
            continue
        if value.min() >= 0 and value.max() < 1 and has_word(other.heading.text, TIME):
            clock = np.round(other.value * DAY_S, 3)
        elif value.max() < 240000 and np.all(value == np.round(value)) and has_word(other.heading.text, TIME):
            whole = np.nan_to_num(other.value).astype(np.int64)
            clock = whole // 10000 * 3600.0 + whole // 100 % 100 * 60.0 + whole % 100
            if np.any((whole // 100 % 100 > 59) | (whole % 100 > 59)):
                continue
            clock = np.where(np.isfinite(other.value), clock, np.nan)
        else:
            continue
        parts = np.where(np.isfinite(clock), 3, 0)
        fraction = bool(np.any(value != np.round(value)))
        return replace(column.stamps, clock_s=clock, parts=parts, has_fraction=fraction), other
    return None, None


def _clock_axis(search: Search, column: Column, stamps: Stamps) -> TimeAxis:
    second, tick = _clock_seconds(search, column, stamps, with_date=False)
    is_timer = _is_minutes_seconds(search, column, stamps)
    wraps: tuple[float, ...] = (3600.0,) if is_timer else (DAY_S,)
    finite = second[np.isfinite(second)]
    if (
        not is_timer
        and not stamps.has_half_day
        and len(finite)
        and finite.min() >= 3600
        and finite.max() < 46800
    ):
        wraps = (DAY_S, DAY_S / 2)
    origin = None
    start = start_from(search.preamble)
    elapsed = is_timer or has_word(column.heading.text, ELAPSED) or bool(len(finite) and finite[0] == 0)
    if start is not None and start.date is not None:
        one = stamps_from([start], np.zeros(1, dtype=np.int64))
        orders = possible_orders(one, search.profile.day_first)
        if len(orders) == 1:
            day = int(one.days(orders[0])[0][0])
            begun = (start.clock or 0.0) - float(finite[0]) if elapsed and len(finite) else 0.0
            origin = EPOCH + timedelta(days=day, seconds=begun)
            search.log.note("the date was taken from the lines above the table")
        else:
            search.log.note("the date above the table was not used: its order of day and month is open")
    what = "minutes and seconds" if is_timer else "clock time"
    search.log.column(column.position, column.heading.text, what, "stamps without a date")
    return TimeAxis(
        second,
        frozenset({column.position}),
        origin,
        wraps_s=wraps,
        is_clock=not elapsed,
        may_restart=elapsed,
        tick_s=tick,
        profile=TableProfile(time_unit=TimeUnit.MINUTES_SECONDS) if is_timer else TableProfile(),
    )


def _clock_seconds(
    search: Search, column: Column, stamps: Stamps, *, with_date: bool
) -> tuple[FloatArray, float]:
    """Seconds of each row's clock, and its tick (0 where fractions are written)."""
    two = stamps.parts == 2
    second = stamps.clock_s
    if not two.any():
        return second, 0.0 if stamps.has_fraction else 1.0
    if with_date or not _is_minutes_seconds(search, column, stamps):
        return second, 60.0 if two.all() else 1.0
    part = np.mod(second, 60.0)
    return np.where(two, (second - part) / 60.0 + part, second), 0.0 if stamps.has_fraction else 1.0


def _is_minutes_seconds(search: Search, column: Column, stamps: Stamps) -> bool:
    """Whether '05:10' means 5 min 10 s; asks where nothing tells."""
    two = stamps.parts == 2
    if not two.any() or stamps.has_half_day:
        return False
    told = search.profile.time_unit
    if told in (TimeUnit.MINUTES_SECONDS, TimeUnit.HOURS_MINUTES):
        return told is TimeUnit.MINUTES_SECONDS
    if column.heading.form is not None:
        return column.heading.form is TimeForm.MINUTES_SECONDS
    first = stamps.clock_s[two]
    if stamps.has_fraction or not two.all() or first.max() >= DAY_S or has_word(column.heading.text, ELAPSED):
        return True
    if first[0] == 0:
        search.log.note("the times begin at 00:00 and were taken for minutes and seconds of a timer")
        return True
    first_text = shown(column.text_at(int(np.argmax(two))))
    raise search.refuse(
        f"{first_text} may be hours and minutes or minutes and seconds (hh:mm or mm:ss)",
        PARTS_CURE,
        two,
    )
