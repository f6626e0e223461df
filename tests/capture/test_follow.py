"""Following a recording: which of several channels stands for the drink."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import count
from pathlib import Path

import pytest

from rig.capture.decoding import wire
from rig.capture.decoding.dialects import load
from rig.capture.devices.ports import PortSpec
from rig.capture.recording.follow import Follower
from rig.capture.recording.journal import Event, EventKind, Header, JournalFile, Line

S = 1_000_000_000


def followed(folder: Path, said: list[tuple[int, str, float] | EventKind]) -> Follower:
    """A follower of two ports that has heard these: port, channel, °C; and these events; a tenth apart."""
    journal = JournalFile(folder / "one.ndjson")
    ports = (PortSpec("/dev/first", dialect="wire"), PortSpec("/dev/second", dialect="wire"))
    journal.append([Header("one", datetime(2031, 4, 6, tzinfo=UTC), 0, ports)])
    sequence = count()
    for n, what in enumerate(said):
        at_ns = n * S // 10
        if isinstance(what, EventKind):
            journal.append([Event(at_ns, what)])
        else:
            port, channel, value = what
            line = wire.encode(next(sequence), at_ns // 1_000_000, [(channel, value, "C")])
            journal.append([Line(at_ns, port, line.rstrip())])
    journal.close()
    follower = Follower(folder / "one.ndjson", load(()))
    follower.poll()
    return follower


@pytest.mark.parametrize("first", [0, 1])
def test_the_first_port_reads_the_drink_whichever_spoke_first(tmp_path: Path, first: int) -> None:
    said = [(first, "probe", float(first)), (1 - first, "probe", float(1 - first))]
    assert followed(tmp_path, [*said, *said]).temp_c == 0.0


def test_once_the_drink_is_moved_its_probe_stays(tmp_path: Path) -> None:
    late = followed(tmp_path, [(1, "probe", 21.0), EventKind.START, (0, "wall", 4.0), (1, "probe", 20.0)])
    assert late.temp_c == 20.0


def test_the_room_is_never_the_drink(tmp_path: Path) -> None:
    heard = followed(tmp_path, [(0, "room", 22.0), (1, "probe", 4.0), (0, "room", 22.1)])
    assert heard.temp_c == 4.0


def test_a_channel_without_a_reading_says_so(tmp_path: Path) -> None:
    assert followed(tmp_path, [(0, "room", 22.0)]).temp_c is None
