"""A sensor declared for a channel of a dialect: what it gives, ohms, counts or raw words, as °C or g."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.capture.decoding.declaration import Table
from rig.capture.decoding.readings import Quality
from rig.errors import ModelRangeError
from rig.sensors import raw_words, resistance_thermometer
from rig.sensors.health import Sensed, SensorHealth
from rig.sensors.thermistor import SteinhartHart, temp_c_from_divider, temp_c_from_resistance
from rig.sensors.thermocouple import Thermocouple


@dataclass(frozen=True)
class DeclaredSensor:
    """How the printed text of a value becomes °C or g; `unit` is "C" or "g"."""

    unit: str
    sense: Callable[[str], Sensed]

    def read(self, text: str) -> tuple[float, Quality]:
        """Value and quality; NaN where the sensor is at fault. Raises ValueError where the text is no number."""
        found = self.sense(text)
        if found.health == SensorHealth.GOOD:
            return float(found.value), Quality.GOOD
        return float("nan"), Quality.SENSOR_FAULT


def sensor_of(table: Table) -> DeclaredSensor:
    """The sensor that a table declares. Raises BenchError that names file and key."""
    kind = table.take("kind", str, required=True)
    if kind not in _KINDS:
        table.refuse("kind", f"{kind!r} is none of {', '.join(map(repr, _KINDS))}")
    try:
        return _KINDS[kind](table)
    except ModelRangeError as error:
        table.refuse("kind", str(error))


def _thermistor(table: Table) -> DeclaredSensor:
    table.only("kind", "points", "beta_k", "nominal_ohm", "nominal_c", "full_scale", "fixed_ohm", "to_ground")
    if "points" in table.body:
        points = table.take("points", list)
        if not all(isinstance(p, list) and len(p) == 2 and all(map(_is_number, p)) for p in points):
            table.refuse("points", f"must be three pairs of °C and Ω, found {points!r}")
        curve = SteinhartHart.through([(float(t), float(r)) for t, r in points])
    else:
        nominal_c = table.number("nominal_c", 25.0)
        curve = SteinhartHart.from_beta(table.positive("beta_k"), table.positive("nominal_ohm"), nominal_c)
    if not {"full_scale", "fixed_ohm", "to_ground"} & table.body.keys():
        return _of_number("C", lambda ohm: temp_c_from_resistance(curve, ohm))
    full_scale, fixed_ohm = table.positive("full_scale"), table.positive("fixed_ohm")
    to_ground = table.take("to_ground", bool, True)
    return _of_number(
        "C", lambda n: temp_c_from_divider(curve, n, full_scale, fixed_ohm, to_ground=to_ground)
    )


def _platinum(table: Table) -> DeclaredSensor:
    table.only("kind", "at_zero_ohm", "full_scale", "reference_ohm")
    at_zero_ohm, ohm_per_count = table.positive("at_zero_ohm"), 1.0
    if {"full_scale", "reference_ohm"} & table.body.keys():
        ohm_per_count = table.positive("reference_ohm") / table.positive("full_scale")
    return _of_number(
        "C", lambda n: resistance_thermometer.temp_c_from_resistance(n * ohm_per_count, at_zero_ohm)
    )


def _amplifier(table: Table) -> DeclaredSensor:
    table.only("kind", "type")
    text = table.take("type", str, "K")
    if text not in list(Thermocouple):
        table.refuse("type", f"{text!r} is none of {', '.join(Thermocouple)}")
    kind = Thermocouple(text)
    return DeclaredSensor("C", lambda t: raw_words.relinearised(raw_words.decode_32_bit(int(t, 16)), kind))


def _digital_probe(table: Table) -> DeclaredSensor:
    table.only("kind")
    return DeclaredSensor("C", lambda t: raw_words.decode_scratchpad(np.frombuffer(_nine(t), np.uint8)))


def _nine(text: str) -> bytes:
    scratchpad = bytes.fromhex(text)
    if len(scratchpad) != raw_words.SCRATCHPAD_BYTES:
        raise ValueError(f"{len(scratchpad)} bytes are no scratchpad")
    return scratchpad


def _load_cell(table: Table) -> DeclaredSensor:
    table.only("kind", "zero_count", "g_per_count")
    zero, step_g = table.number("zero_count", None), table.number("g_per_count", None)
    if step_g == 0.0:
        table.refuse(
            "g_per_count", "must not be 0: weigh something known, divide its grams by the counts it adds"
        )
    return _of_number("g", lambda n: raw_words.grams(n, zero, step_g))


def _of_number(unit: str, sense: Callable[[float], Sensed]) -> DeclaredSensor:
    return DeclaredSensor(unit, lambda text: sense(float(text)))


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


_KINDS: dict[str, Callable[[Table], DeclaredSensor]] = {
    "thermistor": _thermistor,
    "platinum": _platinum,
    "thermocouple amplifier": _amplifier,
    "digital probe": _digital_probe,
    "load cell": _load_cell,
}
