"""What a port said for some seconds, as the fields of a calibration's form: readings, names, and words on both."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from dashboard import wording
from dashboard.questions.calibrate import MOST_SAMPLES, ROWS
from rig.capture.decoding.readings import Quantity
from rig.capture.devices.ports import Device
from rig.capture.devices.ports_read import PortRead
from rig.errors import NotEnoughData, NotFound, RigError
from rig.signals.scale import SteadyRule
from rig.signals.steadiness import LAST_READINGS, Steadiness, steadiness

READ_S, PLUNGE_S = 5.0, 30.0
"""How long a port is read at a press: at rest, and while a probe is plunged."""
_UNITS = {Quantity.TEMPERATURE: "°C", Quantity.MASS: "g"}
_MOVING = {Quantity.TEMPERATURE: 0.1, Quantity.MASS: SteadyRule().band_g}
# more of a drift than that within the seconds is worth waiting for (common practice, no source)


@dataclass(frozen=True, eq=False)
class Taken:
    """One channel of a port as it was read: what recordings call its device, times [s] and values."""

    device: str
    channel: str
    others: tuple[str, ...]
    quantity: Quantity
    time_s: Any
    value: Any

    @classmethod
    def of(cls, read: PortRead, quantity: Quantity, asked: str = "") -> Taken:
        """The channel asked for; without, the first that is not of the room.

        Raises
        ------
        NotEnoughData, NotFound
            It sends no such quantity, or no value at rest; no channel of that name.
        """
        known = read.channels(quantity)
        if not known:
            raise NotEnoughData(f"{read.name} sends no {quantity}. Choose another port")
        if asked and asked not in known:
            raise NotFound(f"channel of {read.name}", asked[:60], known)
        channel = asked or known[0]
        time_s, value = read.of(quantity, channel)
        return cls(read.name, channel, tuple(k for k in known if k != channel), quantity, time_s, value)

    @property
    def steadiness(self) -> Steadiness:
        """How still it stood."""
        return steadiness(self.value)

    @property
    def readings(self) -> str:
        """The last of the readings, as they would be typed."""
        return " ".join(plain(v) for v in self.value[-LAST_READINGS:])

    @property
    def mean(self) -> str:
        """All of the readings as one, as it would be typed."""
        return plain(self.steadiness.mean)

    @property
    def channel_to_write(self) -> str:
        """The channel's name where the device has several of the kind; else any will do."""
        return self.channel if self.others else ""

    @property
    def words(self) -> str:
        """What was read, how still it stood, and what else there is."""
        s, unit = self.steadiness, _UNITS[self.quantity]
        said = [
            f"{self.device} {self.channel}: {wording.count(s.count)} reading{'' if s.count == 1 else 's'}, "
            f"{wording.number(s.mean, 2, unit)} in the mean, spread ± {s.std:.2f} {unit}."
        ]
        if abs(s.drift) > _MOVING[self.quantity]:
            said.append(
                f"It still drifted by {wording.number(s.drift, 1, unit)}: wait until it stands, read again."
            )
        if self.others:
            said.append(
                f"It sends {', '.join(self.others)} too: write that as the channel to read it instead."
            )
        return " ".join(said)

    @property
    def trace(self) -> dict[str, list[float]]:
        """The whole course, as the page keeps it."""
        step = -(-len(self.time_s) // MOST_SAMPLES)
        return {
            "time_s": [round(float(t), 4) for t in self.time_s[::step]],
            "temp_c": [round(float(v), 4) for v in self.value[::step]],
        }


def chosen(devices: Iterable[Device], address: Any) -> Device:
    """The device at an address that a page sent.

    Raises
    ------
    RigError
        None was chosen, or it is not plugged in: nothing else is opened.
    """
    known = {d.address: d for d in devices}
    if not address:
        raise RigError("Choose a port above first, or type what it shows.")
    if address not in known:
        raise NotFound("port", str(address)[:80], known)
    return known[address]


def row_to_fill(values: Mapping[str, Any]) -> int:
    """The row whose truth is typed and whose reading is not.

    Raises
    ------
    RigError
        There is none.
    """
    for n in range(ROWS):
        if _filled(values, f"true-{n}") and not _filled(values, f"shows-{n}"):
            return n
    raise RigError("Type what is true in the next empty row first, or clear a reading; then read it.")


def added(line: Any, value: str) -> str:
    """A line of readings with one more."""
    before = " ".join(line.split()) if isinstance(line, str) else ""
    return f"{before} {value}".strip()


def named(typed: Any, usual: str, heard: str) -> str:
    """The device's name: as recordings call it, unless another was typed than the usual one."""
    text = typed.strip() if isinstance(typed, str) else ""
    return heard if text in ("", usual) else text


def name_words(name: str, heard: str) -> str:
    """What follows from a name that recordings do not use."""
    if name == heard:
        return ""
    return f"Recordings call it {heard}; a calibration under another name is not applied to them."


def plain(value: float) -> str:
    """A number as it would be typed; hundredths are finer than any probe or scale of a bar is sure of."""
    return wording.number(value, 2, "").strip().replace("−", "-")


def _filled(values: Mapping[str, Any], name: str) -> bool:
    value = values.get(name)
    return isinstance(value, str | int | float) and str(value).strip() != ""
