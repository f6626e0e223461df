"""What the lines above a table say for all of it: the interval, the start, the units."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rig.importing.tabular.stamps import Stamp, stamp_from
from rig.importing.tabular.units_in_text import Role, Unit, unit_from
from rig.importing.tabular.words import INTERVAL, START, TAKING, UNIT, has_word, words_of

_AMOUNT = re.compile(r"(?<![\d:])(?<!\d[.,])(\d+(?:[.,]\d+)?)\s*([^\W\d_]+(?:/[^\W\d_]+)?)?")
_PER = re.compile(
    r"(\d+(?:[.,]\d+)?)\s*(?:[^\W\d_]+\s*)?(?:/|\b(?:per|pro|par|por|al|je|na|per)\b)\s*([^\W\d_]+)",
    re.IGNORECASE,
)
_CLOCK = re.compile(r"(?<!\d)(\d{1,2}):(\d{2}):(\d{2})(?:[.,](\d+))?(?!\d)")
_STAMP_PIECE = re.compile(r"[:=;,\t]\s*|\s{2,}|\s")


def interval_from(preamble: Sequence[str]) -> tuple[float, str] | None:
    """The seconds between rows that a line states ('Interval: 200 ms', 'Rate 5 Hz'), and that line."""
    for line in preamble:
        if not (has_word(line, INTERVAL) or _only_says_how_often(line)):
            continue
        if (rate := _rate_in(line)) is not None:
            return 1.0 / rate, line.strip()
        for amount, token in _AMOUNT.findall(line):
            unit = unit_from(token) if token else _unit_in(line)
            value = float(amount.replace(",", "."))
            if unit is None or value <= 0:
                continue
            if unit.role is Role.TIME:
                return value * unit.factor, line.strip()
            if unit.role is Role.FREQUENCY:
                return 1.0 / (value * unit.factor), line.strip()
        if clock := _CLOCK.search(line):
            hours, minutes, seconds, part = clock.groups()
            interval = int(hours) * 3600 + int(minutes) * 60 + int(seconds) + float(f"0.{part or 0}")
            if interval > 0:
                return interval, line.strip()
    return None


def _rate_in(line: str) -> float | None:
    """Readings a second, of a line such as '120/min' or '5 readings per second'."""
    for amount, token in _PER.findall(line):
        unit, value = unit_from(token), float(amount.replace(",", "."))
        if unit is not None and unit.role is Role.TIME and value > 0:
            return value / unit.factor
    return None


def _only_says_how_often(line: str) -> bool:
    """Whether a line is nothing but a word for taking readings and one time, as 'Sample 2 s' is."""
    said = set(words_of(line))
    amounts = _AMOUNT.findall(line)
    timed = [unit for _, token in amounts if token and (unit := unit_from(token)) and unit.role is Role.TIME]
    return len(amounts) == len(timed) == 1 and bool(said & TAKING) and len(said - TAKING) == 1


def _unit_in(line: str) -> Unit | None:
    """A unit that stands in brackets or behind the words: 'Interval (s): 2', 'Interval s;2'."""
    for token in re.findall(r"[^\W\d_]+", line):
        unit = unit_from(token)
        if unit and unit.role in (Role.TIME, Role.FREQUENCY):
            return unit
    return None


def start_from(preamble: Sequence[str]) -> Stamp | None:
    """The date, with or without a clock time, on a line that speaks of a start or a date."""
    for line in preamble:
        if has_word(line, START) and (stamp := _stamp_in(line)) and stamp.date is not None:
            return stamp
    return None


def _stamp_in(line: str) -> Stamp | None:
    """The longest tail of a line that is a stamp: tails begin behind a colon, a delimiter or a blank."""
    for cut in _STAMP_PIECE.finditer(line):
        tail = line[cut.end() :].strip().strip('",;\t ')
        if stamp := stamp_from(tail):
            return stamp
        if stamp := stamp_from(re.sub(r"\s*[;,\t]\s*", " ", tail)):
            return stamp
    return None


def units_from(preamble: Sequence[str]) -> dict[Role, Unit]:
    """The units that lines such as 'Unit: °F' state, by what they measure."""
    found: dict[Role, Unit] = {}
    for line in preamble:
        if has_word(line, UNIT):
            for token in re.split(r"[\s:=;,\t|]+", line):
                unit = unit_from(token) if token else None
                if unit and unit.role in (Role.TEMPERATURE, Role.MASS):
                    found.setdefault(unit.role, unit)
    return found
