"""A port read for some seconds: opened once, every reading with its time, and words where there is none."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest

from rig.capture.decoding import wire
from rig.capture.decoding.dialects import load
from rig.capture.decoding.readings import Quantity
from rig.capture.devices.ports import Device
from rig.capture.devices.ports_read import PortRead, read_port
from rig.capture.devices.transport import Arrival, Link, Refusal, Trouble
from rig.errors import NotEnoughData, PortError

STEP_S = 0.1
BOARD = Device("/dev/ttyACM0", "board")


class Played:
    """A link that plays a line a read, each a tenth of a second after the other; `gone` at the end raises."""

    def __init__(self, lines: Sequence[bytes], gone: bool = False) -> None:
        self.lines, self.gone, self.closed, self.reads = list(lines), gone, 0, itertools.count()

    def read(self) -> Arrival | None:
        n = next(self.reads)
        if n < len(self.lines):
            return Arrival(self.lines[n], int(n * STEP_S * 1e9))
        if self.gone:
            raise PortError("/dev/ttyACM0: the device has gone")
        return None

    def close(self) -> None:
        self.closed += 1


def read(lines: Sequence[bytes], seconds: float = 2.0, gone: bool = False) -> tuple[PortRead, Played, int]:
    link, opened, ticks = Played(lines, gone), itertools.count(), itertools.count()

    def opener(_address: str, _baud: int) -> Link | Refusal:
        next(opened)
        return link

    found = read_port(BOARD, seconds, decoders=load(), opener=opener, now_s=lambda: next(ticks) * STEP_S)
    return found, link, next(opened)


def lines(count: int, *, board: str = "bar-1") -> list[bytes]:
    said = [wire.encode_identity(board, "1", ["room", "tip"])] if board else []
    return said + [
        wire.encode(n, 100 * n, [("room", 21.0, "C"), ("tip", 0.1 * n, "C")]) for n in range(count)
    ]


def test_a_port_is_opened_once_and_every_reading_of_it_is_there() -> None:
    found, link, opened = read(lines(18))
    assert (opened, link.closed) == (1, 1)
    time_s, value = found.of(Quantity.TEMPERATURE, "tip")
    assert value == pytest.approx(0.1 * np.arange(18))
    assert time_s == pytest.approx(STEP_S * np.arange(18), abs=1e-6)


def test_the_device_is_called_as_recordings_call_it() -> None:
    assert read(lines(18))[0].name == "bar-1"
    assert read(lines(18, board=""))[0].name == "/dev/ttyACM0"


def test_channels_of_the_room_come_last() -> None:
    assert read(lines(18))[0].channels(Quantity.TEMPERATURE) == ("tip", "room")
    assert read(lines(18))[0].channels(Quantity.MASS) == ()


def test_a_sensor_at_fault_gives_no_value_but_words() -> None:
    faulty = [wire.encode(n, 100 * n, [("tip", float("nan"), "C")]) for n in range(18)]
    found, _, _ = read(faulty)
    with pytest.raises(NotEnoughData, match="no value at rest"):
        found.of(Quantity.TEMPERATURE, "tip")


@pytest.mark.parametrize(
    ("sent", "gone", "says"),
    [
        ([], False, "not a byte has come"),
        ([b"hello there\n"] * 400, False, "no valid line"),
        (lines(8), True, "the device has gone"),
    ],
    ids=["silent", "strange", "unplugged meanwhile"],
)
def test_a_port_that_is_not_understood_is_told_and_closed(sent: list[bytes], gone: bool, says: str) -> None:
    link = Played(sent, gone)
    ticks = itertools.count()
    with pytest.raises(PortError, match=says):
        read_port(BOARD, 2.0, decoders=load(), opener=lambda *_: link, now_s=lambda: next(ticks) * STEP_S)
    assert link.closed >= 1


def test_a_port_that_another_program_has_is_told() -> None:
    with pytest.raises(PortError, match="close the other program"):
        read_port(
            BOARD, 2.0, decoders=load(), opener=lambda *_: Refusal(Trouble.IN_USE, "close the other program")
        )
