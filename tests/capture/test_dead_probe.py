"""A probe that dies while the drink is moved: real pseudo-terminals, the real recorder, the run that comes of it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from rig.advice.check.left_out import left_out
from rig.capture.decoding.dialects import load
from rig.capture.devices.simulated.drink import make_drink
from rig.capture.devices.simulated.rig import SimulatedRig
from rig.capture.recording.follow import Follower, StopWords
from rig.capture.recording.journal import read_journal
from rig.capture.recording.process import start_recording
from rig.capture.recording.recorder_files import Plan
from rig.capture.to_run.intake import Recorded, recorded_in
from rig.capture.to_run.probe_doubted import AS_READ
from rig.cli.record.keys import run_session
from rig.cli.record.view import screen
from rig.fitting.bench_fit import fit
from rig.fitting.result import Verdict
from rig.runs import PROBE_DOUBT, Gravity, RunBook
from rig.session.drink import Session
from rig.session.probe import ProbeWatch
from rig.session.way import Way
from rig.signals.moments import Rhythm
from rig.signals.probe_faults import ProbeFault
from tests.cli.small_bench import BENCH, small_book

TIME_SCALE = 4.0
DIES_S, STOPPED_S = 4.0, 16.0
Breaks = Callable[[SimulatedRig], object]
shown: list[str] = []
"""What the terminal showed while the drink was moved."""


def unplugged(rig: SimulatedRig) -> None:
    """By the thread that sends, as the device asks for."""

    def gone(at_s: float) -> list[tuple[str, float, str]]:
        rig.probe.unplug()
        return [("probe", 0.0, "C")]

    rig.probe.channels = gone


def silent(rig: SimulatedRig) -> None:
    rig.probe.write = lambda data: None  # type: ignore[method-assign]


def garbage(rig: SimulatedRig) -> None:
    rig.probe.channels = lambda s: [("probe", float("nan"), "C")]


def out_of_drink(rig: SimulatedRig) -> None:
    at_s = rig.hands.now_s()
    rig.probe.channels = lambda s: [("probe", min(12.0 + 2.0 * (s - at_s), 24.0), "C")]


def jumping(rig: SimulatedRig) -> None:
    rig.probe.channels = lambda s: [("probe", -127.0, "C")]


def in_fahrenheit(rig: SimulatedRig) -> None:
    rig.probe.channels = lambda s: [("probe", 32.0 + 1.8 * rig.hands.probe_c(s), "C")]


def made(
    folder: Path, breaks: Breaks, before: bool = False, key: str = ""
) -> tuple[Session, list[bool], Recorded]:
    """One drink whose probe breaks while it is moved, or before: the session, when it was advised blind, the run."""
    blind: list[bool] = []
    shown.clear()

    def advisor(
        time_s: float, temp_c: float | None, rhythm: Rhythm | None, believed_until_s: float
    ) -> StopWords:
        blind.append(temp_c is None)
        return StopWords("by the clock" if temp_c is None else "by the probe")

    with SimulatedRig(make_drink(3), time_scale=TIME_SCALE) as rig:
        if before:
            breaks(rig)
        way = Way("shake", (("coffee", 50.0), ("rum", 34.0)), vessel_g=300.0, duration_s=STOPPED_S)
        meta = {
            "bench_name": "corner", "bench": BENCH, "probe_in_drink": True, "usual_start_c": 24.0,
            "run": {"technique": "shake", "vessel": "steel tin", "ice": "freezer cube", "recipe": "night shift"},
        }  # fmt: skip
        plan = Plan(folder, rig.ports, meta, time_scale=TIME_SCALE)
        recording = start_recording(plan)
        session = Session(
            recording,
            Follower(plan.files.journal, load()),
            way,
            by_itself=True,
            advisor=advisor,
            watch=ProbeWatch(24.0, in_drink=True, time_scale=TIME_SCALE),
            hands=rig.hands,
        )
        broken = before

        def show(session: Session) -> None:
            if session.moving:
                console = Console(width=100)
                with console.capture() as captured:
                    console.print(screen(session))
                shown.append(captured.get())

        def wait(pace_s: float) -> str:
            nonlocal broken
            if not broken and session.moved_s > DIES_S:
                broken = True
                breaks(rig)
            time.sleep(0.005)
            return key if session.watch.doubt is not None else ""

        run_session(session, wait, show)
        recording.end()
    return session, blind, recorded_in(read_journal(plan.files.journal), load())


@pytest.mark.parametrize("breaks", [unplugged, silent, garbage])
def test_a_probe_that_goes_quiet_is_said_and_the_call_goes_by_the_clock(
    tmp_path: Path, breaks: Breaks
) -> None:
    session, blind, recorded = made(tmp_path, breaks)
    assert session.watch.doubt is not None
    assert session.watch.doubt.fault is ProbeFault.SILENT
    assert "silent" in session.watch.words
    assert not blind[0] and blind[-1]
    assert session.words == StopWords("by the clock")
    assert "silent" not in shown[0]
    assert "The probe fell silent" in shown[-1] and "by the clock" in shown[-1]
    assert ("it is unplugged" in shown[-1]) is (breaks is unplugged)
    assert session.temp_c is None
    assert "temperature at the end is not known" in recorded.run.extra[PROBE_DOUBT]
    assert any(f.gravity is Gravity.DOUBT and "silent" in f.what for f in recorded.findings)


@pytest.mark.parametrize(
    ("breaks", "fault"), [(out_of_drink, ProbeFault.OUT_OF_DRINK), (jumping, ProbeFault.JUMPED)]
)
def test_readings_that_no_drink_can_show_take_no_part_and_stay_beside_the_trace(
    tmp_path: Path, breaks: Breaks, fault: ProbeFault
) -> None:
    session, blind, recorded = made(tmp_path, breaks)
    assert session.watch.doubt is not None and session.watch.doubt.fault is fault
    assert blind[-1] and session.temp_c is None
    trace = recorded.run.trace
    assert trace is not None and trace.probe_c is not None
    late = trace.time_s > DIES_S + 6.0
    assert np.isnan(trace.probe_c[late]).all()
    assert np.isfinite(trace.probe_c[~late]).any()
    assert np.isfinite(trace.probes_c[AS_READ][late]).any()


def test_a_probe_that_speaks_fahrenheit_is_said_and_its_start_is_not_taken(tmp_path: Path) -> None:
    session, blind, recorded = made(tmp_path, in_fahrenheit, before=True)
    assert session.watch.doubt is not None and session.watch.doubt.fault is ProbeFault.FAHRENHEIT
    assert all(blind)
    assert "as °F" in session.watch.words
    assert recorded.run.drink_temp_c is None


def test_a_person_can_say_that_the_probe_is_right_as_it_reads(tmp_path: Path) -> None:
    session, blind, recorded = made(tmp_path, in_fahrenheit, before=True, key="b")
    assert session.watch.doubt is None
    assert not blind[-1]
    assert PROBE_DOUBT not in recorded.run.extra
    assert recorded.run.drink_temp_c == pytest.approx(75.0, abs=6.0)


def test_a_run_whose_probe_died_is_fitted_as_doubtful_and_has_no_end_temperature(tmp_path: Path) -> None:
    book = small_book()
    runs = tuple(
        replace(r, extra={PROBE_DOUBT: "the probe is silent since 4 s of motion"}) if r.run == "a2" else r
        for r in book.runs
    )
    found = fit(RunBook(book.bench, runs))
    judged = next(r for r in found.runs if r.run == "a2")
    assert judged.verdict is Verdict.DOUBTFUL
    assert any("silent" in reason for reason in judged.reasons)
    left = left_out(found)
    ends = dict(zip(left.runs, left.end_temp_c, strict=True))
    assert np.isnan(ends["a2"]) and np.isfinite(ends["a1"])


def test_a_sound_probe_is_believed_from_the_weigh_in_to_the_end(tmp_path: Path) -> None:
    session, blind, recorded = made(tmp_path, lambda rig: None)
    assert session.watch.doubt is None
    assert not any(blind[3:])
    assert session.temp_c is not None
    assert PROBE_DOUBT not in recorded.run.extra
