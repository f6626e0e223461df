"""Probes below /sys: found, read and recorded from a tree built as the kernel builds it."""

from __future__ import annotations

import math
import queue
import threading
from pathlib import Path

import pytest

from rig.capture.decoding.dialects import load
from rig.capture.decoding.readings import Quality, Reading
from rig.capture.decoding.wire import WireDecoder
from rig.capture.devices.ports import PortSpec, open_port
from rig.capture.devices.sysfs import SysfsLink, find_probes, read_temp_c
from rig.capture.devices.transport import Arrival, Refusal, Trouble
from rig.capture.recording.journal import EventKind, Line
from rig.capture.recording.recorder_port import PortReader, Records
from rig.errors import PortError

GOOD = "b5 01 4b 46 7f ff 0b 10 1b : crc=1b YES\nb5 01 4b 46 7f ff 0b 10 1b t=27312\n"
BAD = GOOD.replace("YES", "NO")


def put(root: Path, path: str, text: str) -> Path:
    file = root / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text, encoding="ascii")
    return file


@pytest.fixture
def root(tmp_path: Path) -> Path:
    put(tmp_path, "bus/w1/devices/28-0316a2795be4/w1_slave", GOOD)
    put(tmp_path, "bus/w1/devices/28-0316a2795be5/w1_slave", GOOD)
    put(tmp_path, "bus/w1/devices/28-0316a2795be5/temperature", "-1250\n")
    put(tmp_path, "bus/w1/devices/w1_bus_master1/w1_master_name", "w1_bus_master1\n")
    put(tmp_path, "bus/iio/devices/iio:device0/name", "mcp9600\n")
    put(tmp_path, "bus/iio/devices/iio:device0/in_temp_raw", "352\n")
    put(tmp_path, "bus/iio/devices/iio:device0/in_temp_scale", "62.5\n")
    put(tmp_path, "bus/iio/devices/iio:device0/in_temp_ambient_input", "21500\n")
    put(tmp_path, "bus/iio/devices/iio:device0/in_temp_ambient_raw", "9\n")
    put(tmp_path, "bus/iio/devices/iio:device1/in_voltage0_raw", "9\n")
    return tmp_path


def test_every_thermometer_is_found_once_and_nothing_else(root: Path) -> None:
    assert [(p.name, p.file.name) for p in find_probes(root)] == [
        ("1-Wire 28-0316a2795be4", "w1_slave"),
        ("1-Wire 28-0316a2795be5", "temperature"),
        ("mcp9600 ambient", "in_temp_ambient_input"),
        ("mcp9600", "in_temp_raw"),
    ]
    assert find_probes(root / "nowhere") == ()


def test_every_kind_of_file_gives_degrees_celsius(root: Path) -> None:
    assert [read_temp_c(p.file) for p in find_probes(root)] == pytest.approx([27.312, -1.25, 21.5, 22.0])


def test_raw_counts_are_offset_before_they_are_scaled(tmp_path: Path) -> None:
    file = put(tmp_path, "in_temp_raw", "1200")
    put(tmp_path, "in_temp_offset", "-800")
    put(tmp_path, "in_temp_scale", "62.5")
    assert read_temp_c(file) == pytest.approx(25.0)


@pytest.mark.parametrize("text", [BAD, GOOD.replace("27312", "85000")], ids=["bad check", "power-on value"])
def test_what_a_probe_itself_doubts_is_no_temperature(tmp_path: Path, text: str) -> None:
    assert math.isnan(read_temp_c(put(tmp_path, "w1_slave", text)))


@pytest.mark.parametrize(("name", "text"), [("temperature", ""), ("w1_slave", "\n"), ("in_temp_raw", "n/a")])
def test_a_file_that_holds_no_temperature_gives_none(tmp_path: Path, name: str, text: str) -> None:
    assert math.isnan(read_temp_c(put(tmp_path, name, text)))


def test_a_file_that_cannot_be_read_is_an_error_that_names_it(tmp_path: Path) -> None:
    with pytest.raises(PortError, match="w1_slave"):
        read_temp_c(tmp_path / "w1_slave")


def next_reading(link: SysfsLink) -> Reading:
    arrival = None
    while arrival is None:
        arrival = link.read()
    assert isinstance(arrival, Arrival)
    said = WireDecoder().decode(arrival.data.strip())
    assert isinstance(said, Reading)
    return said


def test_a_polled_probe_speaks_the_wire_format_and_shows_its_faults(root: Path) -> None:
    probe = find_probes(root)[0]
    link = SysfsLink(probe, poll_s=0.0)
    first = next_reading(link)
    assert (first.sequence, first.samples[0].value) == (0, pytest.approx(27.312))
    probe.file.write_text(BAD, encoding="ascii")
    while (reading := next_reading(link)).samples[0].quality is Quality.GOOD:
        pass
    assert reading.samples[0].quality is Quality.SENSOR_FAULT
    probe.file.unlink()
    with pytest.raises(PortError, match="does not answer"):
        while True:
            link.read()
    link.close()


def test_a_probe_is_recorded_like_any_port(root: Path) -> None:
    probe = find_probes(root)[1]
    records: Records = queue.Queue()
    stop = threading.Event()
    reader = PortReader(0, PortSpec(probe.address), records, stop, load())
    reader.start()
    opened, line = records.get(timeout=10), records.get(timeout=10)
    stop.set()
    reader.join(10)
    assert not isinstance(opened, Line)
    assert opened.kind is EventKind.OPEN
    assert isinstance(line, Line)
    assert b"probe=-1.25C" in line.line


def test_a_probe_that_is_not_wired_is_absent(root: Path) -> None:
    refusal = open_port(f"sysfs:{root}/bus/w1/devices/28-none/temperature", 0)
    assert isinstance(refusal, Refusal)
    assert refusal.trouble is Trouble.ABSENT
