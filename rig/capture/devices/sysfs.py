"""Probes that Linux itself reads: 1-Wire thermometers and IIO converters, as files below /sys.

A probe found here is recorded like any port: its poll speaks the wire format, so that journal, decoder and
clock are the same for all. Files: Documentation/w1/slaves/w1_therm and Documentation/ABI/testing/sysfs-bus-iio
of the Linux kernel.
"""

from __future__ import annotations

import math
import re
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from rig.capture.decoding.peripherals import Said
from rig.capture.devices.queued import QueuedLink
from rig.capture.devices.transport import Link, Refusal, Trouble
from rig.errors import PortError

SCHEME = "sysfs:"
SYS = Path("/sys")
POLL_S = 0.25
POWER_ON_C = 85.0
"""A 1-Wire thermometer that lost power while measuring reports its power-on value."""
_MILLI = 1000.0
_W1 = re.compile(r"t=(-?\d+)")
_IIO_RAW = re.compile(r"in_temp(?P<which>[a-z0-9_]*)_(?P<kind>input|raw)")


@dataclass(frozen=True)
class SysfsProbe:
    """One thermometer below /sys: the file that is read, and what to call its channel."""

    file: Path
    name: str
    channel: str = "probe"

    @property
    def address(self) -> str:
        """Its address as a port."""
        return f"{SCHEME}{self.file}"


def find_probes(root: Path = SYS) -> tuple[SysfsProbe, ...]:
    """The 1-Wire and IIO thermometers below a root, which is /sys on a running computer."""
    found = []
    for device in sorted((root / "bus" / "w1" / "devices").glob("[0-9a-f][0-9a-f]-*")):
        file = next((device / n for n in ("temperature", "w1_slave") if (device / n).exists()), None)
        if file is not None:
            found.append(SysfsProbe(file, f"1-Wire {device.name}"))
    for device in sorted((root / "bus" / "iio" / "devices").glob("iio:device*")):
        label = _text(device / "name") or device.name
        for file in sorted(device.glob("in_temp*")):
            match = _IIO_RAW.fullmatch(file.name)
            if match is None or (match["kind"] == "raw" and file.with_name(_input_of(file)).exists()):
                continue
            found.append(SysfsProbe(file, f"{label}{match['which'].replace('_', ' ')}"))
    return tuple(found)


def read_temp_c(file: Path) -> float:
    """The temperature that a probe's file holds now [°C]; NaN where the probe gives none, or a doubtful one.

    Raises
    ------
    PortError
        Where the file cannot be read: the probe is gone, or does not answer.
    """
    try:
        text = file.read_text(encoding="ascii", errors="replace")
    except OSError as error:
        raise PortError(f"{file}: the probe does not answer: {error.strerror}") from error
    if file.name.endswith("_raw"):
        stem = file.name[: -len("_raw")]
        offset, scale = (_number(_text(file.with_name(f"{stem}_{part}"))) for part in ("offset", "scale"))
        count = _number(text) + (0.0 if math.isnan(offset) else offset)
        return count * (1.0 if math.isnan(scale) else scale) / _MILLI
    if file.name.startswith("in_temp"):
        return _number(text) / _MILLI
    if file.name == "w1_slave":
        found = _W1.search(text)
        temp_c = _number(found[1]) / _MILLI if found is not None and "YES" in text else math.nan
    else:
        temp_c = _number(text) / _MILLI
    return math.nan if temp_c == POWER_ON_C else temp_c


class SysfsLink(QueuedLink):
    """A probe's file, polled on a thread of its own, which sends what it read as lines of the wire format.

    Reading the file may take up to a second while the probe converts; meanwhile nobody waits for it. The
    conversion ends when the file is read: that is the instant of the reading.
    """

    def __init__(self, probe: SysfsProbe, poll_s: float = POLL_S) -> None:
        super().__init__()
        self.probe, self.poll_s = probe, poll_s
        self._thread = threading.Thread(target=self._poll, name=f"poll {probe.name}", daemon=True)
        self._thread.start()

    def _poll(self) -> None:
        while not self.stopped.is_set():
            asked_s = time.monotonic()
            try:
                self.said(Said(self.probe.channel, read_temp_c(self.probe.file), "C"))
            except PortError as error:
                self.broken(error)
                return
            self.stopped.wait(max(0.0, self.poll_s - (time.monotonic() - asked_s)))


def open_probe(address: str) -> Link | Refusal:
    """The link to a probe's address."""
    file = Path(address.removeprefix(SCHEME))
    if not file.exists():
        return Refusal(Trouble.ABSENT, f"{file} is not there. Is the probe wired, its driver loaded?")
    return SysfsLink(SysfsProbe(file, file.parent.name))


def _input_of(file: Path) -> str:
    return f"{file.name[: -len('_raw')]}_input"


def _text(file: Path) -> str:
    try:
        return file.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
