"""What was read, brought to what it should have read by the calibrations in force; the journal stays raw."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from rig.capture.intake_streams import Channel, Stream
from rig.capture.readings import Quantity
from rig.sensors.calibration import Calibration, CalibrationKind, in_force

_KINDS = {Quantity.TEMPERATURE: CalibrationKind.TEMPERATURE, Quantity.MASS: CalibrationKind.MASS}
ANY_CHANNEL = ""


def calibrated(
    streams: Sequence[Stream], calibrations: Iterable[Calibration], day: date
) -> tuple[tuple[Stream, ...], tuple[str, ...]]:
    """Streams with corrected values, and a sentence for each correction made.

    A calibration belongs to a channel where it names the device as the recording does (its board, or its
    port's name) and the channel, or no channel at all.
    """
    known = tuple(calibrations)
    said: list[str] = []

    def corrected(stream: Stream, channel: Channel) -> Channel:
        kind = _KINDS.get(channel.quantity)
        if kind is None:
            return channel
        for name in (channel.name, ANY_CHANNEL):
            found = in_force(known, stream.name, name, kind, day)
            if found is not None:
                value, std = found.apply(channel.value)
                usual = float(np.nanmedian(std)) if np.isfinite(std).any() else 0.0
                said.append(
                    f"{stream.name} {channel.name}: calibration of {found.when.date().isoformat()} applied, "
                    f"±{usual:.2g} {kind.unit} (one standard uncertainty)"
                )
                return replace(channel, value=np.where(np.isfinite(channel.value), value, np.nan))
        return channel

    out = tuple(replace(s, channels=tuple(corrected(s, c) for c in s.channels)) for s in streams)
    return out, tuple(said)
