"""Values that a probe or scale sends instead of a reading: power-on, disconnected, over range.

85 °C: the power-on value of the DS18B20's register; -127 °C: what its common driver gives for a lost probe.
1372 and 1370 °C: the upper end of type K tables (IEC 60584-1 goes to 1372 °C, from memory). 1023.75 and
2047.75: full scale of 12-bit converters at 0.25 °C. -242.02 and 988.79: an open or shorted platinum probe.
The round nines and the ends of 16-bit integers: common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.importing.tabular.units_in_text import Role
from rig.units import ZERO_CELSIUS_K

POWER_ON_C = 85.0
_DISCONNECTED_C = (-127.0, -242.02, 988.79)
TEMPERATURE_FAULTS = (
    999.0, 999.9, 999.99, 9999.0, 9999.9, 99999.0, -999.0, -999.9, -9999.0, -99999.0, 1370.0, 1372.0,
    1023.75, 2047.75, 3276.7, -3276.8, 327.67, -327.68, 32767.0, -32768.0, 6553.5, 65535.0, -273.15,
    850.0, 1768.0, 1800.0, 1820.0,
)  # fmt: skip
_MASS_FAULTS = (
    -9999.0,
    99999.0,
    99999.9,
    999999.0,
    999999.9,
    -99999.0,
    -999999.0,
    8388607.0,
    -8388608.0,
    2147483647.0,
)
_OTHER_FAULTS = (-999.0, -999.9, -9999.0, 9999.0, 9999.9)
_PLAUSIBLE_C = (-90.0, 300.0)
_SOUND = {Role.TEMPERATURE: (-90.0, POWER_ON_C - 0.1), Role.MASS: (-9000.0, 9000.0)}
_POWER_ON_JUMP_K = 10.0
_LONE_JUMP_K = 20.0
_JUMP_SHARE = 0.25
_MOST_POWER_ON_ROWS = 10


def is_beyond_doubt(role: Role, written: FloatArray, inside: FloatArray) -> bool:
    """Whether no value is one that a sensor sends instead of a reading; NaN leaves it open."""
    low, high = _SOUND.get(role, (math.inf, -math.inf))
    value = written if role is Role.MASS else inside
    return bool(low <= value.min() and value.max() <= high)


def fault_values(role: Role, written: FloatArray, inside: FloatArray) -> dict[float, BoolArray]:
    """The rows that hold a value sent for a lost or overloaded sensor, by that value.

    `written` are the values as in the file, `inside` the same in the unit inside; both of shape (rows,).
    """
    if role in (Role.TEMPERATURE, Role.DEW_POINT, Role.SET_POINT):
        low, high = _PLAUSIBLE_C
        odd = (inside < low) | (inside > high)
        if not odd.any():
            return {}
        found = {v: odd & np.isclose(written, v, rtol=0, atol=1e-6) for v in TEMPERATURE_FAULTS}
        found |= {v: odd & np.isclose(inside, v, rtol=0, atol=0.06) for v in _DISCONNECTED_C}
    elif role is Role.MASS:
        found = {v: written == v for v in _MASS_FAULTS}
    elif role in (Role.HUMIDITY, Role.PRESSURE):
        found = {v: written == v for v in _OTHER_FAULTS}
    else:
        return {}
    return {v: rows for v, rows in found.items() if rows.any()}


def impossible(role: Role, inside: FloatArray) -> BoolArray:
    """The rows whose temperature lies below absolute zero."""
    if role is not Role.TEMPERATURE:
        return np.zeros(len(inside), dtype=np.bool_)
    return inside < -ZERO_CELSIUS_K


def power_on_rows(temp_c: FloatArray) -> BoolArray:
    """The rows that hold a DS18B20's power-on 85.0 °C: at the start, or alone, with a jump no drink can make.

    `temp_c` has shape (rows,), in order of time, finite. Hot coffee that starts at 85.0 °C and cools is kept:
    its next steps are of the same size as the first, the step off a power-on value is not.
    """
    out = np.zeros(len(temp_c), dtype=np.bool_)
    exact = np.abs(temp_c - POWER_ON_C) < 0.02
    if not exact.any() or exact.all():
        return out
    run = int(np.argmin(exact))  # the first row that is not 85.0
    if 0 < run <= _MOST_POWER_ON_ROWS and _leaps(temp_c, run):
        out[:run] = True
    for at in np.flatnonzero(exact[1:-1]) + 1:
        before, after = temp_c[at - 1], temp_c[at + 1]
        jump = min(abs(POWER_ON_C - before), abs(POWER_ON_C - after))
        if jump > _LONE_JUMP_K and abs(after - before) < _JUMP_SHARE * jump:
            out[at] = True
    return out


def _leaps(temp_c: FloatArray, run: int) -> bool:
    jump = abs(temp_c[run] - POWER_ON_C)
    following = abs(temp_c[run + 1] - temp_c[run]) if run + 1 < len(temp_c) else 0.0
    return bool(jump > _POWER_ON_JUMP_K and following < _JUMP_SHARE * jump)
