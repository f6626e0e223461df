"""From columns to groups of series: which columns are channels, and what each measures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from rig.arrays import BoolArray, FloatArray, IntArray
from rig.errors import TableRefused
from rig.importing.tabular.assembly import Group, Series
from rig.importing.tabular.by_shape import falls_as_a_drink_on_ice
from rig.importing.tabular.columns import Column, Content
from rig.importing.tabular.long_tables import LongTable, find_long
from rig.importing.tabular.profile import TableProfile, Use
from rig.importing.tabular.questions import DECIMAL_CURE
from rig.importing.tabular.report import Log
from rig.importing.tabular.roles import IGNORED, Measure, measure_of, measure_told, measures
from rig.importing.tabular.time_axis import TimeAxis
from rig.importing.tabular.time_columns import column_named
from rig.importing.tabular.units_in_text import CELSIUS, Heading, Role, Unit, heading_from
from rig.importing.tabular.words import INDEX, has_word

_QUANTITY: Mapping[Use | None, str] = {
    Use.PROBE: Role.TEMPERATURE.value,
    Use.ROOM: Role.TEMPERATURE.value,
    Use.SCALE: Role.MASS.value,
    Use.CADENCE: Role.FREQUENCY.value,
}
_FEWEST_COUNTED = 5
_OPEN_DECIMAL_IS_SETTLED_BY = ("kg", "lb", "oz")


@dataclass(frozen=True, eq=False)
class Measuring:
    """What is known when columns become channels."""

    columns: Sequence[Column]
    axis: TimeAxis
    profile: TableProfile
    stated: Mapping[Role, Unit]
    open_columns: tuple[int, ...]
    file: str
    log: Log


def groups_of(m: Measuring, valid: BoolArray) -> list[Group]:
    """The channels' series: one group for a wide table, one a channel for a long one; empty where none is.

    Raises
    ------
    TableRefused
        Where a unit is open, or a decimal comma may as well mark thousands.
    """
    for key in (*m.profile.columns, *m.profile.uses):
        if column_named(m.columns, key) is None and not _is_label(m.columns, key):
            raise TableRefused(
                f"there is no column {key!r}", m.file, cure="Give a header or a column number from 1"
            )
    unspoken = [
        c for c in m.columns if c.position not in m.log.columns
    ]  # signs, units and labels are spoken for
    long = find_long(unspoken, m.axis, valid)
    groups = _long_groups(m, long, valid) if long else _wide_group(m, valid)
    return [g for g in groups if len(g.rows) and g.series]


def _is_label(columns: Sequence[Column], key: str) -> bool:
    return any(key in c.texts or any(key == heading_from(t).name for t in c.texts[:64]) for c in columns)


Told = TypeVar("Told", bound=str)


def _of(table: Mapping[str, Told], heading: Heading, position: int | None) -> Told | None:
    """What a table of answers says of a column, by its header, its name or its number."""
    for key, told in table.items():
        named = key.strip().casefold() in (heading.text.casefold(), heading.name.casefold())
        if named or (position is not None and key == str(position + 1)):
            return told
    return None


def _told(m: Measuring, heading: Heading, position: int | None) -> tuple[str | None, Use | None]:
    """What a person said a column measures, and what it is used for, which tells its quantity as well."""
    use = _of(m.profile.uses, heading, position)
    return IGNORED if use is Use.IGNORE else _of(m.profile.columns, heading, position) or _QUANTITY.get(
        use
    ), use


def _wide_group(m: Measuring, valid: BoolArray) -> list[Group]:
    rows = np.flatnonzero(valid)
    series = []
    names: Counter[str] = Counter()
    lettered = _lettered(m.columns)
    for column in m.columns:
        if column.position in m.axis.used or column.position in m.log.columns:
            continue
        text = column.heading.text
        told, use = _told(m, column.heading, column.position)
        if told == IGNORED:
            m.log.column(column.position, text, "ignored", "told to be ignored")
        elif column.content is Content.NUMBER and (told is not None or not _numbers_rows(column)):
            if not np.isfinite(column.at(rows)).any():
                m.log.column(
                    column.position, text, "empty, not used", "no row with a time holds a number in it"
                )
                continue
            heading = replace(column.heading, name=text, unit=None) if text in lettered else column.heading
            measure, inside = _measured(m, column, heading, rows, None, told)
            names[heading.name] += 1
            name = heading.name or f"column {column.position + 1}"
            name = name if names[heading.name] == 1 or not heading.name else f"{name} ({names[heading.name]})"
            m.log.column(column.position, text, _spelled(measure), measure.why)
            column.log_left_out(rows, m.log)
            series.append(Series(name, measure, column.at(rows), inside, use))
        else:
            what = {Content.NUMBER: "row number", Content.EMPTY: "empty"}.get(column.content, "text")
            m.log.column(column.position, text, f"{what}, not used", "it holds no readings")
    return [Group(rows, tuple(series))]


def _long_groups(m: Measuring, long: LongTable, valid: BoolArray) -> list[Group]:
    m.log.column(long.channel.position, long.channel.heading.text, "channel", "each row names its channel")
    if long.unit is not None:
        m.log.column(long.unit.position, long.unit.heading.text, "unit", "each row gives its unit")
    groups = []
    found = []
    for code, label in enumerate(long.names):
        rows = np.flatnonzero((long.code == code) & valid)
        heading = heading_from(label)
        if heading.unit is None and long.value.heading.unit is not None:
            heading = replace(heading, unit=long.value.heading.unit)
        told, use = _told(m, heading, None)
        if told is None:
            told, use = _told(m, long.value.heading, long.value.position)
        if told == IGNORED or not np.isfinite(long.value.value[rows]).any():
            m.log.note(
                f"channel {label!r} was left out: {'told to be ignored' if told else 'it holds no number'}"
            )
            continue
        if heading.unit is None and len(long.names) == 1:
            heading = replace(long.value.heading, name=heading.name)
        measure, inside = _measured(m, long.value, heading, rows, long.unit_of(rows), told)
        long.value.log_left_out(rows, m.log)
        found.append(f"{heading.name}: {_spelled(measure)}, {measure.why}")
        groups.append(Group(rows, (Series(heading.name, measure, long.value.value[rows], inside, use),)))
    m.log.column(long.value.position, long.value.heading.text, "values", "; ".join(found))
    for column in m.columns:
        if column.position not in m.log.columns and column.position not in m.axis.used:
            m.log.column(
                column.position, column.heading.text, "not used", "a long table has one column of values"
            )
    return groups


def _measured(
    m: Measuring, column: Column, heading: Heading, rows: IntArray, unit: Unit | None, told: str | None
) -> tuple[Measure, FloatArray]:
    """What a column's rows measure, and their values in the unit inside."""
    value = column.at(rows)
    cell_unit = unit or column.cell_unit(rows)
    if told is not None:
        measure = measure_told(told, heading, cell_unit, m.file)
    else:
        measure = measure_of(heading, cell_unit, _sample(value), m.stated, m.file)
        if measure.role is Role.UNKNOWN and measure.unit is None and _says_nothing(m):
            measure = _by_shape(m, measure, rows, value)
    if column.position in m.open_columns:
        _settle_decimal(m, column, measure)
    return measure, column.inside(rows, measure.unit)


def _says_nothing(m: Measuring) -> bool:
    """Whether no header, unit or line above the table says what anything is."""
    return not m.stated and all(not c.heading.text and c.unit is None for c in m.columns)


def _by_shape(m: Measuring, unknown: Measure, rows: IntArray, value: FloatArray) -> Measure:
    """A temperature where readings that nothing names can be nothing else."""
    if not falls_as_a_drink_on_ice(m.axis.time_s[rows], value):
        return unknown
    first, last = value[np.isfinite(value)][[0, -1]]
    return Measure(
        Role.TEMPERATURE, CELSIUS, f"it falls from {first:.3g} to {last:.3g} as a drink on ice in °C"
    )


def _sample(value: FloatArray) -> FloatArray:
    """Up to some ten thousand finite values from all over a column."""
    thin = value[:: max(1, len(value) // 10_000)]
    return thin[np.isfinite(thin)]


def _settle_decimal(m: Measuring, column: Column, measure: Measure) -> None:
    """Take '1,234' for 1.234 where 1234 could not be; else ask."""
    settled = measure.role in (Role.TEMPERATURE, Role.DEW_POINT, Role.HUMIDITY, Role.SET_POINT)
    by_unit = measure.unit is not None and measure.unit.symbol in _OPEN_DECIMAL_IS_SETTLED_BY
    if settled or by_unit:
        m.log.note(
            f"in {column.name!r} the comma was taken for a decimal mark: as thousands the values cannot be"
        )
        return
    raise TableRefused(
        f"the commas in column {column.name!r} may mark decimals or thousands: all stand before three digits",
        m.file,
        m.log.first_line,
        DECIMAL_CURE,
    )


def _numbers_rows(column: Column) -> bool:
    """Whether a column only numbers the rows: by its header, or as it counts from 0 or 1 and names nothing."""
    if column.unit is not None:
        return False
    text = column.heading.text
    value = column.value[np.isfinite(column.value)]
    counts = float(np.mean(np.diff(value) == 1)) if len(value) > 1 else 1.0
    if has_word(text, INDEX) or text == "#":
        return counts > 0.5
    fewest = _FEWEST_COUNTED if text else 2
    return counts > 0.9 and len(value) >= fewest and value[0] in (0, 1) and not measures(column.heading)


def _lettered(columns: Sequence[Column]) -> frozenset[str]:
    """Headers such as 'Probe C' that stand beside 'Probe A' and 'Probe B': the letter is no unit."""
    stems: dict[str, list[str]] = {}
    for column in columns:
        text = column.heading.text
        if len(text) > 2 and text[-1].isupper() and text[-2] in " _":
            stems.setdefault(text[:-2], []).append(text)
    siblings = [texts for texts in stems.values() if len({t[-1] for t in texts}) > 1]
    return frozenset(t for texts in siblings for t in texts if {x[-1] for x in texts} - set("CFKgsV"))


def _spelled(measure: Measure) -> str:
    unit = measure.unit.symbol if measure.unit else measure.inside
    return f"{measure.role.value}{f' in {unit}' if unit else ''}"
