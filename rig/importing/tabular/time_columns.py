"""Which columns hold the time; where two readings are possible, a question."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from rig.arrays import FloatArray
from rig.importing.tabular.cells import Kind, shown
from rig.importing.tabular.columns import Column, Content
from rig.importing.tabular.numeric_time import NumberTime, counts_from_1970, number_time
from rig.importing.tabular.preamble import interval_from
from rig.importing.tabular.profile import TableProfile
from rig.importing.tabular.questions import NO_TIME_CURE
from rig.importing.tabular.report import Log
from rig.importing.tabular.roles import measures
from rig.importing.tabular.side_by_side import CURVES_QUESTION, curves_cure, curves_of
from rig.importing.tabular.stamped_time import by_stamps, with_dates_carried, with_number_stamps
from rig.importing.tabular.stamps import DAY_S
from rig.importing.tabular.time_axis import UNIT_CURE, Search, TimeAxis, rises, say_unused, stated_start
from rig.importing.tabular.units_in_text import Role
from rig.importing.tabular.words import COUNTERS, DATE, ELAPSED, INDEX, TIME, has_word, words_of

_COUNTER_SIZES = (10.0, 100.0, 256.0, 1000.0, 10_000.0, 65_536.0)


def find_time(
    columns: Sequence[Column],
    preamble: Sequence[str],
    profile: TableProfile,
    file: str,
    log: Log,
) -> TimeAxis:
    """Find the time axis of a table: stamps, a clock, counted time, or an interval that is stated.

    Raises
    ------
    TableRefused
        Where there is no time, or where day and month, the unit, or the meaning of '14:02' stay open.
    """
    read = [with_dates_carried(with_number_stamps(c)) for c in columns]
    search = Search(read, preamble, profile, file, log)
    if profile.time_column is not None:
        return _told(search, profile.time_column)
    stamped = [c for c in search.columns if c.stamps is not None]
    dated = [c for c in stamped if c.stamps and c.stamps.has_date]
    clocks = [c for c in stamped if c.stamps and c.stamps.has_clock and not c.stamps.has_date]
    counted = _best_counted(search)
    by_stamp: TimeAxis | None = None
    if dated or clocks:
        by_stamp = by_stamps(search, dated, clocks, has_counted=counted is not None)
    if counted is not None and (by_stamp is None or _is_finer(*counted, by_stamp)):
        return _by_count(search, *counted, by_stamp)
    if by_stamp is not None:
        return by_stamp
    return _by_interval(search)


def column_named(columns: Sequence[Column], key: str) -> Column | None:
    """The column that a header, a name without unit, or a number from 1 names."""
    for column in columns:
        if key.strip().casefold() in (column.heading.text.casefold(), column.name.casefold()):
            return column
    number = int(key) - 1 if key.isdecimal() and len(key) < 5 else -1
    return next((c for c in columns if c.position == number), None)


def _told(search: Search, key: str) -> TimeAxis:
    column = column_named(search.columns, key)
    if column is None:
        names = ", ".join(shown(c.heading.text or str(c.position + 1)) for c in search.columns)
        raise search.refuse(f"there is no column {key!r}", f"Columns: {names}")
    if column.stamps is not None and column.stamps.has_date and not column.stamps.has_clock:
        clocks = [c for c in search.columns if c.stamps and c.stamps.has_clock and not c.stamps.has_date]
        return by_stamps(search, [column], clocks, has_counted=False)
    if column.stamps is not None:
        dated = [column] if column.stamps.has_date else []
        return by_stamps(search, dated, [] if dated else [column], has_counted=False)
    if column.content is not Content.NUMBER:
        raise search.refuse(
            f"column {column.name!r} holds no times", "Name another time_column, or give interval_s"
        )
    counted = number_time(column, search.profile.time_unit, is_told=True)
    if isinstance(counted, str):
        raise search.refuse(counted, UNIT_CURE)
    return _by_count(search, column, counted, None)


def _best_counted(search: Search) -> tuple[Column, NumberTime] | None:
    """The numbers that count time: by their unit, by their header, or as the first, rising, unnamed ones."""
    numbers = [c for c in search.columns if c.content is Content.NUMBER]
    by_unit = [c for c in numbers if c.unit is not None and c.unit.role is Role.TIME]
    by_name = [c for c in numbers if c.unit is None and (_names_time(c) or counts_from_1970(c.value))]
    has_stamps = any(c.stamps is not None for c in search.columns)
    question: str | None = None
    for column in (*by_unit, *by_name):
        found = number_time(column, search.profile.time_unit, is_told=False)
        if isinstance(found, NumberTime):
            _refuse_second_clock(search, column, found, [c for c in by_unit if c is not column])
            return column, found
        question = question or found
    if question is not None and not has_stamps and stated_interval(search) is None:
        raise search.refuse(question, UNIT_CURE)
    first = numbers[0] if numbers else None
    if first is None or has_stamps or first.unit is not None or has_word(first.heading.text, INDEX):
        return None
    if first.heading.text and not _names_nothing(first):
        return None
    if stated_interval(search) is None and len(numbers) > 1 and rises(first.value):
        found = number_time(first, search.profile.time_unit, is_told=False)
        if isinstance(found, str):
            raise search.refuse(found, UNIT_CURE)
        return first, found
    return None


def _refuse_second_clock(search: Search, column: Column, found: NumberTime, others: Sequence[Column]) -> None:
    """Accept other times that run along with the chosen one; refuse where one is a time of its own."""
    for other in others:
        second = number_time(other, None, is_told=False)
        if not isinstance(second, NumberTime) or not rises(second.time_s):
            continue
        apart = second.time_s - found.time_s
        apart = apart[np.isfinite(apart)]
        span = float(np.nanmax(found.time_s) - np.nanmin(found.time_s))
        if len(apart) and (
            np.ptp(apart) > 0.02 * span or (apart[0] != 0 and other.position > column.position + 1)
        ):
            count = len(curves_of(search.columns))
            cure = curves_cure(count) if count else f"Name one of them: time_column={column.position + 1}"
            raise search.refuse(CURVES_QUESTION if count else "two columns keep times of their own", cure)
    say_unused(search, others)


def _names_time(column: Column) -> bool:
    text = column.heading.text
    if len(text) == 1:
        return text == "t" or (text == "T" and rises(column.value))
    if has_word(text, DATE) and not has_word(text, TIME - DATE):  # 'data' is a date, or just data
        return rises(column.value) or rises(column.value[::-1])
    return has_word(text, TIME)


def _names_nothing(column: Column) -> bool:
    return set(words_of(column.heading.text)) <= {"x", "unnamed", "value", "axis", "abscissa", "abszisse"}


def _is_finer(column: Column, counted: NumberTime, stamps: TimeAxis) -> bool:
    """Whether a column that surely counts time tells rows apart that the stamps do not."""
    if column.unit is None and not has_word(column.heading.text, ELAPSED | COUNTERS):
        return False
    if not rises(counted.time_s):
        return False
    fine, coarse = (len(np.unique(t[np.isfinite(t)])) for t in (counted.time_s, stamps.time_s))
    return fine > coarse


def _by_count(search: Search, column: Column, found: NumberTime, stamps: TimeAxis | None) -> TimeAxis:
    origin, has_zone = found.origin, found.has_zone
    if stamps is not None and stamps.origin is not None and stamps.tick_s >= DAY_S:
        search.log.note("the rows bear a date but no time of day: the moment of the start is not known")
    elif stamps is not None and stamps.origin is not None:
        both = np.isfinite(stamps.time_s) & np.isfinite(found.time_s)
        if both.any():
            at = int(np.argmax(both))
            origin = stamps.origin + timedelta(seconds=float(stamps.time_s[at] - found.time_s[at]))
            has_zone = stamps.has_zone
        search.log.note(
            "the seconds were taken from the counted time, the moment of the start from the stamps"
        )
    elif origin is None:
        origin = stated_start(search, found.time_s)
    search.log.column(column.position, column.heading.text, "time", found.why)
    return TimeAxis(
        found.time_s,
        frozenset({column.position}) | (stamps.used if stamps else frozenset()),
        origin,
        has_zone,
        wraps_s=found.wraps_s,
        may_restart=found.origin is None,
        tick_s=found.tick_s,
        profile=TableProfile(time_unit=found.unit),
    )


def stated_interval(search: Search) -> tuple[float, str] | None:
    """The seconds between rows that were told or stand above the table, and where."""
    if search.profile.interval_s is not None:
        return search.profile.interval_s, "interval_s was given"
    return interval_from(search.preamble)


def _by_interval(search: Search) -> TimeAxis:
    interval = stated_interval(search)
    index = next((c for c in search.columns if _is_index(c)), None)
    if interval is None:
        hint = f"; column {index.name!r} only numbers the rows" if index else ""
        raise search.refuse(
            f"no column holds a time{hint}",
            NO_TIME_CURE,
        )
    step_s, why = interval
    filled = np.zeros(len(search.columns[0].value), dtype=np.bool_)
    for column in search.columns:
        filled |= np.isfinite(column.value) | column.rows_of(Kind.OVERLOAD) | column.rows_of(Kind.MISSING)
    if index is not None:
        count = _carried_over(index.value - np.nanmin(index.value))
        search.log.column(
            index.position, index.heading.text, "sample number", f"one every {step_s:g} s ({why})"
        )
    else:
        count = np.where(filled, np.cumsum(filled) - 1.0, np.nan)
        search.log.note(f"rows are {step_s:g} s apart ({why})")
    time_s = np.asarray(count * step_s, dtype=np.float64)
    used = frozenset() if index is None else frozenset({index.position})
    return TimeAxis(
        time_s,
        used,
        stated_start(search, time_s),
        may_restart=index is not None,
        profile=TableProfile(interval_s=step_s),
    )


def _carried_over(count: FloatArray) -> FloatArray:
    """A count whose last digits are all that is written ('8, 9, 0, 1'), counted on."""
    falls = np.flatnonzero(np.diff(count) < 0)
    top = float(np.nanmax(count)) + 1.0
    if len(falls) < 2 or top not in _COUNTER_SIZES or np.any(np.diff(count)[falls] != 1.0 - top):
        return count
    turns = np.concatenate(([0.0], np.cumsum(np.diff(count) < 0)))
    return np.asarray(count + top * turns, dtype=np.float64)


def _is_index(column: Column) -> bool:
    if column.content is not Content.NUMBER or column.unit is not None:
        return False
    value = column.value[np.isfinite(column.value)]
    whole = len(value) > 1 and bool(np.all(value == np.round(value)))
    if not whole:
        return False
    counts = float(np.mean(np.diff(value) == 1))
    named = has_word(column.heading.text, INDEX) or column.heading.text in ("", "#")
    return counts > 0.7 if named else counts == 1.0 and value[0] in (0, 1) and not measures(column.heading)
