"""What standard peripherals send, byte by byte: scales and thermometers by Bluetooth, scales by USB.

Pure functions of the bytes of one report. Layouts: Weight Scale Measurement (0x2A9D), Temperature Measurement (0x2A1C)
and Temperature (0x2A6E) of the Bluetooth SIG's GATT Specification Supplement; the 32-bit FLOAT of IEEE 11073-20601; the
scale data report of USB-IF's HID Point of Sale Usage Tables 1.02, usage page 0x8D. All of them from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Said:
    """What one report says: a channel's value in a unit of the wire format; NaN is a fault, an infinity an overload."""

    channel: str
    value: float
    unit: str
    settled: bool = True


Report = Callable[[bytes], Said | str]
"""Reads a report; words where it is none."""

_IMPERIAL, _FAHRENHEIT = 0x01, 0x01
_NOT_MEASURED = 0xFFFF
_UNKNOWN_TEMPERATURE = -0x8000
_OPTIONAL_BYTES = ((0x02, 7), (0x04, 1), (0x08, 4))
"""Flag, and bytes it adds after the weight: time stamp, user, body mass index with height."""


def weight_scale_measurement(data: bytes) -> Said | str:
    """0x2A9D: flags, then an unsigned weight in steps of 5 g or of a hundredth of a pound."""
    if len(data) < 3:
        return f"a weight has 3 bytes or more, found {len(data)}"
    due = 3 + sum(size for flag, size in _OPTIONAL_BYTES if data[0] & flag)
    if len(data) < due:
        return f"its flags announce {due} bytes, found {len(data)}"
    steps = int.from_bytes(data[1:3], "little")
    step, unit = (0.01, "lb") if data[0] & _IMPERIAL else (0.005, "kg")
    return Said("scale", math.nan if steps == _NOT_MEASURED else step * steps, unit)


def temperature_measurement(data: bytes) -> Said | str:
    """0x2A1C: flags, then a FLOAT in °C or °F."""
    if len(data) < 5:
        return f"a temperature has 5 bytes or more, found {len(data)}"
    return Said("probe", float_11073(data[1:5]), "F" if data[0] & _FAHRENHEIT else "C")


def environmental_temperature(data: bytes) -> Said | str:
    """0x2A6E: a signed number of hundredths of a degree Celsius."""
    if len(data) != 2:
        return f"an environment's temperature has 2 bytes, found {len(data)}"
    hundredths = int.from_bytes(data, "little", signed=True)
    return Said("probe", math.nan if hundredths == _UNKNOWN_TEMPERATURE else hundredths / 100.0, "C")


_SPECIAL = {
    0x7FFFFE: math.inf,
    0x7FFFFF: math.nan,
    0x800000: math.nan,
    0x800001: math.nan,
    0x800002: -math.inf,
}
"""Mantissas that are no number: +∞, none, not at this resolution, reserved, −∞."""


def float_11073(data: bytes) -> float:
    """IEEE 11073-20601 FLOAT: a signed 24-bit mantissa, lowest byte first, then a signed power of ten."""
    mantissa = int.from_bytes(data[:3], "little")
    if mantissa in _SPECIAL:
        return _SPECIAL[mantissa]
    exponent = int.from_bytes(data[3:4], "little", signed=True)
    signed = mantissa - (1 << 24) if mantissa & 0x800000 else mantissa
    # ten to a negative power has no exact float: dividing rounds once only
    return signed * 10.0**exponent if exponent >= 0 else signed / 10.0**-exponent


_SCALE_REPORT = 3
_HID_UNITS = {1: "mg", 2: "g", 3: "kg", 11: "oz", 12: "lb"}
_FAULT, _ZERO, _MOVING, _STABLE, _UNDER_ZERO, _OVER, _UNCALIBRATED, _TO_BE_ZEROED = range(1, 9)
_MOST_POWER = 6


def scale_report(data: bytes) -> Said | str:
    """Usage page 0x8D: report number, status, unit, signed power of ten, unsigned weight, lowest byte first."""
    if len(data) < 6 or data[0] != _SCALE_REPORT:
        return f"a scale's report begins with {_SCALE_REPORT} and has 6 bytes, found {data[:6].hex(' ')}"
    status, unit = data[1], _HID_UNITS.get(data[2])
    power = int.from_bytes(data[3:4], "little", signed=True)
    if not _FAULT <= status <= _TO_BE_ZEROED:
        return f"status {status} is none of a scale's"
    if unit is None:
        return f"it weighs in unit {data[2]}; set it to grams or ounces"
    if abs(power) > _MOST_POWER:
        return f"a weight times ten to the {power} is none"
    weight = int.from_bytes(data[4:6], "little")
    value = weight * 10.0**power if power >= 0 else weight / 10.0**-power
    if status in (_FAULT, _UNCALIBRATED, _TO_BE_ZEROED):
        value = math.nan
    elif status == _OVER:
        value = math.inf
    elif status == _UNDER_ZERO:
        value = -value
    return Said("scale", value, unit, settled=status in (_ZERO, _STABLE))


def _uuid(short: int) -> str:
    """A 16-bit number within the Bluetooth base UUID."""
    return f"0000{short:04x}-0000-1000-8000-00805f9b34fb"


CHARACTERISTICS: Mapping[str, Report] = MappingProxyType(
    {
        _uuid(0x2A9D): weight_scale_measurement,
        _uuid(0x2A1C): temperature_measurement,
        _uuid(0x2A6E): environmental_temperature,
    }
)
"""How each is read, by its UUID."""
SERVICES = tuple(_uuid(short) for short in (0x181D, 0x1809, 0x181A))
"""Weight Scale, Health Thermometer, Environmental Sensing: what such a device announces."""
SCALES_PAGE = 0x8D
