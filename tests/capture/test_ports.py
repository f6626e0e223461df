"""Ports: which device is which, and what each is heard saying, in words."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from rig.capture.decoding import wire
from rig.capture.decoding.dialects import load
from rig.capture.decoding.readings import Reading, Reject
from rig.capture.devices import ports as ports_module
from rig.capture.devices.health import PortState
from rig.capture.devices.ports import Device, Ear, PortSpec, UsbIdentity, resolve
from rig.capture.devices.ports_listen import listen
from rig.capture.devices.simulated.device import SimulatedDevice
from rig.capture.devices.transport import Arrival, Link, Refusal
from rig.cli.app import app
from rig.errors import NotFound, PortError

BOARD = UsbIdentity(0x2341, 0x0043, "85735313932351E0A1B2", "1-1.2")
CLONE = UsbIdentity(0x1A86, 0x7523, None, "1-1.3")


class Played:
    """A link that plays bytes, one chunk a read, then silence; `gone` at the end raises instead."""

    def __init__(self, chunks: list[bytes], gone: bool = False) -> None:
        self.chunks, self.gone, self.closed = chunks, gone, False

    def read(self) -> Arrival | None:
        if self.chunks:
            return Arrival(self.chunks.pop(0), 0)
        if self.gone:
            raise PortError("the device has gone")
        return None

    def close(self) -> None:
        self.closed = True


def hear(by_baud: dict[int, list[bytes]], gone: bool = False) -> tuple[object, dict[int, Played]]:
    links = {baud: Played(list(chunks), gone) for baud, chunks in by_baud.items()}
    ticks = itertools.count()

    def opener(address: str, baud: int) -> Link | Refusal:
        return links[baud]

    heard = listen(
        Device("/dev/ttyACM0", "board", BOARD),
        tuple(by_baud),
        decoders=load(),
        opener=opener,
        now_s=lambda: next(ticks) / 10,
    )
    return heard, links


def wire_lines(count: int) -> list[bytes]:
    return [wire.encode(n, n * 100, [("probe", 20.5, "C")]) for n in range(count)]


@pytest.mark.parametrize(
    ("listed", "found"),
    [
        ([Device("/dev/ttyACM1", "", BOARD)], "/dev/ttyACM1"),
        ([Device("/dev/ttyACM0", "", UsbIdentity(0x2341, 0x0043, "another", "1-1.2"))], None),
        ([Device("/dev/ttyACM0", "", CLONE), Device("/dev/ttyACM7", "", BOARD)], "/dev/ttyACM7"),
        ([], None),
    ],
    ids=["renamed", "another board in its socket", "among others", "nothing plugged in"],
)
def test_a_device_is_found_again_by_its_serial_number_whatever_it_is_called(
    listed: list[Device], found: str | None
) -> None:
    assert resolve(PortSpec("/dev/ttyACM0", usb=BOARD), lambda: listed) == found


def test_a_device_without_a_serial_number_is_known_by_the_socket_it_is_in() -> None:
    moved = UsbIdentity(CLONE.vid, CLONE.pid, None, "1-1.4")
    listed = [Device("/dev/ttyUSB0", "", moved), Device("/dev/ttyUSB1", "", CLONE)]
    assert resolve(PortSpec("/dev/ttyUSB0", usb=CLONE), lambda: listed) == "/dev/ttyUSB1"


def test_a_port_without_usb_identity_is_where_it_was() -> None:
    assert resolve(PortSpec("socket://scale:4001"), lambda: []) == "socket://scale:4001"


def test_a_spec_survives_its_way_through_the_header() -> None:
    spec = PortSpec("/dev/ttyUSB0", 9600, "wire", CLONE, "left probe")
    assert PortSpec.from_dict(json.loads(json.dumps(spec.to_dict()))) == spec


def test_a_board_that_names_itself_is_heard_by_name_and_reading() -> None:
    heard, links = hear({115200: [wire.encode_identity("tin-probe", "1.2", ["probe"]), *wire_lines(4)]})
    assert (heard.state, heard.dialect, heard.baud) == (PortState.OK, "wire", 115200)
    assert heard.identity is not None
    assert heard.identity.board == "tin-probe"
    assert heard.reading is not None
    assert heard.reading.samples[0].value == 20.5
    assert links[115200].closed


def test_a_scale_at_another_speed_is_found_by_listening() -> None:
    noise = bytes([0x00, 0x80, 0xF8]) * 40
    scale = [b"12.5 g\r\n", *[b"ST,GS,+  123.45 g\r\n"] * 8]
    heard, links = hear({115200: [noise], 9600: scale})
    assert (heard.state, heard.baud) == (PortState.OK, 9600)
    assert heard.reading is not None
    assert heard.reading.samples[0].value == 123.45
    assert all(link.closed for link in links.values())


@pytest.mark.parametrize(
    ("chunks", "state", "words"),
    [
        ([], PortState.SILENT, "silent"),
        ([bytes([0x00, 0x80, 0xF8]) * 40], PortState.UNREADABLE, "wrong speed"),
        ([b"good evening\r\n"] * 8, PortState.UNREADABLE, "no dialect"),
        ([b"$R,1,2,probe=20C*0000\r\n"] * 8, PortState.UNREADABLE, "checksum"),
    ],
    ids=["silent", "wrong speed", "words", "bad check"],
)
def test_where_nothing_is_understood_the_reason_is_said(
    chunks: list[bytes], state: PortState, words: str
) -> None:
    heard, _ = hear({115200: chunks})
    assert heard.state is state
    assert words in heard.words


def test_a_device_pulled_while_listening_is_absent() -> None:
    heard, links = hear({115200: wire_lines(1)}, gone=True)
    assert heard.state is PortState.ABSENT
    assert links[115200].closed


SCALE = [b"12.5 g\r\n".strip(), *[b"ST,GS,+  123.45 g"] * 6]


def test_an_ear_takes_the_dialect_that_suits_and_never_the_tail_of_a_line() -> None:
    ear = Ear(None, load())
    said = [ear.hear(line) for line in SCALE]
    assert isinstance(said[0], Reject)
    assert isinstance(said[-1], Reading)
    ear.reopened()
    assert isinstance(ear.hear(SCALE[1]), Reject)
    assert isinstance(ear.hear(SCALE[1]), Reading)


def test_a_checked_line_counts_from_the_first_on() -> None:
    ear = Ear("wire", load())
    assert isinstance(ear.hear(wire_lines(1)[0].strip()), Reading)


def test_a_dialect_that_does_not_exist_is_named_with_those_that_do() -> None:
    with pytest.raises(NotFound, match="wire"):
        Ear("wires", load())


@pytest.fixture
def device(tmp_path: Path) -> Iterator[SimulatedDevice]:
    device = SimulatedDevice(tmp_path / "probe", lambda s: [("probe", 20.5, "C")])
    yield device
    device.close()


def ports(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["ports", *arguments], env={"COLUMNS": "100"})
    return result.exit_code, result.stdout


def test_the_command_says_what_a_device_says(
    device: SimulatedDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    def opener(address: str, baud: int) -> Link | Refusal:
        link = ports_module.open_link(address, baud)
        device.identify()
        device.send(5)
        return link

    monkeypatch.setattr(
        "rig.capture.devices.ports_listen.listen.__kwdefaults__", {**listen.__kwdefaults__, "opener": opener}
    )
    code, out = ports(device.address)
    assert code == 0
    assert "sim-1 (sim)" in out
    assert "probe 20.5 °C" in out
    assert max(map(len, out.splitlines())) <= 100
    code, out = ports(device.address, "--json")
    (entry,) = json.loads(out)["ports"]
    assert (entry["state"], entry["dialect"], entry["board"]) == ("ok", "wire", "sim-1")
    assert entry["channels"] == [
        {"name": "probe", "quantity": "temperature", "value": 20.5, "quality": "good"}
    ]


def test_the_command_says_why_nothing_is_heard(device: SimulatedDevice, tmp_path: Path) -> None:
    code, out = ports(device.address, str(tmp_path / "nothing"), "--listen-s", "0.1", "--json")
    assert code == 0
    silent, absent = json.loads(out)["ports"]
    assert (silent["state"], absent["state"]) == ("silent", "absent")


def test_without_any_device_the_command_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rig.capture.devices.ports.list_devices", lambda: ())
    monkeypatch.setattr("rig.capture.devices.ports.find_probes", lambda: ())
    code, out = ports()
    assert code == 0
    assert "--simulated" in out
