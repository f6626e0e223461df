"""A drink whose screen has died goes on, on another one, where it is: real pseudo-terminal, recorder and lock."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from rig.bench import parse_bench
from rig.bench_toml import bench_toml
from rig.capture.decoding.dialects import load
from rig.capture.devices.ports import PortSpec
from rig.capture.recording.follow import Follower
from rig.capture.recording.journal import Event, EventKind, JournalTail
from rig.capture.recording.process import RecordingProcess, interrupted_runs, start_recording
from rig.capture.recording.recorder_files import Files, Plan
from rig.capture.recording.taken_over import TakenOver, going_on, take_over
from rig.capture.to_run.probe_doubted import USUAL_START
from rig.errors import LogbookError
from rig.session.drink import Session
from rig.session.resumed import WAY, begun_in, way_json
from rig.session.way import Way, ingredients_g
from tests.bar_device import Bar, bar_device, waited
from tests.cli.small_bench import BENCH

CORNER, _ = parse_bench(BENCH)
DRINK_WAY = Way("shake", ingredients_g(CORNER.recipe("night shift")), 300.0, 180.0, 25.0)
META = {
    "bench_name": "corner",
    "bench": bench_toml(CORNER),
    "run": {
        "run": "left", "technique": "shake", "vessel": "steel tin", "ice": "freezer cube",
        "recipe": "night shift", "target": "coupe", "operator": "Ada",
    },
    "probe_in_drink": True,
    USUAL_START: 21.0,
    WAY: way_json(DRINK_WAY),
}  # fmt: skip


@pytest.fixture
def bar(tmp_path: Path) -> Iterator[tuple[Bar, Plan]]:
    with bar_device(tmp_path / "board") as (bar, device):
        yield bar, Plan(tmp_path / "recordings", (PortSpec(device.address, dialect="wire"),), META)


def _session(recording: RecordingProcess | TakenOver, way: Way = DRINK_WAY) -> Session:
    return Session(recording, Follower(recording.files.journal, load(())), way)


def _ticked(session: Session, condition, what: str):  # type: ignore[no-untyped-def]
    def look():  # type: ignore[no-untyped-def]
        session.tick()
        return condition()

    return waited(look, what)


def _die(recording: RecordingProcess) -> None:
    """What a recorder sees of a screen that dies: the pipe is closed."""
    assert recording._child.stdin is not None
    recording._child.stdin.close()
    waited(lambda: going_on(recording.plan.folder), "left alone")


def _weighed_in(session: Session, bar: Bar) -> None:
    """The vessel weighed, the first ingredient left out, the second and third weighed, the ice left out."""
    _ticked(session, lambda: session.follower.header is not None and session.expecting is not None, "begun")
    bar.pan_g = 300.0
    _ticked(session, lambda: "empty vessel" in session.weighed, "the vessel weighed")
    session.skip()
    _ticked(
        session, lambda: session.expecting is not None and session.expecting.name == "dark spirit", "left out"
    )
    for name, grams in DRINK_WAY.ingredients[1:]:
        bar.pan_g += grams
        _ticked(session, lambda name=name: name in session.weighed, f"{name} weighed")
    session.skip()
    _ticked(session, lambda: session.expecting is None, "all weighed in")


def test_what_was_weighed_left_out_and_moved_is_there_on_another_screen(bar: tuple[Bar, Plan]) -> None:
    board, plan = bar
    recording = start_recording(plan)
    try:
        before = _session(recording)
        _weighed_in(before, board)
        before.act()
        board.moved()
        _ticked(before, lambda: before.moved_s > 1.0, "moving")
        before.believe()
        _die(recording)
        with take_over(plan.files) as taken:
            after = _session(taken, begun_in(plan.files).way)
            _ticked(after, lambda: after.watch.believed, "caught up")
            assert after.weighed == before.weighed
            assert after.skipped == before.skipped == ["coffee concentrate", "ice"]
            assert after.moving and after.expecting is None
            assert after._started_s == pytest.approx(before._started_s)
            first = after.watch.since(0.0)[0]
            assert first[0] < before._started_s and first[1] == pytest.approx(21.5, abs=0.01)  # type: ignore[operator]
            at_start_c = after.watch.mean_c(after._started_s or 0.0)
            assert at_start_c == pytest.approx(21.5, abs=0.05)
            after.act()
            assert after.expecting is not None and after.expecting.name == "empty glass"
            # what it has told the recorder, and nothing that had been told before
            told = [e.kind for e in JournalTail(plan.files.orders).poll() if isinstance(e, Event)]
            assert [told.count(k) for k in (EventKind.START, EventKind.STOP)] == [1, 1]
            assert told.count(EventKind.WEIGH) == len(after.weighed)
            taken.end()
    finally:
        recording.end()


def test_a_drink_that_had_come_to_rest_is_weighed_out_on_another_screen(bar: tuple[Bar, Plan]) -> None:
    board, plan = bar
    recording = start_recording(plan)
    try:
        before = _session(recording)
        _weighed_in(before, board)
        before.act()
        _ticked(before, lambda: before.moved_s > 0.5, "moving")
        before.act()
        _ticked(before, lambda: before.expecting is not None, "weighing out")
        _die(recording)
        with take_over(plan.files) as taken:
            after = _session(taken, begun_in(plan.files).way)
            board.pan_g = 0.0
            _ticked(after, lambda: after.expecting is not None, "caught up")
            assert after.moved_s == pytest.approx(before.moved_s, abs=1e-6)
            assert after.expecting is not None and after.expecting.name == "empty glass"
            board.pan_g = 180.0
            _ticked(after, lambda: "empty glass" in after.weighed, "the glass weighed")
            board.pan_g = 290.0
            _ticked(after, lambda: "strained" in after.weighed, "strained weighed")
            assert after.weighed["strained"] == pytest.approx(110.0, abs=0.2)
            taken.end()
    finally:
        recording.end()


def test_one_screen_at_a_time_has_a_recording(bar: tuple[Bar, Plan]) -> None:
    _, plan = bar
    recording = start_recording(plan)
    try:
        assert going_on(plan.folder) == ()
        _die(recording)
        assert going_on(plan.folder) == (plan.files,)
        with take_over(plan.files) as taken:
            assert taken.alive
            assert going_on(plan.folder) == () and interrupted_runs(plan.folder) == ()
            with (
                pytest.raises(LogbookError, match="another screen shows this recording"),
                take_over(plan.files),
            ):
                pass
        assert going_on(plan.folder) == (plan.files,)
        with take_over(plan.files) as taken:
            taken.end()
            assert not taken.alive and going_on(plan.folder) == ()
    finally:
        recording.end()


def test_what_was_begun_comes_back_from_the_journal_and_what_cannot_be_told_is_said(
    bar: tuple[Bar, Plan], tmp_path: Path
) -> None:
    _, plan = bar
    with start_recording(plan):
        begun = begun_in(plan.files)
    assert begun.way == DRINK_WAY
    assert (begun.bench_name, begun.given["operator"], begun.probe_in_drink) == ("corner", "Ada", True)
    assert begun.target == CORNER.target("coupe") and not begun.simulated
    header = plan.files.journal.read_bytes().split(b"\n")[0]
    damaged = Files(tmp_path / "other", "damaged")
    damaged.make_folders()
    for wrong in (b'"run":{}', b'"run":"x"', b'"run":{"technique":"shake"}', b'"bench":"[[["'):
        key = wrong.split(b":")[0]
        start = header.rindex(key) if key == b'"run"' else header.index(key)
        damaged.journal.write_bytes(header[:start] + wrong + b"}}\n")
        with pytest.raises(LogbookError, match="damaged"):
            begun_in(damaged)
    with suppress(FileNotFoundError):
        damaged.journal.unlink()
    with pytest.raises(LogbookError, match="cannot be read"):
        begun_in(damaged)
