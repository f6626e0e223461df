"""A standard peripheral of each kind is found, read, lost, found again and read on; all it said is in the journal.

Through stand-ins at the libraries' own seams: none of this was tried on air or on a plugged-in scale.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from rig.capture.decoding.peripherals import CHARACTERISTICS
from rig.capture.decoding.readings import Quantity, Reading
from rig.capture.decoding.wire import WireDecoder
from rig.capture.devices.ports import PortSpec
from rig.capture.recording.journal import Event, EventKind, Line, read_journal
from rig.capture.recording.recorder import Recorder
from rig.capture.recording.recorder_files import Plan
from tests.bar_device import waited
from tests.capture.test_peripherals import Characteristic, Service, stand_in

WEIGHT, THERMOMETER, ROOM_AIR = CHARACTERISTICS
AT = "AA:00:00:00:00:07"


@dataclass(frozen=True)
class Kind:
    """What a peripheral says before it is lost, and once it is found again; what that stands for in our units."""

    address: str
    characteristic: str
    way: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    quantity: Quantity
    values: tuple[float, ...]


KINDS = {
    # 5 g a count; a hundredth of a pound a count
    "Weight Scale": Kind(
        f"ble:{AT}", WEIGHT, "indicate", ("00 c8 00", "01 64 00"), ("00 cc 00",), Quantity.MASS,
        (1000.0, 453.59237, 1020.0),
    ),
    # 77.0 °F and 4.0 °C as FLOAT of ISO/IEEE 11073
    "Health Thermometer": Kind(
        f"ble:{AT}", THERMOMETER, "indicate", ("01 02 03 00 ff", "00 28 00 00 ff"), ("00 d8 ff ff ff",),
        Quantity.TEMPERATURE, (25.0, 4.0, -4.0),
    ),
    "Environmental Sensing": Kind(
        f"ble:{AT}", ROOM_AIR, "read", ("38 ff", "00 00"), ("64 00",), Quantity.TEMPERATURE, (-2.0, 0.0, 1.0)
    ),
    # grams, and tenths of an ounce
    "HID scale": Kind(
        "hid:/dev/hidraw7", "", "", ("03 04 02 00 a5 00", "03 04 0b ff 64 00"), ("03 04 02 00 a6 00",),
        Quantity.MASS, (165.0, 283.49523125, 166.0),
    ),
}  # fmt: skip


@dataclass
class Plugged:
    """What the peripheral says each time it is found, None while it is away."""

    times: list[list[bytes] | None]

    def found(self) -> list[bytes] | None:
        return self.times.pop(0) if self.times else None


def on_air(monkeypatch: pytest.MonkeyPatch, kind: Kind, plugged: Plugged) -> None:
    class BleakError(Exception):
        pass

    class BleakClient:
        is_connected = True

        def __init__(self, address: str, *, timeout: float) -> None:
            assert address == AT

        async def __aenter__(self) -> BleakClient:
            values = plugged.found()
            if values is None:
                raise BleakError("Device was not found")
            self.left = values
            self.services = [Service([Characteristic(kind.characteristic, [kind.way], values)])]
            return self

        async def __aexit__(self, *_: Any) -> None:
            pass

        def _gone(self) -> None:
            self.is_connected = False

        async def start_notify(self, at: Characteristic, hear: Callable[[Any, bytearray], None]) -> None:
            for value in at.values:
                asyncio.get_running_loop().call_soon(hear, at, bytearray(value))
            asyncio.get_running_loop().call_soon(self._gone)

        async def read_gatt_char(self, at: Characteristic) -> bytearray:
            value = self.left.pop(0)
            self.is_connected = bool(self.left)
            return bytearray(value)

    stand_in(monkeypatch, "bleak", BleakScanner=object, BleakClient=BleakClient)
    stand_in(monkeypatch, "bleak.exc", BleakError=BleakError)


def on_usb(monkeypatch: pytest.MonkeyPatch, plugged: Plugged) -> None:
    class Opened:
        def open_path(self, path: bytes) -> None:
            values = plugged.found()
            if values is None:
                raise OSError("open failed")
            self.left = values

        def get_product_string(self) -> str:
            return "Counter scale"

        def read(self, size: int, timeout_ms: int) -> list[int]:
            if not self.left:
                raise OSError("read error")
            return list(self.left.pop(0))

        def close(self) -> None:
            pass

    listed = [{"path": b"/dev/hidraw7", "usage_page": 0x8D, "product_string": "Counter scale"}]
    stand_in(monkeypatch, "hid", device=Opened, enumerate=lambda: listed)


@pytest.mark.parametrize("name", KINDS)
def test_what_it_said_before_it_was_lost_and_after_is_on_file_in_our_units(
    name: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    kind = KINDS[name]
    before, after = ([bytes.fromhex(x) for x in said] for said in (kind.before, kind.after))
    plugged = Plugged([None, before, None, after])
    if kind.characteristic:
        on_air(monkeypatch, kind, plugged)
    else:
        on_usb(monkeypatch, plugged)
    recorder = Recorder(Plan(tmp_path, (PortSpec(kind.address, dialect="wire"),), {}))
    begun = threading.Event()
    thread = threading.Thread(target=recorder.record, kwargs={"ready": begun.set})
    thread.start()
    try:
        assert begun.wait(60.0)
        waited(lambda: len(_read(recorder)) == 3, "read, lost, found again and read")
    finally:
        recorder.end()
        thread.join()
    samples = [reading.samples[0] for _, reading in _read(recorder)]
    assert [s.quantity for s in samples] == [kind.quantity] * 3
    assert [s.value for s in samples] == pytest.approx(kind.values, abs=0.01)
    (_, second, third), records = (
        (at for at, _ in _read(recorder)),
        read_journal(recorder.files.journal).records,
    )
    between = [r.kind for r in records[second:third] if isinstance(r, Event)]
    assert between[0] is EventKind.LOST and between[-1] is EventKind.OPEN


def _read(recorder: Recorder) -> list[tuple[int, Reading]]:
    """The readings on file by now, and where among its records each is."""
    records = read_journal(recorder.files.journal).records
    said = [(n, WireDecoder().decode(r.line)) for n, r in enumerate(records) if isinstance(r, Line)]
    return [(n, reading) for n, reading in said if isinstance(reading, Reading)]
