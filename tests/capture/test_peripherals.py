"""Standard scales and thermometers, byte by byte, and through stand-ins at the libraries' own seams.

None of this was tried on air or on a plugged-in scale: the stand-ins hold what bleak and hidapi document.
"""

from __future__ import annotations

import asyncio
import json
import math
import sys
import types
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.machinery import ModuleSpec
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.capture.decoding.dialects import load
from rig.capture.decoding.peripherals import (
    CHARACTERISTICS,
    SERVICES,
    Said,
    environmental_temperature,
    float_11073,
    scale_report,
    temperature_measurement,
    weight_scale_measurement,
)
from rig.capture.decoding.readings import Quality, Quantity, Reading, Reject
from rig.capture.decoding.wire import WireDecoder
from rig.capture.devices.bluetooth import find_bluetooth
from rig.capture.devices.health import PortState
from rig.capture.devices.ports import Device, every_device, open_port
from rig.capture.devices.ports_listen import listen
from rig.capture.devices.ports_read import read_port
from rig.capture.devices.transport import Refusal, Trouble
from rig.errors import PortError
from tests.cli.conftest import call as command

NAN = math.nan


def same(a: float, b: float) -> bool:
    return a == pytest.approx(b, rel=1e-12, nan_ok=True)


@pytest.mark.parametrize(
    ("data", "value", "unit"),
    [
        ("00 c8 00", 1.0, "kg"),  # 200 steps of 5 g
        ("00 01 00", 0.005, "kg"),
        ("01 64 00", 1.0, "lb"),  # 100 hundredths of a pound
        ("00 ff ff", NAN, "kg"),  # not measured
        ("02 c8 00 ea 07 0b 1c 15 00 00", 1.0, "kg"),  # with a time stamp
        ("0e c8 00 ea 07 0b 1c 15 00 00 01 e6 00 a8 06", 1.0, "kg"),  # stamp, user, index and height
    ],
)
def test_a_weight_by_bluetooth(data: str, value: float, unit: str) -> None:
    said = weight_scale_measurement(bytes.fromhex(data))
    assert isinstance(said, Said) and (said.channel, said.unit) == ("scale", unit)
    assert same(said.value, value)


@pytest.mark.parametrize(
    ("data", "value", "unit"),
    [
        ("00 6c 01 00 ff", 36.4, "C"),  # mantissa 364, ten to the -1
        ("00 9c ff ff ff", -10.0, "C"),  # mantissa -100
        ("00 38 ff ff fe", -2.0, "C"),
        ("01 40 01 00 ff", 32.0, "F"),
        ("00 17 00 00 00", 23.0, "C"),
        ("06 6c 01 00 ff ea 07 0b 1c 15 00 00 02", 36.4, "C"),  # with a time stamp and a type
        ("00 ff ff 7f 00", NAN, "C"),
        ("00 00 00 80 00", NAN, "C"),
        ("00 fe ff 7f 00", math.inf, "C"),
        ("00 02 00 80 00", -math.inf, "C"),
    ],
)
def test_a_thermometers_float(data: str, value: float, unit: str) -> None:
    said = temperature_measurement(bytes.fromhex(data))
    assert isinstance(said, Said) and (said.channel, said.unit) == ("probe", unit)
    assert same(said.value, value)


@given(st.integers(-0x7FFFFD, 0x7FFFFD), st.integers(-8, 8))
def test_any_float_is_its_mantissa_times_a_power_of_ten(mantissa: int, power: int) -> None:
    data = (mantissa & 0xFFFFFF).to_bytes(3, "little") + power.to_bytes(1, "little", signed=True)
    assert float_11073(data) == pytest.approx(float(f"{mantissa}e{power}"), rel=1e-15)


@pytest.mark.parametrize(
    ("data", "value"),
    [("c4 09", 25.0), ("38 ff", -2.0), ("00 00", 0.0), ("ff ff", -0.01), ("00 80", NAN)],
)
def test_an_environments_temperature(data: str, value: float) -> None:
    said = environmental_temperature(bytes.fromhex(data))
    assert isinstance(said, Said) and said.unit == "C"
    assert same(said.value, value)


@pytest.mark.parametrize(
    ("data", "value", "unit", "settled"),
    [
        ("03 04 02 00 a5 00", 165.0, "g", True),
        ("03 04 0b ff 1e 00", 3.0, "oz", True),  # 30 tenths of an ounce
        ("03 04 03 fd d2 04", 1.234, "kg", True),
        ("03 03 02 00 a5 00", 165.0, "g", False),  # in motion
        ("03 02 02 00 00 00", 0.0, "g", True),  # at zero
        ("03 05 02 00 0a 00", -10.0, "g", False),  # under zero
        ("03 06 02 00 ff ff", math.inf, "g", False),  # over its limit
        ("03 01 02 00 a5 00", NAN, "g", False),  # at fault
        ("03 07 02 00 a5 00", NAN, "g", False),  # wants a calibration
        ("03 08 0c ff 0a 00", NAN, "lb", False),  # wants to be zeroed
    ],
)
def test_a_usb_scales_report(data: str, value: float, unit: str, settled: bool) -> None:
    said = scale_report(bytes.fromhex(data))
    assert isinstance(said, Said) and (said.unit, said.settled) == (unit, settled)
    assert same(said.value, value)


@pytest.mark.parametrize(
    ("report", "data", "why"),
    [
        (weight_scale_measurement, "00 c8", "3 bytes or more"),
        (weight_scale_measurement, "02 c8 00 ea", "announce 10 bytes, found 4"),
        (temperature_measurement, "00 6c 01", "5 bytes or more"),
        (environmental_temperature, "00", "2 bytes"),
        (scale_report, "04 04 02 00 a5 00", "begins with 3"),
        (scale_report, "03 09 02 00 a5 00", "status 9"),
        (scale_report, "03 04 04 00 a5 00", "set it to grams or ounces"),
        (scale_report, "03 04 02 7f a5 00", "ten to the 127"),
    ],
)
def test_what_is_no_report_is_told_in_words(report: Callable[[bytes], Any], data: str, why: str) -> None:
    said = report(bytes.fromhex(data))
    assert isinstance(said, str) and why in said


@given(st.binary(max_size=24))
def test_no_bytes_whatever_are_raised_at(data: bytes) -> None:
    for report in (*CHARACTERISTICS.values(), scale_report):
        assert isinstance(report(data), Said | str)


# --- through stand-ins for the libraries -----------------------------------------------------------------------


@dataclass
class Characteristic:
    uuid: str
    properties: list[str]
    values: list[bytes]


@dataclass
class Service:
    characteristics: list[Characteristic]


@dataclass
class Air:
    """What a stand-in for bleak has on air: characteristics by address; why its radio is off."""

    devices: dict[str, list[Characteristic]] = field(default_factory=dict)
    off: str = ""
    gone: bool = False


def stand_in(monkeypatch: pytest.MonkeyPatch, name: str, **members: Any) -> types.ModuleType:
    module = types.ModuleType(name)
    module.__spec__ = ModuleSpec(name, None)
    vars(module).update(members)
    monkeypatch.setitem(sys.modules, name, module)
    return module


@pytest.fixture
def air(monkeypatch: pytest.MonkeyPatch) -> Air:
    on_air = Air()

    class BleakError(Exception):
        pass

    @dataclass
    class BLEDevice:
        address: str
        name: str | None

    class BleakScanner:
        @staticmethod
        async def discover(timeout: float, *, service_uuids: list[str]) -> list[BLEDevice]:
            assert service_uuids == list(SERVICES) and timeout > 0
            if on_air.off:
                raise BleakError(on_air.off)
            return [BLEDevice(a, "Counter scale" if n else None) for n, a in enumerate(on_air.devices)]

    class BleakClient:
        def __init__(self, address: str, *, timeout: float) -> None:
            self.address = address

        async def __aenter__(self) -> BleakClient:
            if self.address not in on_air.devices:
                raise BleakError(f"Device with address {self.address} was not found")
            self.services = [Service(on_air.devices[self.address])]
            return self

        async def __aexit__(self, *_: Any) -> None:
            pass

        @property
        def is_connected(self) -> bool:
            return not on_air.gone

        async def start_notify(
            self, characteristic: Characteristic, callback: Callable[[Any, bytearray], None]
        ) -> None:
            for value in characteristic.values:
                asyncio.get_running_loop().call_soon(callback, characteristic, bytearray(value))

        async def read_gatt_char(self, characteristic: Characteristic) -> bytearray:
            return bytearray(characteristic.values[0])

    stand_in(monkeypatch, "bleak", BleakScanner=BleakScanner, BleakClient=BleakClient)
    stand_in(monkeypatch, "bleak.exc", BleakError=BleakError)
    return on_air


WEIGHT, THERMOMETER, ROOM_AIR = CHARACTERISTICS
SCALE_AT, PROBE_AT = "AA:00:00:00:00:01", "AA:00:00:00:00:02"


def with_both(air: Air) -> None:
    weights = [bytes.fromhex(x) for x in ("00 c8 00", "00 00", "00 cc 00", "00 ff ff")]
    air.devices[SCALE_AT] = [Characteristic(WEIGHT, ["indicate"], weights)]
    air.devices[PROBE_AT] = [
        Characteristic("0000180a-0000-1000-8000-00805f9b34fb", ["read"], [b"x"]),
        Characteristic(ROOM_AIR, ["read"], [bytes.fromhex("38 ff")]),
    ]


def test_devices_on_air_are_listed_and_heard(air: Air) -> None:
    with_both(air)
    found = find_bluetooth()
    assert [(p.address, p.name) for p in found] == [
        (f"ble:{SCALE_AT}", "Bluetooth"),
        (f"ble:{PROBE_AT}", "Counter scale"),
    ]
    scale, probe = (listen(Device(p.address, p.name), decoders=load()) for p in found)
    assert scale.state is probe.state is PortState.OK
    assert scale.identity is not None and scale.identity.board == SCALE_AT
    assert probe.reading is not None and probe.reading.samples[0].value == -2.0


def test_a_scales_weights_come_as_lines_and_what_is_none_is_kept_beside_them(air: Air) -> None:
    with_both(air)
    link = open_port(f"ble:{SCALE_AT}", 115_200)
    assert not isinstance(link, Refusal)
    said: list[Any] = []
    while len(said) < 5:
        arrival = link.read()
        said += [] if arrival is None else [WireDecoder().decode(arrival.data.removesuffix(b"\r\n"))]
    link.close()
    _, first, none, second, fault = said
    assert isinstance(none, Reject) and b"3 bytes or more" in none.line
    values = [r.samples[0] for r in (first, second, fault) if isinstance(r, Reading)]
    assert [s.quantity for s in values] == [Quantity.MASS] * 3
    assert [s.value for s in values[:2]] == pytest.approx([1000.0, 1020.0])
    assert values[2].quality is Quality.SENSOR_FAULT


def test_a_device_that_is_asleep_gone_or_another_kind_is_told_in_words(air: Air) -> None:
    asleep = listen(Device("ble:AA:00:00:00:00:09", ""), decoders=load())
    assert asleep.state is PortState.ABSENT and "Wake it, and bring it nearer" in asleep.words
    air.devices["AA:00:00:00:00:03"] = []
    other = listen(Device("ble:AA:00:00:00:00:03", ""), decoders=load())
    assert other.state is PortState.ABSENT and "no scale or thermometer" in other.words
    with_both(air)
    air.gone = True
    with pytest.raises(PortError, match="it has gone"):
        read_port(Device(f"ble:{SCALE_AT}", ""), 60.0, decoders=load())


def test_the_command_lists_what_is_on_air_and_says_why_nothing_is(
    air: Air, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.capture.devices.ports.list_devices", lambda: ())
    monkeypatch.setattr("rig.capture.devices.ports.find_probes", lambda: ())
    with_both(air)
    told = json.loads(command("ports", "--json").out)
    assert [p["address"] for p in told["ports"]] == [f"ble:{SCALE_AT}", f"ble:{PROBE_AT}"]
    assert [p["state"] for p in told["ports"]] == ["ok", "ok"]
    air.off = "no adapter"
    said = command("ports")
    assert said.code == 0
    assert "Bluetooth of this computer cannot be used: no adapter" in " ".join(said.out.split())


@pytest.fixture
def plugged(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """Reports of a scale at /dev/hidraw7, through a stand-in for hidapi; it goes when they are used up."""
    reports: list[bytes] = []

    class Opened:
        def open_path(self, path: bytes) -> None:
            if path != b"/dev/hidraw7":
                raise OSError("open failed")

        def get_product_string(self) -> str:
            return "Counter \u00bd scale"

        def read(self, size: int, timeout_ms: int) -> list[int]:
            assert size >= 6 and timeout_ms > 0
            if not reports:
                raise OSError("read error")
            return list(reports.pop(0))

        def close(self) -> None:
            pass

    listed = [
        {"path": b"/dev/hidraw7", "usage_page": 0x8D, "product_string": "Counter scale"},
        {"path": b"/dev/hidraw8", "usage_page": 0x01, "product_string": "Keyboard"},
        {"path": b"/dev/hidraw9", "usage_page": 0x8D, "product_string": ""},
    ]
    stand_in(monkeypatch, "hid", device=Opened, enumerate=lambda: listed)
    return reports


def test_a_usb_scale_is_among_the_devices_and_heard(plugged: list[bytes]) -> None:
    plugged += [
        bytes.fromhex(x) for x in ("03 03 02 00 a0 00", "", "03 04 02 00 a5 00", "07 00", "03 04 02 00 a5 00")
    ]
    scale, other = (d for d in every_device() if d.address.startswith("hid:"))
    assert (scale.address, scale.description) == ("hid:/dev/hidraw7", "Counter scale")
    assert other.description == "USB scale"
    link = open_port(scale.address, 115_200)
    assert not isinstance(link, Refusal)
    said = []
    with pytest.raises(PortError, match="the scale has gone"):
        while True:
            arrival = link.read()
            said += [] if arrival is None else [WireDecoder().decode(arrival.data.removesuffix(b"\r\n"))]
    assert said[0].board == "Counter scale"  # type: ignore[union-attr]
    samples = [s.samples[0] for s in said if isinstance(s, Reading)]
    assert [(s.value, s.quality) for s in samples] == [
        (160.0, Quality.UNSETTLED),
        (165.0, Quality.GOOD),
        (165.0, Quality.GOOD),
    ]
    assert sum(isinstance(s, Reject) for s in said) == 1


@pytest.mark.parametrize(
    ("address", "trouble", "words"),
    [
        ("hid:/dev/hidraw9", Trouble.NOT_ALLOWED, "udev rule"),
        ("hid:/dev/hidraw8", Trouble.ABSENT, "Plug it in"),
        ("hid:/dev/hidraw3", Trouble.ABSENT, "Plug it in"),
    ],
)
def test_a_usb_scale_that_cannot_be_opened_is_told_with_what_to_do(
    plugged: list[bytes], address: str, trouble: Trouble, words: str
) -> None:
    refusal = open_port(address, 115_200)
    assert isinstance(refusal, Refusal) and refusal.trouble is trouble and words in refusal.words


@pytest.mark.parametrize(
    ("library", "address", "extra"),
    [("bleak", "ble:AA:00:00:00:00:01", "bluetooth"), ("hid", "hid:/dev/hidraw7", "hid")],
)
def test_without_its_library_an_address_is_refused_with_what_to_install(
    library: str, address: str, extra: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    for module in ("bluetooth", "usb_scale"):
        monkeypatch.setattr(f"rig.capture.devices.{module}.find_spec", lambda name: None)
    refusal = open_port(address, 115_200)
    assert isinstance(refusal, Refusal) and f"chillrig[{extra}]" in refusal.words
    assert find_bluetooth() == ()
