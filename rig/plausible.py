"""What a measured value can be: one table for the fields of a run, one for the channels of a trace.

The limits are those of work at a bar, from a single cup to a 20 kg batch (common practice, no source). They
are wide on purpose: they catch a wrong unit or a slipped decimal, not an unusual drink.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rig.units import UNITS, Unit

OtherUnits = tuple[Unit, ...]

_TEMPERATURE: OtherUnits = (UNITS["°F"], UNITS["K"])
_MASS: OtherUnits = (UNITS["kg"], UNITS["oz"], UNITS["lb"], UNITS["mg"])
_VOLUME: OtherUnits = (UNITS["l"], UNITS["cl"], UNITS["fl oz"])
_TIME: OtherUnits = (UNITS["ms"], UNITS["min"])
_STROKES = Unit("strokes a minute", "Hz", UNITS["rpm"].factor)


@dataclass(frozen=True)
class Plausible:
    """The limits of a value in its unit, other units it may have been written in, and a hint."""

    low: float
    high: float
    unit: str
    others: OtherUnits = ()
    hint: str = ""

    def doubt(self, value: float) -> tuple[str, str] | None:
        """What is wrong with a value and what to do about it; None where it lies within the limits."""
        if self.low <= value <= self.high:
            return None
        if value < 0 <= self.low:
            return f"{value:g} {self.unit} is negative, which it cannot be", "Correct the sign"
        return f"{value:g} lies outside {self.low:g} to {self.high:g} {self.unit}", self._cure(value)

    def _cure(self, value: float) -> str:
        """The conversions that would bring a value inside, else the hint."""
        ways = [
            f"if it is in {other.symbol}, write {converted:.4g}"
            for other in self.others
            if self.low <= (converted := other.inside(value)) <= self.high
        ]
        text = "; ".join(ways) or self.hint or f"check the value and its unit, {self.unit}"
        return text[0].upper() + text[1:]


RUN: Mapping[str, Plausible] = {
    "ice_mass_g": Plausible(10, 20_000, "g", _MASS),
    "ice_temp_c": Plausible(-40, 0, "°C", _TEMPERATURE, "ice is at 0 °C at most; write 0 for wet ice"),
    "drink_mass_g": Plausible(10, 20_000, "g", _MASS),
    "drink_temp_c": Plausible(-25, 100, "°C", _TEMPERATURE),
    "vessel_temp_c": Plausible(-40, 100, "°C", _TEMPERATURE),
    "room_temp_c": Plausible(-20, 50, "°C", _TEMPERATURE),
    "duration_s": Plausible(0.5, 3600, "s", _TIME),
    "strained_mass_g": Plausible(10, 40_000, "g", _MASS),
    "gross_before_g": Plausible(20, 60_000, "g", _MASS),
    "gross_after_g": Plausible(20, 60_000, "g", _MASS),
    "foam_ml": Plausible(0, 5_000, "ml", _VOLUME),
    "foam_half_life_s": Plausible(0.5, 36_000, "s", _TIME),
    "probe_std_k": Plausible(0, 10, "K"),
    "scale_std_g": Plausible(0, 100, "g", _MASS),
}

TRACE_TIME = Plausible(-36_000, 36_000, "s", _TIME)
TRACE_PROBE = Plausible(-60, 105, "°C", _TEMPERATURE, "check the probe and its wiring")
TRACE: Mapping[str, Plausible] = {
    "scale_g": Plausible(-60_000, 60_000, "g", _MASS, "check the scale and its unit, g"),
    "room_c": Plausible(-30, 60, "°C", _TEMPERATURE, "check the probe and its wiring"),
    "cadence_hz": Plausible(0, 50, "Hz", (_STROKES,)),
}


def channel_unit(name: str) -> str:
    """The unit of a trace's channel, by its column name."""
    return (TRACE_TIME if name == "time_s" else TRACE.get(name, TRACE_PROBE)).unit
