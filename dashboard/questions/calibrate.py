"""The questions behind calibrating: what a form says, field by field, and the calibration that follows from it.

Everything here came from a browser and is believed in nothing. What is wrong is told by field, so that nobody
has to look for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

import numpy as np

from rig.errors import ModelRangeError, RigError
from rig.sensors.calibrating import (
    FixedPointName,
    Label,
    Made,
    at_fixed_point,
    beside_reference,
    by_plunge,
    by_water,
    with_weights,
)
from rig.sensors.calibration import Calibration
from rig.sensors.fixed_points import STANDARD_PRESSURE_HPA, FixedPoint, boiling_point, ice_point
from rig.sensors.water_weighing import EXPANSION_PER_K
from rig.units import typed

ROWS = 6
"""Pairs of reading and truth that a form has room for."""
MOST_SAMPLES = 4000
_LONGEST_NAME, _LONGEST_LINE, _MOST_READINGS = 200, 500, 60
_LARGEST, _MOST_DAYS = 1e6, 3650
_SHOWN_FOR = timedelta(hours=24)
Held = Callable[[str, str], Calibration | None]
"""The temperature calibration in force of a device and channel."""


class Procedure(StrEnum):
    """A way of calibrating."""

    ICE = "ice"
    BOILING = "boiling"
    POINTS = "points"
    PLUNGE = "plunge"
    WEIGHTS = "weights"
    MEASURE = "measure"


class Pressure(StrEnum):
    """How the pressure of the place is known."""

    WEATHER = "weather"
    PLACE = "place"
    ALTITUDE = "altitude"


_PAIRS = tuple(f"{part}-{n}" for n in range(ROWS) for part in ("shows", "true"))
FIELDS: Mapping[Procedure, tuple[str, ...]] = {
    Procedure.ICE: ("readings", "step", "device", "channel", "days"),
    Procedure.BOILING: (
        *("knowing", "altitude", "sea-level", "pressure"),
        *("readings", "step", "device", "channel", "days"),
    ),
    Procedure.POINTS: (*_PAIRS, "std", "device", "channel", "days"),
    Procedure.PLUNGE: ("trace", "device", "channel", "days"),
    Procedure.WEIGHTS: (*_PAIRS, "step", "tolerance", "device", "channel", "days"),
    Procedure.MEASURE: ("readings", "water", "made-of", "step", "air", "device", "days"),
}
"""What each form holds, by the names of its fields; `trace` is what was listened to."""
TOLD_AT: Mapping[Procedure, tuple[str, ...]] = {
    p: tuple(dict.fromkeys("pairs" if f in _PAIRS else f for f in fields)) for p, fields in FIELDS.items()
}
"""Where each form says what is wrong: at a field, the pairs at one place together."""


@dataclass(frozen=True)
class WorkedOut:
    """What follows from a form, or what is wrong with it by field."""

    made: Made | None
    wrong: Mapping[str, str]


@dataclass
class _Form:
    """A form while it is read; `wrong` gathers what is wrong, by field."""

    values: Mapping[str, Any]
    wrong: dict[str, str] = field(default_factory=dict)

    @contextmanager
    def at(self, name: str) -> Iterator[None]:
        """What is refused inside is told at that field."""
        try:
            yield
        except RigError as error:
            self.wrong.setdefault(name, sentence(str(error)))

    def text(self, name: str, longest: int = _LONGEST_LINE) -> str:
        value = self.values.get(name)
        text = " ".join(str(value).split()) if isinstance(value, str | int | float) else ""
        if len(text) > longest:
            raise ModelRangeError(f"keep it below {longest} characters")
        return "".join(c for c in text if c.isprintable())

    def number(self, name: str, what: str, otherwise: float | None = None) -> float:
        """A number; `otherwise` stands for a field left empty. NaN where it is told to be wrong."""
        with self.at(name):
            text = self.text(name)
            return otherwise if otherwise is not None and not text else number(text, what)
        return math.nan

    def readings(self, name: str, unit: str) -> list[float]:
        with self.at(name):
            found = numbers(self.text(name), unit)
            if not found:
                raise ModelRangeError("type what it shows, a few times with a space between, or read it now")
            return found
        return []

    def pairs(self, unit: str) -> list[tuple[float, float]]:
        """The rows that hold anything; a row half filled is wrong."""
        found = []
        for n in range(ROWS):
            with self.at("pairs"):
                shows, true = self.text(f"shows-{n}"), self.text(f"true-{n}")
                if not shows:
                    continue  # a weight that stands ready and was not read yet says nothing
                if not true:
                    raise ModelRangeError(f"row {n + 1} has a reading but not what is true")
                found.append(
                    (number(shows, f"row {n + 1}, in {unit}"), number(true, f"row {n + 1}, in {unit}"))
                )
        return found

    def label(self, when: datetime) -> Label:
        device = channel = ""
        with self.at("device"):
            device = self.text("device", _LONGEST_NAME)
            if not device:
                raise ModelRangeError("give it a name: recordings and this list know it by that")
        with self.at("channel"):
            channel = self.text("channel", _LONGEST_NAME)
        days: int | None = None
        with self.at("days"):
            text = self.text("days")
            if text:
                if not (text.isascii() and text.isdecimal() and 1 <= int(text) <= _MOST_DAYS):
                    raise ModelRangeError(f"give whole days, 1 to {_MOST_DAYS}, or leave it empty")
                days = int(text)
        return Label(device, channel, when, days)


def work_out(procedure: Procedure, values: Mapping[str, Any], when: datetime, held: Held) -> WorkedOut:
    """The calibration of a form as it was sent, made at `when`; or what is wrong with it.

    Raises
    ------
    LogbookError
        Where `held` cannot look.
    """
    form = _Form(values)
    label = form.label(when)
    made = _WAYS[procedure](form, label, held)
    return WorkedOut(None if form.wrong else made, form.wrong)


def _ice(form: _Form, label: Label, held: Held) -> Made | None:
    return _fixed(form, label, held, FixedPointName.ICE, ice_point())


def _boiling(form: _Form, label: Label, held: Held) -> Made | None:
    """The fixed point by what is known of the pressure; what is refused is told at the field it came from."""
    known: FixedPoint | None = None
    knowing = Pressure(form.values["knowing"]) if form.values.get("knowing") in tuple(Pressure) else None
    if knowing is None:
        form.wrong["knowing"] = "Say how you know the pressure."
    elif knowing is Pressure.PLACE:
        pressure = form.number("pressure", "the pressure in hPa")
        if not form.wrong.get("pressure"):
            with form.at("pressure"):
                known = boiling_point(pressure_hpa=pressure)
    else:
        altitude = form.number("altitude", "the altitude in m")
        if not form.wrong.get("altitude"):
            with form.at("altitude"):
                known = boiling_point(altitude_m=altitude)
        if knowing is Pressure.WEATHER:
            sea_level = form.number("sea-level", "the pressure in hPa")
            if known is not None and not form.wrong.get("sea-level"):
                with form.at("sea-level"):
                    known = boiling_point(altitude_m=altitude, sea_level_pressure_hpa=sea_level)
    return _fixed(form, label, held, FixedPointName.BOILING, known)


def _fixed(
    form: _Form, label: Label, held: Held, name: FixedPointName, known: FixedPoint | None
) -> Made | None:
    readings, step = form.readings("readings", "°C"), form.number("step", "the step in °C")
    with form.at("step"):
        _above_zero(step)
    if form.wrong or known is None:
        return None
    with form.at("readings"):
        before = held(label.device, label.channel)
        return at_fixed_point(label, name, known, readings, resolution_k=step, held=before)
    return None


def _points(form: _Form, label: Label, _held: Held) -> Made | None:
    pairs, std = form.pairs("°C"), form.number("std", "an uncertainty in °C", 0.0)
    if form.wrong:
        return None
    if std < 0:
        form.wrong["std"] = "It is 0 or more."
        return None
    with form.at("pairs"):
        return beside_reference(label, pairs, std_k=std)
    return None


def _weights(form: _Form, label: Label, _held: Held) -> Made | None:
    pairs, step = form.pairs("g"), form.number("step", "the step in g")
    tolerance = form.number("tolerance", "a share in %")
    with form.at("step"):
        _above_zero(step)
    if tolerance < 0:
        form.wrong["tolerance"] = "It is 0 or more."
    if form.wrong:
        return None
    with form.at("pairs"):
        return with_weights(label, pairs, resolution_g=step, tolerance_pct=tolerance)
    return None


def _measure(form: _Form, label: Label, _held: Held) -> Made | None:
    masses, water = form.readings("readings", "g"), form.number("water", "the water in °C")
    step, air = form.number("step", "the step in g"), form.number("air", "hPa", STANDARD_PRESSURE_HPA)
    with form.at("step"):
        _above_zero(step)
    material = form.values.get("made-of")
    if material not in tuple(EXPANSION_PER_K):
        form.wrong["made-of"] = "Say what it is made of."
    if not form.wrong and not 500.0 <= air <= 1100.0:
        form.wrong["air"] = "A place to work in has 500 to 1100 hPa. Check the unit, or leave it empty."
    if not form.wrong and not 0.0 <= water <= 40.0:
        form.wrong["water"] = "Weigh water between 0 and 40 °C; let it stand in the room."
    if form.wrong:
        return None
    with form.at("readings"):
        return by_water(
            label, masses, water_temp_c=water, resolution_g=step, made_of=str(material), pressure_hpa=air
        )
    return None


def _plunge(form: _Form, label: Label, _held: Held) -> Made | None:
    with form.at("trace"):
        time_s, temp_c = trace_of(form.values.get("trace"))
        if not form.wrong:
            return by_plunge(label, time_s, temp_c)
    return None


_WAYS: Mapping[Procedure, Callable[[_Form, Label, Held], Made | None]] = {
    Procedure.ICE: _ice,
    Procedure.BOILING: _boiling,
    Procedure.POINTS: _points,
    Procedure.PLUNGE: _plunge,
    Procedure.WEIGHTS: _weights,
    Procedure.MEASURE: _measure,
}


def trace_of(sent: Any) -> tuple[Any, Any]:
    """Time [s] and temperature [°C] of a plunge as the page keeps it, both of shape (samples,).

    Raises
    ------
    ModelRangeError
        None, or not of that form.
    """
    if sent is None:
        raise ModelRangeError("nothing has been listened to yet. Choose a port, then listen while you plunge")
    parts = [sent.get(k) for k in ("time_s", "temp_c")] if isinstance(sent, Mapping) else [None, None]
    time_s, temp_c = (p if isinstance(p, list) else [] for p in parts)
    numeric = all(isinstance(x, int | float) and abs(x) < _LARGEST for x in (*time_s, *temp_c))
    if not numeric or len(time_s) != len(temp_c) or not 0 < len(time_s) <= MOST_SAMPLES:
        raise ModelRangeError("the page sent no trace that can be read. Listen again")
    return np.array(time_s, float), np.array(temp_c, float)


def made_at_of(sent: Any, now: datetime) -> datetime:
    """When a result was worked out, as the page keeps it.

    Raises
    ------
    ModelRangeError
        It is no such moment, or so long ago that it should be worked out again.
    """
    try:
        moment = datetime.fromisoformat(sent)
    except (TypeError, ValueError):
        moment = None
    if moment is None or moment.tzinfo is None or not now - _SHOWN_FOR <= moment <= now:
        raise ModelRangeError("this was worked out too long ago. Work it out again")
    return moment


def numbers(text: str, unit: str) -> list[float]:
    """Several numbers as people write them: spaces or semicolons between, a point or a comma in each.

    Raises
    ------
    ModelRangeError
        A word among them; commas that may be either; too many.
    """
    found: list[float] = []
    for piece in text.replace(";", " ").replace("°C", " ").replace("/", " ").split():
        word = piece.strip(",")
        if not word or word == unit:
            continue
        commas = word.count(",")
        if commas and "." in word:
            found += [number(part, f"what it shows in {unit}") for part in word.split(",") if part]
        elif commas > 1:
            raise ModelRangeError(f"write a space between readings: {word[:40]!r} can be read in two ways")
        else:
            found.append(number(word.removesuffix(unit), f"what it shows in {unit}"))
    if len(found) > _MOST_READINGS:
        raise ModelRangeError(f"{_MOST_READINGS} readings are enough, found {len(found)}")
    return found


def number(text: str, what: str) -> float:
    """A number as people write it.

    Raises
    ------
    ModelRangeError
        It is none.
    """
    if not text:
        raise ModelRangeError(f"give a number: {what}")
    try:
        value = typed(text)
    except ModelRangeError as error:
        raise ModelRangeError(f"give a number: {what}; {error}") from error
    if not abs(value) < _LARGEST:
        raise ModelRangeError(f"give a number: {what}; found {text[:40]!r}")
    return value


def sentence(text: str) -> str:
    """A message as a sentence."""
    told = f"{text[:1].upper()}{text[1:]}".replace(" -", " −")
    return told if told.endswith((".", "?")) else f"{told}."


def _above_zero(step: float) -> None:
    if step <= 0:
        raise ModelRangeError("the smallest step is above 0")
