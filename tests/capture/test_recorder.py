"""The recorder: what devices say reaches the journal, whatever they and the computer go through meanwhile."""

from __future__ import annotations

import os
import queue
import resource
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import pytest

from rig.capture.decoding.dialects import load
from rig.capture.decoding.lines import LONGEST_LINE_BYTES
from rig.capture.devices.health import PortState
from rig.capture.devices.ports import PortSpec
from rig.capture.recording import recorder as recorder_room
from rig.capture.recording.journal import Event, EventKind, Header, Journal, JournalTail, Line, read_journal
from rig.capture.recording.process import (
    RecordingProcess,
    end_left,
    interrupted_runs,
    send_order,
    start_recording,
)
from rig.capture.recording.recorder import Recorder, SleepWatch
from rig.capture.recording.recorder_files import Plan, RecorderState, read_state
from rig.capture.recording.recorder_port import PortReader, Records
from rig.errors import LogbookError
from tests.capture.unruly import UnrulyDevice

PATIENCE_S = 20.0


def until(condition: Callable[[], bool], what: str) -> None:
    """Return as soon as a condition holds; fail where it never does."""
    end_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end_s, f"never: {what}"
        time.sleep(0.005)


def device_at(folder: Path, name: str = "probe") -> UnrulyDevice:
    return UnrulyDevice(folder / name, lambda s: [("probe", 20 - s, "C")], rate_hz=100)


@pytest.fixture
def device(tmp_path: Path) -> Iterator[UnrulyDevice]:
    device = device_at(tmp_path)
    yield device
    device.close()


def plan_for(folder: Path, *devices: UnrulyDevice) -> Plan:
    return Plan(
        folder / "capture", tuple(PortSpec(d.address, dialect="wire", label=d.board) for d in devices)
    )


@contextmanager
def reading(device: UnrulyDevice, size: int = 100_000) -> Iterator[tuple[PortReader, Records]]:
    """A reader of one device, open already, with a queue that nobody else empties."""
    records: Records = queue.Queue(size)
    stop = threading.Event()
    reader = PortReader(0, PortSpec(device.address, dialect="wire"), records, stop, load())
    reader.start()
    try:
        opened = records.get(timeout=PATIENCE_S)
        assert isinstance(opened, Event)
        assert opened.kind is EventKind.OPEN
        yield reader, records
    finally:
        stop.set()
        reader.join(PATIENCE_S)
        assert not reader.is_alive()


def heard(records: Records, lines: int) -> list[bytes]:
    got: list[bytes] = []
    while len(got) < lines:
        record = records.get(timeout=PATIENCE_S)
        if isinstance(record, Line):
            got.append(record.line)
    return got


def test_readings_come_through_in_order_and_none_is_missed(device: UnrulyDevice) -> None:
    with reading(device) as (reader, records):
        device.send(300)
        assert heard(records, 300) == device.sent
        report = reader.health.report()
    assert (report.good, report.bad, report.lost, report.state) == (300, 0, 0, PortState.OK)


def test_an_unplugged_device_is_found_again_under_another_name(device: UnrulyDevice) -> None:
    with reading(device) as (reader, records):
        was = device.link.readlink()
        device.send(50)
        assert heard(records, 50) == device.sent
        device.unplug()
        lost = records.get(timeout=PATIENCE_S)
        assert isinstance(lost, Event)
        assert lost.kind is EventKind.LOST
        until(lambda: reader.health.report().state is PortState.ABSENT, "absent")
        device.replug()
        assert device.link.readlink() != was
        again = records.get(timeout=PATIENCE_S)
        assert isinstance(again, Event)
        assert again.kind is EventKind.OPEN
        device.send(50)
        assert heard(records, 50) == device.sent[50:]
        report = reader.health.report()
    assert (report.good, report.lost, report.opens) == (100, 0, 2)


def test_readings_that_a_device_took_while_unplugged_are_counted_as_lost(device: UnrulyDevice) -> None:
    with reading(device) as (reader, records):
        device.send(10)
        heard(records, 10)
        device.unplug()
        device.send(7)
        device.replug()
        until(lambda: reader.health.opens == 2, "open again")
        device.send(10)
        heard(records, 10)
        until(lambda: reader.health.good == 20, "all decoded")
        assert reader.health.report().lost == 7


def test_garbage_between_readings_costs_no_reading_and_is_counted(device: UnrulyDevice) -> None:
    with reading(device) as (reader, records):
        for seed in range(20):
            device.garbage(40, seed)
            device.send(5)
        device.send(1)
        until(lambda: reader.health.good == 101, "all good ones decoded")
        got = [r.line for r in list(records.queue) if isinstance(r, Line)]
        assert [line for line in got if line in set(device.sent)] == device.sent
        assert reader.health.report().bad > 0


def test_an_endless_line_is_bounded_and_what_follows_is_read(device: UnrulyDevice) -> None:
    with reading(device) as (reader, records):
        device.endless_line(100_000)
        device.write(b"\n")
        device.send(20)
        assert heard(records, 20) == device.sent
        report = reader.health.report()
    assert report.overlong == 1
    assert all(len(r.line) <= LONGEST_LINE_BYTES for r in list(records.queue) if isinstance(r, Line))


def test_a_flood_drops_the_newest_counts_them_and_never_blocks_the_reader(device: UnrulyDevice) -> None:
    with reading(device, size=100) as (reader, records):
        device.flood(5_000)
        until(lambda: reader.health.good == 5_000, "all read though nobody took them")
        kept = [r.line for r in list(records.queue) if isinstance(r, Line)]
        assert kept == device.sent[: len(kept)]
        assert len(kept) == 100
        assert reader.take_gap() == 4_900
        assert reader.take_gap() == 0


def test_a_boot_in_the_middle_is_a_reset_not_millions_of_lost_readings(device: UnrulyDevice) -> None:
    with reading(device) as (reader, records):
        device.send(10)
        device.reset()
        device.send(10)
        heard(records, 21)
        until(lambda: reader.health.good == 20, "all decoded")
        report = reader.health.report()
    assert (report.resets, report.lost, report.bad) == (1, 0, 0)


def test_the_first_line_after_each_opening_of_an_unchecked_device_is_no_reading(
    device: UnrulyDevice,
) -> None:
    records: Records = queue.Queue()
    stop = threading.Event()
    reader = PortReader(0, PortSpec(device.address, dialect="scale-status"), records, stop, load())
    reader.start()
    for opens in (1, 2):
        until(lambda opens=opens: reader.health.opens == opens, "open")
        device.write(b"ST,GS,+    2.5 g\r\n" + b"ST,GS,+  412.5 g\r\n" * 3)
        until(lambda opens=opens: reader.health.good == 3 * opens, "three readings more")
        if opens == 1:
            device.unplug()
            until(lambda: reader.health.report().state is PortState.ABSENT, "absent")
            device.replug()
    stop.set()
    reader.join(PATIENCE_S)
    assert reader.health.bad == 2


def test_bytes_at_the_wrong_speed_say_so(device: UnrulyDevice) -> None:
    with reading(device) as (reader, _):
        device.wrong_speed(400)
        until(lambda: reader.health._byte_ns is not None, "bytes came")
        opened_ns = reader.health._opened_ns
        assert opened_ns is not None
        reader.health.bytes_came(opened_ns + 2_900_000_000, 0)
        report = reader.health.report(opened_ns + 3_000_000_000)
    assert report.state is PortState.UNREADABLE
    assert "wrong speed" in report.words


def test_a_device_that_stalls_is_silent_after_three_of_its_periods(device: UnrulyDevice) -> None:
    with reading(device) as (reader, records):
        device.send(50)
        heard(records, 50)
        until(lambda: reader.health.good == 50, "all decoded")
        last_ns = reader.health._byte_ns
        assert last_ns is not None
        assert reader.health.report(last_ns + 100_000_000).state is PortState.OK
        assert reader.health.report(last_ns + 10_000_000_000).state is PortState.SILENT


@contextmanager
def recording(plan: Plan, **options: object) -> Iterator[JournalTail]:
    """A recorder in a thread of this process, begun; ended at the end."""
    recorder = Recorder(plan, **options)  # type: ignore[arg-type]
    ready = threading.Event()
    thread = threading.Thread(target=recorder.record, args=(ready.set,))
    thread.start()
    try:
        assert ready.wait(PATIENCE_S)
        yield JournalTail(plan.files.journal)
    finally:
        recorder.end()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def wait_for(tail: JournalTail, enough: Callable[[list[object]], bool], what: str) -> list[object]:
    seen: list[object] = []

    def polled() -> bool:
        seen.extend(tail.poll())
        return enough(seen)

    until(polled, what)
    return seen


def kinds(records: list[object]) -> list[EventKind]:
    return [r.kind for r in records if isinstance(r, Event)]


def test_two_devices_and_the_orders_of_a_person_end_up_in_one_journal(tmp_path: Path) -> None:
    devices = [device_at(tmp_path, "one"), device_at(tmp_path, "two")]
    plan = plan_for(tmp_path, *devices)
    with recording(plan) as tail:
        wait_for(tail, lambda seen: kinds(seen).count(EventKind.OPEN) == 2, "both open")
        for device in devices:
            device.send(40)
        send_order(plan.files, EventKind.WEIGH, what="ice", mass_g=201.5)
        send_order(plan.files, EventKind.MARK, text="lid “stuck”")
        wait_for(
            tail,
            lambda seen: sum(isinstance(r, Line) for r in seen) == 80 and len(kinds(seen)) == 2,
            "lines and orders",
        )
    journal = read_journal(plan.files.journal)
    for number, device in enumerate(devices):
        assert [r.line for r in journal.lines(number)] == device.sent
        device.close()
    weigh, mark = journal.events(EventKind.WEIGH, EventKind.MARK)
    assert weigh.detail == {"what": "ice", "mass_g": 201.5}
    assert mark.detail == {"text": "lid “stuck”"}
    assert journal.ended


def test_an_order_to_end_ends_it_and_the_state_says_so(tmp_path: Path, device: UnrulyDevice) -> None:
    plan = plan_for(tmp_path, device)
    recorder = Recorder(plan)
    thread = threading.Thread(target=recorder.record)
    thread.start()
    until(lambda: read_state(plan.files) is not None, "a state")
    send_order(plan.files, EventKind.END)
    thread.join(PATIENCE_S)
    assert not thread.is_alive()
    state = read_state(plan.files)
    assert state is not None
    assert (state.ended, state.pending, state.orders) == (True, 0, 1)
    assert state.written == 1 + len(read_journal(plan.files.journal).records)


def test_a_flood_leaves_a_gap_with_its_count_in_the_journal(tmp_path: Path, device: UnrulyDevice) -> None:
    plan = plan_for(tmp_path, device)
    recorder = Recorder(plan)
    recorder._records.maxsize = 50
    thread = threading.Thread(target=recorder.record)
    thread.start()
    until(lambda: recorder._readers[0].health.opens == 1, "open")
    device.flood(20_000)
    until(lambda: recorder._readers[0].health.good == 20_000, "all read")
    recorder.end()
    thread.join(PATIENCE_S)
    journal = read_journal(plan.files.journal)
    kept = [r.line for r in journal.lines(0)]
    gaps = [e.detail["lines"] for e in journal.events(EventKind.GAP)]
    assert gaps
    assert len(kept) + sum(gaps) == 20_000
    assert len(set(kept)) == len(kept)


def test_a_laptop_that_slept_leaves_an_event_with_how_long(tmp_path: Path, device: UnrulyDevice) -> None:
    asleep_ns = 0
    mono_ns = count(0, 50_000_000)
    last = 0

    def mono() -> int:
        nonlocal last
        last = next(mono_ns)
        return last

    watch = SleepWatch(lambda: last + asleep_ns + 50_000_000, mono)
    plan = plan_for(tmp_path, device)
    with recording(plan, sleep_watch=watch) as tail:
        wait_for(tail, lambda seen: EventKind.OPEN in kinds(seen), "open")
        asleep_ns = 95_000_000_000
        seen = wait_for(tail, lambda seen: EventKind.SLEEP in kinds(seen), "sleep noticed")
    slept = next(r for r in seen if isinstance(r, Event) and r.kind is EventKind.SLEEP)
    assert slept.detail["seconds"] == pytest.approx(95.0, abs=0.2)


def ready_process(plan: Plan) -> RecordingProcess:
    recording = start_recording(plan)
    until(lambda: opened(recording.state()) == len(plan.ports), "all ports open")
    return recording


def opened(state: RecorderState | None) -> int:
    return 0 if state is None else sum(p.opens for p in state.ports)


def written(recording: RecordingProcess) -> int:
    state = recording.state()
    return 0 if state is None else state.written


def test_a_recorder_in_its_own_process_ends_in_good_order(tmp_path: Path, device: UnrulyDevice) -> None:
    recording = ready_process(plan_for(tmp_path, device))
    device.send(200)
    recording.order(EventKind.START)
    until(lambda: written(recording) >= 203, "all on file")
    assert recording.end() == 0
    journal = read_journal(recording.files.journal)
    assert [r.line for r in journal.lines(0)] == device.sent
    assert journal.ended
    assert recording.pid != os.getpid()


@pytest.mark.parametrize("how", ["order", "signal"])
def test_a_recorder_that_is_told_to_end_does_so_while_its_screen_lives(
    tmp_path: Path, device: UnrulyDevice, how: str
) -> None:
    recording = ready_process(plan_for(tmp_path, device))
    if how == "order":
        recording.order(EventKind.END)
    else:
        os.kill(recording.pid, signal.SIGTERM)
    assert recording._child.wait(PATIENCE_S) == 0
    assert read_journal(recording.files.journal).ended
    recording.end()


def test_a_recorder_whose_screen_died_goes_on_until_somebody_ends_it(
    tmp_path: Path, device: UnrulyDevice
) -> None:
    recording = ready_process(plan_for(tmp_path, device))
    folder, files = recording.plan.folder, recording.files
    device.send(30)
    assert interrupted_runs(folder) == ()
    assert recording._child.stdin is not None
    recording._child.stdin.close()
    until(lambda: (s := read_state(files)) is not None and s.left, "left alone")
    device.send(40)
    until(lambda: written(recording) >= 72, "recording goes on")
    (found,) = interrupted_runs(folder)
    assert found.running and "still being recorded" in found.in_words
    end_left(files)
    assert recording._child.wait(PATIENCE_S) == 0
    journal = read_journal(files.journal)
    assert journal.ended and [r.line for r in journal.lines(0)] == device.sent
    end_left(files)
    recording.end()


@pytest.mark.parametrize("why", ["SILENT_S", "AFTER_STOP_S", "LONGEST_LEFT_S"])
def test_a_recorder_left_alone_ends_by_itself_in_time(
    tmp_path: Path, device: UnrulyDevice, monkeypatch: pytest.MonkeyPatch, why: str
) -> None:
    for limit in ("SILENT_S", "AFTER_STOP_S", "LONGEST_LEFT_S"):
        monkeypatch.setattr(recorder_room, limit, 0.2 if limit == why else 1e6)
    plan = plan_for(tmp_path, device)
    recorder = Recorder(plan)
    thread = threading.Thread(target=recorder.record)
    thread.start()
    until(lambda: recorder._readers[0].health.opens == 1, "open")
    device.send(20)
    send_order(plan.files, EventKind.START)
    send_order(plan.files, EventKind.STOP)
    until(lambda: len(kinds(list(read_journal(plan.files.journal).records))) >= 3, "stopped")
    assert thread.is_alive()
    recorder.leave()
    thread.join(PATIENCE_S)
    assert not thread.is_alive()
    assert read_journal(plan.files.journal).ended


def test_a_disk_that_is_really_full_is_said_to_be_and_takes_orders_all_the_same(
    small_disk: Path, device: UnrulyDevice
) -> None:
    plan = plan_for(small_disk, device)
    recording = ready_process(plan)
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as file, pytest.raises(OSError):
        while file.write(bytes(4096)) == 4096:
            pass
    device.send(600)
    full = lambda s: s is not None and s.pending > 100 and "NOT BEING WRITTEN" in s.disk_words  # noqa: E731
    until(lambda: full(recording._said), "said without a disk")
    until(lambda: full(read_state(plan.files)), "said in the room that was kept")
    recording.order(EventKind.START)
    recording.order(EventKind.STOP)
    filler.unlink()
    until(lambda: written(recording) >= 604, "all on file")
    assert recording.end() == 0
    journal = read_journal(plan.files.journal)
    assert [r.line for r in journal.lines(0)] == device.sent
    assert [e.kind for e in journal.events(EventKind.START, EventKind.STOP)] == [
        EventKind.START,
        EventKind.STOP,
    ]


def test_a_recording_is_not_begun_on_a_full_disk(small_disk: Path, device: UnrulyDevice) -> None:
    with (small_disk / "filler").open("wb", buffering=0) as file, pytest.raises(OSError):
        while file.write(bytes(4096)) == 4096:
            pass
    with pytest.raises(LogbookError, match=r"Free some space|cannot be"):
        start_recording(plan_for(small_disk, device))


@pytest.mark.parametrize(
    ("free_mb", "left", "said"),
    [
        (100_000, False, ""),
        (150, True, "150 MB left, for about"),
        (500, True, "for about 8 minutes"),
        (50_000, False, ""),
    ],
)
def test_a_disk_that_will_be_full_is_told_early_by_the_time_that_is_left(
    free_mb: int, left: bool, said: str
) -> None:
    state = RecorderState(
        "r", 1, 0, elapsed_s=10.0, written=1, pending=0, turned_away=0, trouble="", size_bytes=10_000_000,
        free_bytes=free_mb * 10**6, orders=0, ended=False, left=False, ports=(),
    )  # fmt: skip
    assert state.room_s == pytest.approx(free_mb)
    assert said in state.disk_words if left else state.disk_words == ""


@pytest.mark.skipif(not hasattr(resource, "prlimit"), reason="needs prlimit (Linux)")
def test_a_full_disk_is_shown_while_recording_goes_on_and_nothing_is_lost(
    tmp_path: Path, device: UnrulyDevice
) -> None:
    recording = ready_process(plan_for(tmp_path, device))
    device.send(700)
    until(lambda: written(recording) >= 702, "on file")
    room = recording.files.journal.stat().st_size + 1000
    # The state's room was taken before; only the journal meets the limit.
    assert room > recording.files.state.stat().st_size
    before = resource.prlimit(recording.pid, resource.RLIMIT_FSIZE, (room, resource.RLIM_INFINITY))
    device.send(400)
    until(
        lambda: (s := recording.state()) is not None and s.pending > 300 and bool(s.trouble), "trouble shown"
    )
    assert recording.alive
    assert recording.files.journal.read_bytes().endswith(b"\n")
    resource.prlimit(recording.pid, resource.RLIMIT_FSIZE, before)
    until(lambda: written(recording) >= 1102, "all on file")
    device.send(50)
    until(lambda: written(recording) >= 1152, "recording goes on")
    assert recording.end() == 0
    journal = read_journal(recording.files.journal)
    assert [r.line for r in journal.lines(0)] == device.sent
    assert (journal.torn_bytes, journal.unreadable_lines) == (0, 0)


def test_a_second_recorder_of_the_same_run_is_refused(tmp_path: Path, device: UnrulyDevice) -> None:
    plan = plan_for(tmp_path, device)
    recording = ready_process(plan)
    with pytest.raises(LogbookError, match="another recorder"):
        start_recording(plan)
    recording.end()


def test_a_killed_recording_is_offered_and_a_living_one_is_not(tmp_path: Path, device: UnrulyDevice) -> None:
    recording = ready_process(plan_for(tmp_path, device))
    device.send(30)
    until(lambda: written(recording) >= 32, "on file")
    assert interrupted_runs(recording.plan.folder) == ()
    os.kill(recording.pid, signal.SIGKILL)
    recording.end()
    (left,) = interrupted_runs(recording.plan.folder)
    assert left.files == recording.files
    assert left.lines == 30
    assert "30 lines" in left.in_words
    left.files.set_done()
    assert interrupted_runs(recording.plan.folder) == ()
    assert isinstance(read_journal(left.files.done), Journal)


def test_a_header_stands_at_the_head_of_the_journal(tmp_path: Path, device: UnrulyDevice) -> None:
    plan = plan_for(tmp_path, device)
    with recording(plan) as tail:
        (header,) = (r for r in wait_for(tail, bool, "a header") if isinstance(r, Header))
    assert (header.run, header.ports) == (plan.run, plan.ports)
