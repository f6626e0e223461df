"""A stall of the computer costs no reading that was on file: each gets a time of its own, and it is said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.capture.decoding import wire
from rig.capture.decoding.dialects import load
from rig.capture.devices.ports import PortSpec
from rig.capture.recording.journal import Event, EventKind, JournalFile, Line, read_journal
from rig.capture.to_run.intake import recorded_in
from tests.capture.test_journal import HEADER

NS = 10**9
PACE_S, STALL_S = 0.1, 8.0


def said(dialect: str, k: int) -> bytes:
    if dialect == "wire":
        return wire.encode(k, int(1000 * PACE_S * k), [("probe", 20.0 - 0.05 * k, "C")]).rstrip()
    return b"%+9.2f g" % (500.0 + k)


def stalled(path: Path, dialect: str, jitter_s: float) -> Path:
    """Readings at ten a second; for eight seconds nobody reads, then all that waited come at once."""
    rng = np.random.default_rng(4)
    records: list[Line | Event] = [Event(2 * NS, EventKind.START)]
    for k in range(240):
        taken_s = PACE_S * k + (rng.uniform(0, jitter_s) if jitter_s else 0.0)
        arrived_s = 16.0 if 8.0 < taken_s < 16.0 else taken_s
        records.append(Line(HEADER.mono_ns + int((arrived_s + 0.002) * NS), 0, said(dialect, k)))
    records.append(Event(20 * NS, EventKind.STOP))
    file = JournalFile(path)
    port = PortSpec("/dev/ttyUSB0", 9600, "wire" if dialect == "wire" else dialect, None, "scale")
    file.append([HEADER.__class__(**{**vars(HEADER), "ports": (port,)}), *records])
    file.close()
    return path


@pytest.mark.parametrize(
    ("dialect", "jitter_s"), [("wire", 0.0), ("scale-plain", 0.0), ("scale-plain", 0.09)]
)
def test_all_readings_of_a_stall_are_in_the_run_with_times_of_their_own(
    tmp_path: Path, dialect: str, jitter_s: float
) -> None:
    journal = read_journal(stalled(tmp_path / "j.ndjson", dialect, jitter_s))
    recorded = recorded_in(journal, load(()))
    trace = recorded.run.trace
    assert trace is not None
    values = trace.scale_g if dialect != "wire" else trace.probe_c
    assert values is not None
    first = 0 if dialect == "wire" else 1  # the first line of a device without checksums may be half of one
    assert np.isfinite(values).sum() == 240 - first
    assert (np.diff(trace.time_s) > 0).all()
    taken_s = trace.time_s - trace.time_s[0]
    assert np.abs(taken_s - PACE_S * np.arange(240 - first)).max() < (0.6 if jitter_s else 0.3)
    (found,) = [f for f in recorded.findings if "late" in f.what]
    assert "up to 7." in found.what or "up to 8." in found.what


def test_readings_that_come_two_at_a_time_are_apart_and_no_stall(tmp_path: Path) -> None:
    records = [
        Line(HEADER.mono_ns + int((0.2 * (k // 2) + 0.07 * (k % 4 > 1)) * NS), 0, said("scale-plain", k))
        for k in range(100)
    ]
    file = JournalFile(tmp_path / "j.ndjson")
    port = PortSpec("/dev/ttyUSB0", 9600, "scale-plain", None, "scale")
    file.append([HEADER.__class__(**{**vars(HEADER), "ports": (port,)}), *records])
    file.close()
    recorded = recorded_in(read_journal(tmp_path / "j.ndjson"), load(()))
    assert recorded.run.trace is not None and recorded.run.trace.time_s.size == 99
    assert not [f for f in recorded.findings if "late" in f.what]
