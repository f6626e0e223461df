"""What the text of one cell is: a number with or without a unit, a stamp, a mark, or plain text."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import IntEnum, auto
from functools import lru_cache

from rig.importing.tabular.stamps import stamp_from
from rig.importing.tabular.units_in_text import MINUTE, SECOND, Role, Unit, unit_from
from rig.importing.tabular.words import MISSING, OVERLOAD, STABLE


class Kind(IntEnum):
    """What a cell is."""

    EMPTY = auto()
    NUMBER = auto()
    GROUPED = auto()  # a number that needs its marks read as thousands
    STAMP = auto()
    MISSING = auto()
    OVERLOAD = auto()
    UNIT = auto()
    STATUS = auto()
    SIGN = auto()
    TEXT = auto()


@dataclass(frozen=True)
class Cell:
    """A cell read: its kind, its number (NaN where it holds none), and the unit written with it."""

    kind: Kind
    value: float = math.nan
    unit: Unit | None = None


_LONGEST_CELL = 120
_NO_UNITS = frozenset("SDGNIRAWHLdhlaw")  # alone in a cell: a scale's status or a channel's letter
_MISSING = frozenset(MISSING)
_MINUS = str.maketrans({"\u2212": "-", "\u2013": "-", "\ufe63": "-", "\uff0d": "-"})
_BLANKS = "\u00a0\u202f\u2009"
_PIECE = re.compile(r"(\d+(?:[.,]\d+)?)\s*([^\W\d_]+|''|['\"′″])\.?")
_COMPOUND = re.compile(rf"[+-]?\s*{_PIECE.pattern}(?:[\s,:]*{_PIECE.pattern}){{1,3}}")
_TAIL = r"\s*(?P<tail>[^\d\s.,+\-].*)?"


def _patterns(decimal: str, groups: str) -> tuple[re.Pattern[str], re.Pattern[str]]:
    sign, point, power = r"(?P<sign>[+-]?)\s*", re.escape(decimal), r"(?P<power>[eE][+-]?\d{1,3})?"
    plain = rf"(?P<whole>\d*)(?:{point}(?P<part>\d*))?"
    thousands = rf"[1-9]\d{{0,2}}(?P<mark>[{groups}])\d{{3}}(?:(?P=mark)\d{{3}})*"
    grouped = rf"(?P<whole>{thousands})(?:{point}(?P<part>\d*))?"
    return (
        re.compile(rf"{sign}{plain}{power}{_TAIL}", re.DOTALL),
        re.compile(rf"{sign}{grouped}{power}{_TAIL}", re.DOTALL),
    )


PLAIN_NUMBER = {
    mark: re.compile(rf"[+-]?\d{{1,99}}(?:{re.escape(mark)}\d{{0,9}})?", re.ASCII) for mark in ".,"
}
_PATTERNS = {".": _patterns(".", f",'’{_BLANKS}"), ",": _patterns(",", f".'’ {_BLANKS}")}


def read_cell(text: str, decimal: str) -> Cell:
    """Read one cell under a decimal mark, '.' or ','; total: any text gives some kind."""
    if PLAIN_NUMBER[decimal].fullmatch(text):
        return Cell(Kind.NUMBER, float(text.replace(",", ".")))
    text = text.strip().strip('"').strip()
    return Cell(Kind.TEXT) if len(text) > _LONGEST_CELL else _read(text, decimal)


@lru_cache(1 << 12)
def _read(text: str, decimal: str) -> Cell:
    if not text:
        return Cell(Kind.EMPTY)
    if text in "+-" and len(text) == 1:
        return Cell(Kind.SIGN)
    if text in _MISSING:
        return Cell(Kind.MISSING)
    number = _number(text.translate(_MINUS), decimal)
    if number is not None:
        return number
    plain = text.casefold()
    if plain in OVERLOAD:
        return Cell(Kind.OVERLOAD)
    if stamp_from(text) is not None:
        return Cell(Kind.STAMP)
    if compound := _compound(plain, decimal):
        return compound
    unit = None if text in _NO_UNITS else unit_from(text)
    if unit:
        return Cell(Kind.UNIT, unit=unit)
    return Cell(Kind.STATUS if plain in STABLE else Kind.TEXT)


def _number(text: str, decimal: str) -> Cell | None:
    for kind, pattern in zip((Kind.NUMBER, Kind.GROUPED), _PATTERNS[decimal], strict=True):
        found = pattern.fullmatch(text)
        if found is None or not (found["whole"] or found["part"]):
            continue
        unit = None
        if found["tail"] and found["tail"].strip() != "°":
            unit = _unit_of_tail(found["tail"].strip())
            if unit is None:
                continue
        whole = "".join(c for c in found["whole"] if c.isdecimal())
        value = float(f"{found['sign']}{whole or 0}.{found['part'] or 0}{found['power'] or ''}")
        return Cell(kind, value, unit) if math.isfinite(value) else Cell(Kind.OVERLOAD)
    return None


def _compound(plain: str, decimal: str) -> Cell | None:
    """An amount in falling units: '1 lb 3.2 oz', '2 min 05 s', '1m 05s'; the value is in the last unit."""
    if not _COMPOUND.fullmatch(plain):
        return None
    total, last = 0.0, None
    for amount, token in _PIECE.findall(plain):
        unit = (
            MINUTE if token in ("m", "'", "′") else SECOND if token in ('"', "″", "''") else unit_from(token)
        )
        if unit is None or (last is not None and (unit.role is not last.role or unit.factor >= last.factor)):
            return None
        if ({".", ","} - {decimal}) & set(
            amount
        ):  # a comma where decimals stand after a point, or the reverse
            return None
        total = total * (last.factor / unit.factor if last else 1.0) + float(amount.replace(decimal, "."))
        last = unit
    if last is None or last.role not in (Role.TIME, Role.MASS):
        return None
    return Cell(Kind.NUMBER, -total if plain[0] == "-" else total, last)


def _unit_of_tail(tail: str) -> Unit | None:
    """The unit behind a number, with or without a scale's status word behind it ('g ST', 'g?')."""
    if unit := unit_from(tail):
        return unit
    first, _, rest = tail.rstrip("*?!").strip().partition(" ")
    unit = unit_from(first.rstrip(","))
    return unit if unit and (not rest or rest.strip().casefold() in STABLE) else None


def shown(text: str) -> str:
    """The text as a message may print it."""
    clean = "".join(c if c.isprintable() else "?" for c in text)
    return repr(clean if len(clean) <= 48 else clean[:45] + "...")
