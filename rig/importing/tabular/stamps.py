"""Dates and clock times: one text to its fields, and a whole column to seconds.

The order of day, month and year is never taken from one cell: a column's fields are kept as written and
judged together. General date parsers read '22.5' as the 22nd and '03/04/2026' as 4 March in silence.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np

from rig.arrays import BoolArray, FloatArray, IntArray
from rig.importing.tabular.words import MONTHS, WEEKDAYS, folded

DAY_S = 86400.0
HALF_DAY_H = 12
_MOST_HOURS = 9999  # of an elapsed time


class Order(StrEnum):
    """In which order a date's three numbers stand."""

    YEAR_MONTH_DAY = "ymd"
    DAY_MONTH_YEAR = "dmy"
    MONTH_DAY_YEAR = "mdy"


@dataclass(frozen=True)
class Stamp:
    """A stamp's fields as written; None where the stamp has none.

    `date` holds three numbers in written order; `order` says which is which, where known. `clock` is in
    seconds; of two parts the first is counted as hours, and `parts` is 2.
    """

    date: tuple[int, int, int] | None = None
    order: Order | None = None
    year_may_lead: bool = False
    clock: float | None = None
    parts: int = 0
    has_fraction: bool = False
    has_half_day: bool = False
    zone_s: float | None = None


_DATE = (
    r"(?P<a>\d{1,4})(?P<mark>[-/.])\s?(?P<b>\d{1,2})(?P=mark)\s?(?P<c>\d{4}|\d{1,2})\.?"
    r"|(?P<compact>(?:19|20)\d{6})"
)
_CLOCK = (
    r"(?P<h>\d{1,4})(?::(?P<m>\d{1,2})(?::(?P<s>\d{1,2}))?|h(?P<m2>\d{2})(?:m?(?P<s2>\d{2})s?)?|\.(?P<m3>\d{2})\.(?P<s3>\d{2}))"
    r"(?:[.,:](?P<f>\d{1,9}))?\s*(?P<half>[ap]m)?"
)
_COMPACT_CLOCK = r"(?P<hms>\d{6})(?:[.,](?P<hmsf>\d{1,9}))?"
_ZONE = r"\s*(?P<zone>z|utc|gmt|[+-]\d{2}:?\d{2}|[+-]\d{2})?"
_DATE_FIRST = re.compile(rf"(?:{_DATE})(?:[t ,;_\-]*(?:{_CLOCK})|[t ]{_COMPACT_CLOCK})?{_ZONE}")
_CLOCK_FIRST = re.compile(rf"(?:{_CLOCK}){_ZONE}(?:[ ,;]+(?:{_DATE}))?")
_LONG_COMPACT = re.compile(rf"(?P<compact>(?:19|20)\d{{6}}){_COMPACT_CLOCK}")
_HALF_DAY = re.compile(r"\b([ap])\s?\.?\s?m\b\.?")
_WORD = re.compile(r"[^\W\d_]+")
_LETTER, _DIGIT = re.compile(r"[^\W\d_]"), re.compile(r"\d")
_NAMED_DAY_FIRST = re.compile(
    r"(?P<d>\d{1,2})(?:st|nd|rd|th)?[-/. ]+(?:de )?m(?P<mon>\d+)m[-/., ]+(?:de )?(?P<y>\d{4}|\d{2})"
)
_NAMED_MONTH_FIRST = re.compile(r"m(?P<mon>\d+)m[-/. ]+(?P<d>\d{1,2})(?:st|nd|rd|th)?[-/., ]+(?P<y>\d{4})")
_NAMED_YEAR_FIRST = re.compile(r"(?P<y>\d{4})[-/. ]+m(?P<mon>\d+)m[-/. ]+(?P<d>\d{1,2})")
_NAMED_YEAR_LAST = re.compile(r"m(?P<mon>\d+)m +(?P<d>\d{1,2}) +(?P<clock>[\d:.]+) +(?P<y>\d{4})")
_FILLER = re.compile(r"(?<=[\d.])[\s,]+(?:klo|kl|um|at|a|à|alle|ore|om|o|kello|godz|g|v|в|στις)\.?\s+(?=\d)")
_TRAILER = re.compile(r"(?<=\d)\s+(?:uhr|hrs|hours|h|ч)\.?$")
_ELAPSED_DAYS = re.compile(r"(?P<days>\d{1,4})\s*(?:days?|d|tage?|jours?|giorni|dias?)[ ,]+(?P<rest>.+)")
_SHORTEST, LONGEST = 4, 48
_MOST_DATES = 0.8  # a damaged card spoils a few dates, a wrong order most


def stamp_from(text: str) -> Stamp | None:
    """The fields of a date, a clock time or both, or None where the text is neither."""
    if not _SHORTEST <= len(text) <= LONGEST or not _DIGIT.search(text):
        return None
    plain = text.strip('"[]() ').casefold().replace("\u202f", " ").replace("\u00a0", " ")
    if _LETTER.search(plain):
        if found := _ELAPSED_DAYS.fullmatch(plain):
            return _with_days(stamp_from(found["rest"]), int(found["days"]))
        plain = _without_words(_TRAILER.sub("", _FILLER.sub(" ", plain)))
    for pattern in (_DATE_FIRST, _CLOCK_FIRST, _LONG_COMPACT):
        if found := pattern.fullmatch(plain):
            return _stamp(found.groupdict())
    return None


def _with_days(clock: Stamp | None, days: int) -> Stamp | None:
    """Elapsed time written as '1 days 00:00:02.5': the days join the hours."""
    if clock is None or clock.clock is None or clock.date is not None or clock.parts != 3:
        return None
    return replace(clock, clock=clock.clock + days * DAY_S)


def _without_words(plain: str) -> str:
    """Month names to numbers in ISO order, week days dropped, 'a. m.' to 'am'."""
    plain = _HALF_DAY.sub(r"\1m", plain)
    plain = re.sub(r"(?<=\d)t(?=\d)", " ", plain)
    words = {w: folded(w) for w in _WORD.findall(plain)}
    if not any(f in MONTHS for f in words.values()):
        return plain
    marked = _WORD.sub(lambda w: f"m{MONTHS[f]}m" if (f := words[w[0]]) in MONTHS else w[0], plain)
    marked = " ".join(
        w for w in marked.split() if folded(w.strip(".,")) not in WEEKDAYS or (w[0] == "m" and w[-1] == "m")
    )
    marked = re.sub(r"m(\d+)m\.", r"m\1m", marked)
    marked = _NAMED_YEAR_LAST.sub(r"m\g<mon>m \g<d> \g<y> \g<clock>", marked)
    for pattern in (_NAMED_YEAR_FIRST, _NAMED_DAY_FIRST, _NAMED_MONTH_FIRST):
        if found := pattern.search(marked):
            year = int(found["y"]) + (2000 if len(found["y"]) == 2 else 0)
            iso = f"{year:04d}-{int(found['mon']):02d}-{int(found['d']):02d}"
            return marked[: found.start()] + iso + marked[found.end() :]
    return plain


def _stamp(part: dict[str, str | None]) -> Stamp | None:
    date, order = _date_fields(part)
    clock: float | None = None
    parts = 0
    fraction = part.get("f") or part.get("hmsf")
    if hms := part.get("hms"):
        hours, minutes, seconds, parts = int(hms[:2]), int(hms[2:4]), int(hms[4:]), 3
    else:
        second_text = part.get("s") or part.get("s2") or part.get("s3")
        minute_text = part.get("m") or part.get("m2") or part.get("m3")
        hours, minutes, seconds = int(part.get("h") or 0), int(minute_text or 0), int(second_text or 0)
        parts = 0 if minute_text is None else 3 if second_text else 2
    if parts:
        half = part.get("half")
        if not clock_exists(hours, minutes, seconds, date is not None, half is not None):
            return None
        if half:
            hours = hours % HALF_DAY_H + (HALF_DAY_H if half == "pm" else 0)
        tail = float(f"0.{fraction}") if fraction else 0.0
        clock = hours * 3600.0 + minutes * 60.0 + seconds + tail
    zone = part.get("zone")
    dashed = part.get("mark") == "-"
    return Stamp(date, order, dashed, clock, parts, bool(fraction), bool(part.get("half")), _zone_s(zone))


def clock_exists(hour: Any, minute: Any, second: Any, has_date: bool, has_half_day: bool) -> Any:
    """Whether a clock can show these numbers, alone or in arrays of one shape; elapsed hours may be many."""
    first, last = (1, HALF_DAY_H) if has_half_day else (0, 24 if has_date else _MOST_HOURS)
    return (minute <= 59) & (second <= 60) & (hour >= first) & (hour <= last)


def _date_fields(part: dict[str, str | None]) -> tuple[tuple[int, int, int] | None, Order | None]:
    if compact := part.get("compact"):
        return (int(compact[:4]), int(compact[4:6]), int(compact[6:])), Order.YEAR_MONTH_DAY
    a, b, c = part.get("a"), part.get("b"), part.get("c")
    if a is None or b is None or c is None:
        return None, None
    if "1899" in (a, c) or "1900" in (a, c):  # a spreadsheet's day 0 before a bare time of day
        return None, None
    date = int(a), int(b), int(c)
    if len(a) > 2:
        return date, Order.YEAR_MONTH_DAY
    # A date written with dots puts the day first wherever dots are used (common practice, no source).
    return date, Order.DAY_MONTH_YEAR if part.get("mark") == "." else None


def _zone_s(zone: str | None) -> float | None:
    if zone is None:
        return None
    if zone in ("z", "utc", "gmt"):
        return 0.0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    return (-1 if zone[0] == "-" else 1) * (int(digits[:2]) * 3600.0 + int(digits[2:]) * 60.0)


@dataclass(frozen=True, eq=False)
class Stamps:
    """A column's stamps, field by field; arrays of shape (rows,) but for `dates`, NaN or -1 where a row has none."""

    dates: IntArray  # the distinct dates, shape (dates, 3), as written
    date: IntArray  # which of them a row bears
    order: Order | None
    year_may_lead: bool
    clock_s: FloatArray
    parts: IntArray  # how many parts a row's clock is written in; 0 where there is none
    has_fraction: bool
    has_half_day: bool
    zone_s: FloatArray

    @property
    def has_date(self) -> bool:
        """True where most stamps carry a date."""
        return bool(np.mean(self.date >= 0) > 0.5) if len(self.date) else False

    @property
    def has_clock(self) -> bool:
        """True where most stamps carry a clock time."""
        return bool(np.mean(np.isfinite(self.clock_s)) > 0.5) if len(self.clock_s) else False

    @property
    def zone(self) -> float | None:
        """The first row's offset from UTC [s], or None."""
        known = self.zone_s[np.isfinite(self.zone_s)]
        return float(known[0]) if len(known) else None

    def days(self, order: Order) -> tuple[IntArray, BoolArray]:
        """Days since 1970 of each row's date in a given order, and whether it has one that exists."""
        days, exists = days_from(self.dates, order)
        return np.append(days, 0)[self.date], np.append(exists, False)[self.date]


def stamps_from(distinct: Sequence[Stamp | None], codes: IntArray) -> Stamps:
    """Spread the distinct stamps over the rows; `codes` has shape (rows,), -1 where a row has no stamp."""
    some = [s for s in distinct if s is not None]
    blank = Stamp()
    each = [s or blank for s in distinct] + [blank]  # the last one serves code -1
    orders = {s.order for s in some if s.date is not None}
    dates = {date: n for n, date in enumerate(dict.fromkeys(s.date for s in some if s.date is not None))}
    return Stamps(
        dates=np.array(list(dates), dtype=np.int64).reshape(-1, 3),
        date=np.array([-1 if s.date is None else dates[s.date] for s in each], dtype=np.int64)[codes],
        order=next(iter(orders)) if len(orders) == 1 else None,
        year_may_lead=any(s.year_may_lead for s in some),
        clock_s=np.array([np.nan if s.clock is None else s.clock for s in each])[codes],
        parts=np.array([s.parts for s in each], dtype=np.int64)[codes],
        has_fraction=any(s.has_fraction for s in some),
        has_half_day=any(s.has_half_day for s in some),
        zone_s=np.array([np.nan if s.zone_s is None else s.zone_s for s in each])[codes],
    )


def days_from(date: IntArray, order: Order) -> tuple[IntArray, BoolArray]:
    """Days since 1970 of dates of shape (dates, 3) in a given order, and where they exist in the calendar."""
    place = {"y": 0, "m": 1, "d": 2}
    columns: list[IntArray] = [date[:, 0]] * 3
    for position, letter in enumerate(order.value):
        columns[place[letter]] = date[:, position]
    year, month, day = columns
    year = np.where((year >= 0) & (year < 100), year + 2000, year)
    fits = (year >= 1970) & (year < 2100) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    months = np.where(fits, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    in_month = ((months + 1).astype("datetime64[D]") - months.astype("datetime64[D]")).astype(np.int64)
    days = months.astype("datetime64[D]").astype(np.int64) + np.where(fits, day - 1, 0)
    return np.where(fits, days, 0), fits & (day <= in_month)


def possible_orders(stamps: Stamps, day_first: bool | None) -> tuple[Order, ...]:
    """The orders under which every date of the column exists, and time moves in the smallest steps.

    Where midnight passes inside the file, the wrong order makes a leap of a month; that settles it.
    """
    if stamps.order is not None and (stamps.order is Order.YEAR_MONTH_DAY or day_first is None):
        candidates: tuple[Order, ...] = (stamps.order,)
    elif day_first is None:
        # With slashes the year leads only where neither other order exists (common practice, no source).
        candidates = (Order.DAY_MONTH_YEAR, Order.MONTH_DAY_YEAR)
        if stamps.year_may_lead or not _valid(stamps, candidates):
            candidates = tuple(Order)
    else:
        candidates = (Order.DAY_MONTH_YEAR,) if day_first else (Order.MONTH_DAY_YEAR, Order.YEAR_MONTH_DAY)
    valid = _valid(stamps, candidates)
    if len(valid) > 1:
        steps = {order: int(np.abs(np.diff(days)).max(initial=0)) for order, days in valid.items()}
        least = min(steps.values())
        if least <= 2 < max(steps.values()):
            return tuple(order for order, step in steps.items() if step <= 2)
    return tuple(valid)


def _valid(stamps: Stamps, candidates: Sequence[Order]) -> dict[Order, IntArray]:
    """The days by each order under which all dates exist, else by the one under which most do."""
    present = int(np.count_nonzero(stamps.date >= 0))
    read = {order: stamps.days(order) for order in candidates} if present else {}
    share = {order: np.count_nonzero(exists) / present for order, (_, exists) in read.items()}
    best = max(share.values(), default=0.0)
    if best < _MOST_DATES:
        return {}
    return {order: read[order][0][read[order][1]] for order, part in share.items() if part == best}
