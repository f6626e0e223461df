"""A dialect declared in TOML: a regular expression for one value of a line, and a few words around it.

Every declaration carries examples and is refused unless it reads them as it says. What each key means:
`firmware_notes/dialects.md`.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

from rig.capture.decoding.declaration import Table, refusal
from rig.capture.decoding.declared_sensor import DeclaredSensor, sensor_of
from rig.capture.decoding.readings import (
    COUNT_LIMIT,
    UNITS,
    Decoded,
    Quality,
    Reading,
    Reject,
    Sample,
    Unit,
    sample,
)
from rig.errors import BenchError, Place

COUNTS = ("tick_ms", "sequence")
"""Channel names that carry the device's own clock or count instead of a measurement."""

_SPELLINGS = {
    **{symbol.casefold(): symbol for symbol in UNITS if symbol},
    **{"°c": "C", "degc": "C", "cel": "C", "ºc": "C", "°f": "F", "degf": "F", "ºf": "F"},
    **{"gm": "g", "gr": "g", "lbs": "lb", "ounce": "oz"},
}
SENSOR_EXAMPLE_NEAR = 0.02
"""°C or g: tables of sensors are printed to about a hundredth."""
_FRAMING = " \t\0\x02\x03"
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9_]+")


@dataclass(frozen=True)
class DeclaredChannel:
    """A channel by its place in the line; `{}` in the name stands for the printed name, or a number.

    A `sensor` turns what is printed, ohms or counts or raw words, into the unit.
    """

    name: str
    unit: Unit
    sensor: DeclaredSensor | None = None


@dataclass(frozen=True)
class DeclaredDialect:
    """A decoder made of a declaration; see `firmware_notes/dialects.md` for what each key means."""

    name: str
    about: str
    pattern: re.Pattern[str]
    channels: tuple[DeclaredChannel, ...]
    separator: re.Pattern[str] | None = None
    marks: Mapping[str, Quality] | None = None
    without_unit: Quality | None = Quality.GOOD
    without_value: Quality | None = None
    decimal: str = "."
    by_name_only: bool = False

    @property
    def checked(self) -> bool:
        """Such lines carry no checksum: the first one after opening may be the tail of a cut one."""
        return False

    def decode(self, line: bytes) -> Decoded:
        """A reading, or why the line is none. Never raises."""
        text = text_of(line).strip(_FRAMING)
        items = self.separator.split(text) if self.separator else [text]
        samples: list[Sample] = []
        counts: dict[str, int] = {}
        for place, item in enumerate(items, start=1):
            one = self._item(item, place)
            if isinstance(one, str):
                return Reject(one, line)
            if one.channel in COUNTS:
                if not (one.value.is_integer() and 0 <= one.value < COUNT_LIMIT):
                    return Reject(f"{one.channel} {item!r} is no whole number below 2³²", line)
                counts[one.channel] = int(one.value)
            elif any(one.channel == s.channel for s in samples):
                return Reject(f"channel {one.channel!r} twice", line)
            else:
                samples.append(one)
        if not samples:
            return Reject("no channel in the line", line)
        return Reading(tuple(samples), sequence=counts.get("sequence"), tick_ms=counts.get("tick_ms"))

    def _item(self, item: str, place: int) -> Sample | str:
        found = self.pattern.fullmatch(item)
        if not found:
            return f"{item!r} is not of the form {self.about}"
        groups = {k: v for k, v in found.groupdict().items() if v is not None}
        index = min(place, len(self.channels)) - 1
        channel = self.channels[index]
        if place > len(self.channels) and "{}" not in channel.name:
            return f"more than {len(self.channels)} values in the line"
        name = channel.name.replace("{}", _NOT_IN_NAMES.sub("_", groups.get("channel", str(place - index))))
        unit, quality = channel.unit, Quality.GOOD
        if "unit" in groups:
            symbol = _SPELLINGS.get(groups["unit"].casefold())
            if symbol is None or UNITS[symbol].quantity is not channel.unit.quantity:
                return f"{groups['unit']!r} is no unit of {channel.unit.quantity}"
            unit = UNITS[symbol]
        elif "value" in groups and "unit" in self.pattern.groupindex:
            if self.without_unit is None:
                return f"no unit in {item!r}"
            quality = self.without_unit
        if "mark" in groups:
            if groups["mark"] not in (self.marks or {}):
                return f"unknown mark {groups['mark']!r}"
            quality = (self.marks or {})[groups["mark"]]
        if quality in (Quality.OVERLOAD, Quality.SENSOR_FAULT):
            return sample(name, math.nan, unit, quality)
        if "value" not in groups:
            if self.without_value is None:
                return f"no number in {item!r}"
            return sample(name, math.nan, unit, self.without_value)
        number = "".join(groups["value"].split()).replace(self.decimal, ".")
        try:
            if channel.sensor is None:
                return sample(name, float(number), unit, quality)
            value, health = channel.sensor.read(number)
            return sample(name, value, unit, quality if health is Quality.GOOD else health)
        except ValueError:
            return f"{groups['value']!r} is no number"


def parse(text: str, file: str = "dialects.toml") -> tuple[DeclaredDialect, ...]:
    """The dialects that a TOML text declares. Raises BenchError that names file and key."""
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also of numbers and nesting without end
        raise BenchError(f"not valid TOML: {error}", Place(file)) from error
    declared = content.pop("dialects", None)
    if content:
        raise refusal(file, next(iter(content)), "unknown key; dialects stand under [dialects.NAME]")
    if not isinstance(declared, dict) or not declared:
        raise refusal(file, "dialects", "declares no dialect")
    return tuple(_dialect(Table(file, f"dialects.{name}", body), name) for name, body in declared.items())


def text_of(line: bytes) -> str:
    """The characters of a line: UTF-8 where it is that, else Latin-1, which reads any bytes."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("latin-1")


_KEYS = (
    *("about", "pattern", "separator", "channels", "marks", "without_unit", "without_value", "decimal"),
    *("by_name_only", "examples"),
)
_GROUPS = {"value", "channel", "unit", "mark"}


def _dialect(table: Table, name: str) -> DeclaredDialect:
    table.only(*_KEYS)
    pattern = table.regex("pattern", required=True)
    assert pattern is not None
    if "value" not in pattern.groupindex or pattern.groupindex.keys() - _GROUPS:
        table.refuse("pattern", f"needs a group value, and may have {', '.join(sorted(_GROUPS - {'value'}))}")
    marks = Table(table.file, f"{table.key}.marks", table.take("marks", dict, {}))
    decimal = table.take("decimal", str, ".")
    if decimal not in (".", ","):
        table.refuse("decimal", f"must be '.' or ',', found {decimal!r}")
    dialect = DeclaredDialect(
        name=name,
        about=table.take("about", str, required=True),
        pattern=pattern,
        separator=table.regex("separator"),
        channels=tuple(map(_channel, table.tables("channels"))),
        marks={mark: q for mark in marks.body if (q := marks.quality(mark, None)) is not None},
        without_unit=table.quality("without_unit", "good"),
        without_value=table.quality("without_value", "refuse"),
        decimal=decimal,
        by_name_only=table.take("by_name_only", bool, False),
    )
    for example in table.tables("examples"):
        _prove(dialect, example)
    return dialect


def _channel(table: Table) -> DeclaredChannel:
    table.only("name", "unit", "sensor")
    name = table.take("name", str, required=True)
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*(\{\})?|\{\}", name):
        table.refuse("name", f"{name!r} is no channel name: letters, digits, _ and one {{}} at the end")
    if "sensor" in table.body:
        if "unit" in table.body:
            table.refuse("unit", "a sensor gives °C or g by itself: leave the unit out")
        sensor = sensor_of(Table(table.file, f"{table.key}.sensor", table.take("sensor", dict)))
        return DeclaredChannel(name, UNITS[sensor.unit], sensor)
    unit = table.take("unit", str, "", required=name not in COUNTS)
    if unit not in UNITS:
        table.refuse("unit", f"{unit!r} is none of {', '.join(map(repr, UNITS))}")
    return DeclaredChannel(name, UNITS[unit])


def _prove(dialect: DeclaredDialect, example: Table) -> None:
    example.only("line", "reads", "quality")
    line = example.take("line", str, required=True)
    reads = example.take("reads", dict, required=True)
    quality = example.quality("quality", "good")
    said = dialect.decode(line.encode())
    if not isinstance(said, Reading):
        assert isinstance(said, Reject)
        example.refuse("line", f"{line!r} is not read: {said.reason}")
    got = {s.channel: s.value for s in said.samples if math.isfinite(s.value)}
    near = SENSOR_EXAMPLE_NEAR if any(c.sensor for c in dialect.channels) else 1e-9
    same = got.keys() == reads.keys() and all(
        isinstance(reads[k], int | float) and math.isclose(got[k], reads[k], rel_tol=1e-9, abs_tol=near)
        for k in got
    )
    if not same:
        example.refuse("reads", f"{line!r} gives {got}, not {reads}")
    if any(s.quality is not quality for s in said.samples):
        example.refuse(
            "quality", f"{line!r} gives {', '.join(s.quality for s in said.samples)}, not {quality}"
        )
