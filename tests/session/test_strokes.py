"""Strokes that a device counts, or that are found in its acceleration, reach the live stop as heard ones do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.capture.decoding.dialects import load
from rig.capture.decoding.readings import Quality, Quantity, Sample
from rig.capture.devices.ports import PortSpec
from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock
from rig.capture.recording.follow import Follower, StopWords
from rig.capture.recording.process import start_recording
from rig.capture.recording.recorder_files import Plan
from rig.session.drink import Session
from rig.session.strokes import Strokes
from rig.session.way import Way
from rig.signals.moments import Rhythm
from tests.bar_device import waited

HZ = 3.7


def counted(hz: float, quality: Quality = Quality.GOOD, channel: str = "cadence") -> Sample:
    return Sample(channel, Quantity.CADENCE, hz, quality)


def told(every_s: float, hz: float = HZ, port: int = 0, strokes: Strokes | None = None) -> Strokes:
    """Strokes told from rest at 0 s, moved from 2 s on."""
    strokes = strokes or Strokes()
    for t in np.arange(0.0, 8.0, every_s):
        strokes.hear(float(t), port, [counted(0.0 if t < 2.0 else hz)])
    return strokes


def test_a_devices_cadence_is_the_mean_since_the_start_without_its_first_second() -> None:
    strokes = Strokes()
    for t in np.arange(0.0, 8.0, 0.5):
        strokes.hear(float(t), 0, [counted(0.0 if t < 2.0 else 2.0 if t < 3.0 else HZ)])
    found = strokes.since(2.0)
    assert found is not None and found.cadence_hz == pytest.approx(HZ)
    assert 0.0 < found.cadence_std_hz < 0.02 * HZ
    assert strokes.since(None) is None
    assert strokes.since(6.5) is None, "too little of it by now"


def test_rest_and_readings_that_are_none_do_not_count() -> None:
    strokes = told(0.25)
    for t in (8.0, 8.5, 9.0):
        strokes.hear(t, 0, [counted(0.0)])
        strokes.hear(t + 0.2, 0, [counted(9.0, Quality.SENSOR_FAULT)])
        strokes.hear(t + 0.3, 0, [counted(float("nan"))])
    found = strokes.since(2.0)
    assert found is not None and found.cadence_hz == pytest.approx(HZ)


def test_the_first_device_that_counts_is_heard_and_quick_ones_no_more_surely() -> None:
    strokes = told(0.25)
    told(0.25, 9.0, port=1, strokes=strokes)
    slow, quick = strokes.since(2.0), told(0.01).since(2.0)
    assert slow is not None and quick is not None
    assert slow.cadence_hz == pytest.approx(HZ)
    assert quick.cadence_std_hz == pytest.approx(slow.cadence_std_hz, rel=0.2)


def test_strokes_are_found_in_acceleration_and_a_cadence_that_is_told_goes_before() -> None:
    """A hand along one direction in gravity, fifty readings a second, as the sketch of an accelerometer sends."""
    strokes = Strokes()
    for t in np.arange(0.0, 10.0, 0.02):
        swing = 15.0 * np.sin(2.0 * np.pi * HZ * t) if t > 2.0 else 0.0
        axes = (0.8 * swing, 0.6 * swing, 9.8)
        strokes.hear(float(t), 0, [Sample(f"a{n}", Quantity.ACCELERATION, a) for n, a in enumerate(axes)])
    found = strokes.since(2.0)
    assert found is not None and found.cadence_hz == pytest.approx(HZ, rel=0.03)
    told(0.25, 5.0, port=1, strokes=strokes)
    found = strokes.since(2.0)
    assert found is not None and found.cadence_hz == pytest.approx(5.0)


def test_a_board_that_counts_strokes_and_has_no_probe_is_what_the_live_stop_goes_by(tmp_path: Path) -> None:
    """A real pseudo-terminal, its recorder and its follower: the advisor is told the rhythm, and no temperature."""
    said: list[tuple[float | None, Rhythm | None]] = []

    def advisor(
        time_s: float, temp_c: float | None, rhythm: Rhythm | None, believed_until_s: float
    ) -> StopWords | None:
        said.append((temp_c, rhythm))
        return None

    now_s = simulated_clock(1.0)
    board = SimulatedDevice(tmp_path / "board", lambda second: [("cadence", HZ, "Hz")], 20.0)
    pacer = Pacer(board, now_s)
    pacer.start()
    recording = start_recording(Plan(tmp_path / "kept", (PortSpec(board.address, dialect="wire"),), {}))
    try:
        session = Session(
            recording, Follower(recording.files.journal, load(())), Way("shake", ()), advisor=advisor
        )

        def ticked() -> bool:
            session.tick()
            return session.follower.cadence_hz is not None

        waited(ticked, "heard")
        while session.expecting is not None:
            session.skip()
            session.tick()
        session.act()
        waited(lambda: (session.tick(), said and said[-1][1])[1], "a rhythm")
        temp_c, rhythm = said[-1]
        assert temp_c is None and rhythm is not None
        assert rhythm.cadence_hz == pytest.approx(HZ) and session.rhythm is not None
    finally:
        recording.end()
        pacer.stop()
        board.close()
