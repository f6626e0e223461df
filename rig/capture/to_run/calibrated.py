"""What was read, brought to what it should have read by the calibrations in force; the journal stays raw."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from rig.arrays import FloatArray
from rig.capture.decoding.readings import Quantity
from rig.capture.to_run.intake_streams import Channel, Stream
from rig.sensors.calibration import Calibration, CalibrationKind, in_force

_KINDS = {Quantity.TEMPERATURE: CalibrationKind.TEMPERATURE, Quantity.MASS: CalibrationKind.MASS}
ANY_CHANNEL = ""


@dataclass(frozen=True)
class InForce:
    """The calibrations known, on the day of a recording."""

    known: tuple[Calibration, ...]
    day: date

    def of(self, device: str, channel: str, quantity: Quantity) -> Calibration | None:
        """That of a channel; None where there is none.

        A calibration belongs to a channel where it names the device as the recording does (its board, or its
        port's name) and the channel, or no channel at all.
        """
        kind = _KINDS.get(quantity)
        if kind is None:
            return None
        for name in (channel, ANY_CHANNEL):
            found = in_force(self.known, device, name, kind, self.day)
            if found is not None:
                return found
        return None


def calibrated(
    streams: Sequence[Stream], calibrations: Iterable[Calibration], day: date
) -> tuple[tuple[Stream, ...], tuple[str, ...]]:
    """Streams with corrected values, and a sentence for each correction made."""
    held = InForce(tuple(calibrations), day)
    said: list[str] = []

    def corrected(stream: Stream, channel: Channel) -> Channel:
        found = held.of(stream.name, channel.name, channel.quantity)
        if found is None:
            return channel
        value, std = found.apply(channel.value)
        usual = float(np.nanmedian(std)) if np.isfinite(std).any() else 0.0
        said.append(
            f"{stream.name} {channel.name}: calibration of {found.when.date().isoformat()} applied, "
            f"±{usual:.2g} {found.kind.unit} (one standard uncertainty)"
        )
        value = np.where(np.isfinite(channel.value), value, np.nan)
        return replace(channel, value=value, calibration=found, std=usual)

    out = tuple(replace(s, channels=tuple(corrected(s, c) for c in s.channels)) for s in streams)
    return out, tuple(said)


def weighed_std_g(scale: Calibration, mass_g: float) -> float:
    """Standard uncertainty [g] of a corrected weigh-in: of the slope, and of a reading at either end."""
    _, std_g = scale.difference(mass_g)
    return math.hypot(float(std_g), math.sqrt(2.0) * scale.residual_std)


@dataclass
class Heard:
    """The main probe and the scale of a recording under way, with the calibrations that hold for them.

    Readings go through raw and come out as they should have been; what has no calibration stays as it is.
    """

    held: InForce | None = None
    probe: Calibration | None = None
    scale: Calibration | None = None

    def hear(self, device: str, channel: str, quantity: Quantity) -> None:
        """Note which channel is the main one of its quantity."""
        if self.held is not None and quantity is Quantity.TEMPERATURE:
            self.probe = self.held.of(device, channel, quantity)
        elif self.held is not None and quantity is Quantity.MASS:
            self.scale = self.held.of(device, channel, quantity)

    def temp_c(self, raw_c: float | None) -> float | None:
        """The temperature that a reading of the main probe stands for."""
        return raw_c if raw_c is None or self.probe is None else float(self.probe.apply(raw_c)[0])

    def temps_c(self, raw_c: Sequence[float]) -> FloatArray:
        """The temperatures that readings of the main probe stand for, shape (readings,)."""
        raw = np.asarray(raw_c, float)
        return raw if self.probe is None else np.asarray(self.probe.apply(raw)[0])

    def probe_std_k(self, raw_c: float | None) -> float | None:
        """What the probe's calibration leaves unknown at a reading; None where there is none."""
        return None if raw_c is None or self.probe is None else float(self.probe.apply(raw_c)[1])

    def weighed_g(self, raw_g: Mapping[str, float]) -> dict[str, float]:
        """The masses that weigh-ins stand for, by name."""
        if self.scale is None:
            return dict(raw_g)
        return {what: float(self.scale.difference(mass_g)[0]) for what, mass_g in raw_g.items()}

    def scale_std_g(self, mass_g: float | None) -> float | None:
        """What the scale's calibration leaves unknown of a weigh-in; None where there is none."""
        return None if mass_g is None or self.scale is None else weighed_std_g(self.scale, mass_g)
