"""A table's time axis, and the search for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.errors import TableRefused
from rig.importing.tabular.columns import Column
from rig.importing.tabular.preamble import start_from
from rig.importing.tabular.profile import TableProfile
from rig.importing.tabular.questions import Settles
from rig.importing.tabular.report import Log
from rig.importing.tabular.stamps import possible_orders, stamps_from

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
UNIT_CURE = Settles(
    "Pass time_unit: 's', 'ms', 'min', ..., or interval_s if it only numbers the rows",
    "time_unit",
    ("s", "ms", "min", "h", "us", "d"),
)


@dataclass(frozen=True, eq=False)
class TimeAxis:
    """Every row's time [s], NaN where a row has none, from a zero of its own.

    `origin` is the moment of that zero, where the file tells a date. `wraps_s` are the periods after which a
    clock or counter may start over; `tick_s` is the coarseness of a clock written without fractions, else 0.
    """

    time_s: FloatArray
    used: frozenset[int]
    origin: datetime | None = None
    has_zone: bool = False
    wraps_s: tuple[float, ...] = ()
    is_clock: bool = False
    may_restart: bool = False
    tick_s: float = 0.0
    profile: TableProfile = field(default_factory=TableProfile)

    def moment(self, at_s: float) -> datetime | None:
        """The moment at a time of this axis, or None where no date is known."""
        if self.origin is None:
            return None
        try:
            moment = self.origin + timedelta(seconds=at_s)
        except OverflowError:
            return None
        return moment if self.has_zone else moment.replace(tzinfo=None)


@dataclass(frozen=True, eq=False)
class Search:
    """The columns and answers among which the time is looked for."""

    columns: Sequence[Column]
    preamble: Sequence[str]
    profile: TableProfile
    file: str
    log: Log

    def refuse(self, reason: str, cure: str, at: BoolArray | None = None) -> TableRefused:
        """The refusal at the line of the first row, or of the first row of `at`, shape (rows,)."""
        row = int(np.argmax(at)) if at is not None else 0
        return TableRefused(reason, self.file, self.log.first_line + row, cure)


def say_unused(search: Search, columns: Sequence[Column]) -> None:
    """Report columns that hold a time as well."""
    for column in columns:
        search.log.column(
            column.position, column.heading.text, "another time, not used", "one time is enough"
        )


def rises(value: FloatArray) -> bool:
    """Whether numbers rise from row to row, but for a few."""
    finite = value[np.isfinite(value)]
    steps = np.diff(finite)
    return len(steps) > 0 and bool(np.mean(steps >= 0) > 0.9) and bool(finite[-1] != finite[0])


def stated_start(search: Search, time_s: FloatArray) -> datetime | None:
    """The moment of the time's zero, from a start with date and clock above the table."""
    start = start_from(search.preamble)
    if start is None or start.date is None or start.clock is None:
        return None
    one = stamps_from([start], np.zeros(1, dtype=np.int64))
    orders = possible_orders(one, search.profile.day_first)
    if len(orders) != 1:
        search.log.note("the start above the table was not used: its order of day and month is open")
        return None
    day = int(one.days(orders[0])[0][0])
    search.log.note("the moment of the start was taken from the lines above the table")
    return EPOCH + timedelta(days=day, seconds=start.clock)
