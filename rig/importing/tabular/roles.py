"""What a column measures and in which unit: as told, by its unit, by its words; else it stays unknown."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray
from rig.errors import TableRefused
from rig.importing.tabular.fault_values import TEMPERATURE_FAULTS
from rig.importing.tabular.questions import Settles
from rig.importing.tabular.units_in_text import CELSIUS, GRAM, INSIDE, Heading, Role, Unit, unit_from
from rig.importing.tabular.words import (
    DEW_POINT,
    FREQUENCY,
    HUMIDITY,
    HUMIDITY_STEMS,
    MASS,
    PRESSURE,
    SET_POINT,
    TEMPERATURE,
    TEMPERATURE_STEMS,
    VOLTAGE,
    has_word,
    words_of,
)

IGNORED = "ignore"
_LETTER_T = re.compile(r"[Tt]\W*\d*\W*|T[ _.-].*")
_PERCENT = "%"
_HOTTEST_C = 105.0
_COLDEST_C = -90.0
_BY_WORDS = (
    (Role.DEW_POINT, DEW_POINT, ()),
    (Role.HUMIDITY, HUMIDITY, HUMIDITY_STEMS),
    (Role.MASS, MASS, ()),
    (Role.TEMPERATURE, TEMPERATURE, TEMPERATURE_STEMS),
    (Role.VOLTAGE, VOLTAGE, ()),
    (Role.PRESSURE, PRESSURE, ()),
    (Role.FREQUENCY, FREQUENCY, ()),
)
_NARROWER = {Role.DEW_POINT, Role.SET_POINT}


@dataclass(frozen=True)
class Measure:
    """What a column measures, the unit it is written in (None: as inside), and how that is known."""

    role: Role
    unit: Unit | None
    why: str

    @property
    def inside(self) -> str:
        """The unit that the values have once read."""
        if self.role is Role.UNKNOWN and self.unit is not None:
            return self.unit.symbol
        return INSIDE[self.role]


def measure_told(told: str, heading: Heading, cell_unit: Unit | None, file: str) -> Measure:
    """What a person said a column measures: a unit ('°F', 'kg') or a quantity ('humidity').

    Raises
    ------
    TableRefused
        Where the word is neither.
    """
    if unit := unit_from(told):
        return Measure(_narrowed(unit.role, heading), unit, f"told: {told}")
    try:
        role = Role(told.strip().casefold())
    except ValueError as e:
        choices = ", ".join(str(r) for r in Role if r not in (Role.TIME, Role.UNKNOWN))
        raise TableRefused(
            f"there is no unit or quantity {told!r}",
            file,
            cure=f"Give a unit, one of {choices}, or {IGNORED!r}",
        ) from e
    unit = heading.unit or cell_unit
    return Measure(role, unit if unit and _narrowed(unit.role, heading) is role else None, f"told: {told}")


def measure_of(
    heading: Heading, cell_unit: Unit | None, value: FloatArray, stated: Mapping[Role, Unit], file: str
) -> Measure:
    """What a column measures by its unit, else by the words of its header.

    `value` are the finite values as written; `stated` are units that the lines above the table give.

    Raises
    ------
    TableRefused
        Where it is a temperature or a mass, and its unit is open and more than one would fit.
    """
    unit = heading.unit or cell_unit
    if unit is not None and unit.symbol == _PERCENT:
        humid = _role_by_words(heading) is Role.HUMIDITY
        return Measure(
            Role.HUMIDITY if humid else Role.UNKNOWN, unit, "its header" if humid else "a percentage"
        )
    if unit is not None:
        where = "header" if heading.unit else "cells"
        return Measure(
            _narrowed(unit.role, heading),
            unit,
            f"its {where} {'says' if where == 'header' else 'say'} {unit.symbol}",
        )
    role = _role_by_words(heading)
    if role is Role.TEMPERATURE and has_word(heading.text, SET_POINT):
        role = Role.SET_POINT
    if role in (Role.TEMPERATURE, Role.DEW_POINT, Role.SET_POINT):
        return _open_temperature(role, heading, value, stated.get(Role.TEMPERATURE), file)
    if role is Role.MASS:
        return _open_mass(heading, value, stated.get(Role.MASS), file)
    if role is not None:
        return Measure(role, None, f"its header; no unit given, {INSIDE[role]} assumed")
    if not heading.text and len(stated) == 1:
        role, unit = next(iter(stated.items()))
        return Measure(role, unit, f"the lines above the table say {unit.symbol}")
    return Measure(Role.UNKNOWN, None, "neither its header nor a unit says what it measures")


def measures(heading: Heading) -> bool:
    """Whether a header names a quantity, by its unit or its words."""
    return heading.unit is not None or _role_by_words(heading) is not None


def _narrowed(role: Role, heading: Heading) -> Role:
    """A temperature that is a dew point or a set point is no reading of a probe."""
    if role is not Role.TEMPERATURE:
        return role
    if has_word(heading.text, DEW_POINT):
        return Role.DEW_POINT
    return Role.SET_POINT if has_word(heading.text, SET_POINT) else role


def _role_by_words(heading: Heading) -> Role | None:
    for role, words, stems in _BY_WORDS:
        if has_word(heading.text, words, stems):
            return role
    if _LETTER_T.fullmatch(heading.text):
        return Role.TEMPERATURE
    return Role.MASS if words_of(heading.text) == ("m",) else None


def _open_temperature(
    role: Role, heading: Heading, value: FloatArray, stated: Unit | None, file: str
) -> Measure:
    if stated is not None:
        return Measure(role, stated, f"its header; the lines above the table say {stated.symbol}")
    low, high = _range(value)
    if low < _COLDEST_C or high > _HOTTEST_C:
        fitting = "K" if low > 200 else "°F"
        raise TableRefused(
            f"the unit of {heading.text!r} is open: {low:g} to {high:g} is no drink in °C; perhaps {fitting}",
            file,
            cure=Settles(
                f"Pass columns={{{heading.text!r}: '°C'}}, '°F' or 'K'",
                "columns",
                ("°C", "°F", "K"),
                heading.text,
            ),
        )
    return Measure(role, CELSIUS, "its header; no unit given, °C assumed")


def _open_mass(heading: Heading, value: FloatArray, stated: Unit | None, file: str) -> Measure:
    if stated is not None:
        return Measure(Role.MASS, stated, f"its header; the lines above the table say {stated.symbol}")
    _, high = _range(value)
    if 0 < high < 5 and np.any(np.abs(value * 10 - np.round(value * 10)) > 1e-6):
        raise TableRefused(
            f"the unit of {heading.text!r} is open: values up to {high:g} may be g, kg or lb",
            file,
            cure=Settles(
                f"Pass columns={{{heading.text!r}: 'g'}}, 'kg' or another unit",
                "columns",
                ("g", "kg", "oz", "lb"),
                heading.text,
            ),
        )
    return Measure(Role.MASS, GRAM, "its header; no unit given, g assumed")


def _range(value: FloatArray) -> tuple[float, float]:
    """The span of the values but for fault values and, among more than ten, the outermost 2 %."""
    value = np.sort(value[~np.isin(value, TEMPERATURE_FAULTS)])
    if not len(value):
        return 0.0, 0.0
    spared = max(1, len(value) // 50) if len(value) > 10 else 0
    return float(value[spared]), float(value[-1 - spared])
