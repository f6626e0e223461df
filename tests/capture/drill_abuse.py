"""Abuse from outside: clocks that are set, a recorder that is stopped, hostile files."""

from __future__ import annotations

import io
import os
import random
import signal
import threading
import time
import wave
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np

from rig.bench import parse_bench
from rig.capture.decoding.dialects import load
from rig.capture.decoding.readings import Reading
from rig.capture.decoding.wire import WireDecoder
from rig.capture.devices.ports import PortSpec
from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock
from rig.capture.recording.journal import EventKind, read_journal
from rig.capture.recording.process import send_order, start_recording
from rig.capture.recording.recorder import Recorder, SleepWatch
from rig.capture.recording.recorder_files import Files, Plan, read_state
from rig.capture.to_run.intake import take_in
from rig.errors import RigError
from rig.importing.book_file import open_book
from rig.importing.book_workbook import book_xlsx
from rig.importing.loose import loose_files
from rig.importing.sound_file import sound_from
from rig.importing.tables import read_table
from rig.importing.write_bench import book_json
from rig.logbook.store import open_logbook
from tests.capture.drill_kinds import Row, Size, outcomes, turned, until, within
from tests.capture.test_bad_journals import good
from tests.cli.small_bench import BENCH, small_book
from tests.importing.test_hostile_tables import HOSTILE, SHEET, _course, ods, xlsx

_SLOW_S = 120.0


def clock_set(seed: int, size: Size, folder: Path) -> list[Row]:
    """Set the time of day to and fro under a recorder: no reading is lost, and no duration changes."""
    rng, apart_ns, home = random.Random(seed), [0], folder / "clock"
    home.mkdir()
    times = min(size.rounds, 40)
    device = SimulatedDevice(home / "probe", lambda s: [("probe", 20 - s % 30, "C")], 100.0)
    plan = Plan(home, (PortSpec(device.address, dialect="wire"),))
    watch = SleepWatch(lambda: time.perf_counter_ns() + apart_ns[0], time.perf_counter_ns)
    recorder = Recorder(plan, sleep_watch=watch)
    thread = threading.Thread(target=recorder.record)
    thread.start()
    try:
        until(lambda: recorder._readers[0].health.opens)
        began = send_order(plan.files, EventKind.START)
        for n in range(times):
            apart_ns[0] += int(rng.choice((-1, 1)) * rng.uniform(5.0, 1e6) * 1e9)
            device.send(5)
            until(lambda n=n: recorder._readers[0].health.good == 5 * (n + 1))
            until(lambda n=n: len(list(read_journal(plan.files.journal).events(EventKind.SLEEP))) > n)
        # what moves for less than half a second is no shake
        until(lambda: time.perf_counter_ns() - began.at_ns > 6e8)
        send_order(plan.files, EventKind.STOP)
        until(lambda: list(read_journal(plan.files.journal).events(EventKind.STOP)))
    finally:
        recorder.end()
        thread.join()
        device.close()
    journal = read_journal(plan.files.journal)
    lost = len(device.sent) - sum(1 for _ in journal.lines(0))
    (start,), (stop,) = journal.events(EventKind.START), journal.events(EventKind.STOP)
    with open_logbook(None) as logbook:
        run = take_in(plan.files, logbook, load(())).run
    lasted_s = (stop.at_ns - start.at_ns) / 1e9
    right = run.duration_s is not None and abs(run.duration_s - lasted_s) < 0.02
    found = f"{lost} of {len(device.sent)} readings lost; the duration {'is right' if right else 'is wrong'}"
    return [Row("time of day set under a recorder", times, found, not lost and right)]


def recorder_stopped(seed: int, size: Size, folder: Path) -> list[Row]:
    """Stop the recorder (SIGSTOP) and let it go on: what its device's buffer holds is read, what not is counted."""
    rng, home, times = random.Random(seed), folder / "stopped", min(size.rounds, 60)
    home.mkdir()
    device = SimulatedDevice(home / "probe", lambda s: [("probe", 20 - s % 30, "C")], 100.0)
    pacer = Pacer(device, simulated_clock(1.0))
    plan = Plan(home, (PortSpec(device.address, dialect="wire"),))
    recording = start_recording(plan)
    try:
        until(lambda: (s := recording.state()) is not None and s.ports[0].opens)
        pacer.start()
        for _ in range(times):
            os.kill(recording.pid, signal.SIGSTOP)
            time.sleep(rng.uniform(0.02, 0.4))
            os.kill(recording.pid, signal.SIGCONT)
            before = read_state(plan.files)
            at = 0 if before is None else before.written
            until(lambda at=at: (s := read_state(plan.files)) is not None and s.written > at + 10)
    finally:
        pacer.stop()
        time.sleep(0.1)
        recording.end()
        device.close()
    said = [WireDecoder().decode(r.line) for r in read_journal(plan.files.journal).lines(0)]
    counts = [d.sequence for d in said if isinstance(d, Reading) and d.sequence is not None]
    missing = sum(b - a - 1 for a, b in pairwise(counts))
    found = f"{len(counts)} readings, {missing} missing between"
    return [Row("recorder stopped and let go on", times, found, not missing)]


def _sound() -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes((np.sin(np.arange(16_000) / 9.0) * 8000).astype("<i2").tobytes())
    return out.getvalue()


def _zip() -> bytes:
    import zipfile

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for n in range(3):
            archive.writestr(
                f"r{n}_probe.csv", "time_s,probe_c\n" + "".join(f"{k},{20 - k / 4}\n" for k in range(60))
            )
    return out.getvalue()


def _mutated(content: bytes, rng: random.Random, others: list[bytes]) -> bytes:
    """The content damaged in one of the ways that files are: turned, cut, doubled, holed, mixed, nested."""
    at, length = rng.randrange(len(content)), rng.randrange(1, 400)
    match rng.randrange(7):
        case 0:
            return turned(content, rng)
        case 1:
            for _ in range(30):
                content = turned(content, rng)
            return content
        case 2:
            return content[:at] or b"x"
        case 3:
            return content[:at] + content[at : at + length] * rng.choice((2, 50)) + content[at:]
        case 4:
            return content[:at] + content[at + length :] or b"x"
        case 5:
            return content[:at] + rng.randbytes(length) + content[at:]
        case _:
            other = rng.choice(others)
            return content[:at] + other[rng.randrange(len(other)) :]


def hostile_files(seed: int, size: Size, folder: Path) -> list[Row]:
    """Files made to take the machine, and mutations of every format that is read: read, or refused in words."""
    wrong, rng, home = [], random.Random(seed), folder / "hostile"
    home.mkdir()
    for name, make in HOSTILE.items():
        path = home / name
        path.write_bytes(make())
        try:
            read_table(path)
            wrong.append(f"{name} read")
        except RigError:
            pass
        path.unlink()
    rows = "".join(
        f'<row r="{n}"><c r="A{n}"><v>{n}</v></c><c r="B{n}"><v>{n / 4}</v></c></row>' for n in range(1, 60)
    )
    table = b"time_s;probe_c;scale_g\n" + b"".join(
        b"%d,5;%d,25;%d\n" % (k, 20 - k % 9, k) for k in range(200)
    )
    journal = good(home / "journals", "a").journal.read_bytes()
    nested = b'{"a":' * 50_000
    book = small_book()
    kinds = {
        "t.csv": (table, read_table), "t.txt": (table.replace(b";", b"\t"), read_table),
        "t.xlsx": (xlsx(SHEET.format(rows)), read_table), "t.ods": (ods(_course(60)), read_table),
        "b.json": (book_json(book).encode(), open_book), "b.xlsx": (book_xlsx(book), open_book),
        "z.zip": (_zip(), loose_files), "s.wav": (_sound(), sound_from), "b.toml": (BENCH.encode(), _bench),
        "j.ndjson": (journal, None),
    }  # fmt: skip
    # a spreadsheet starts a process: one in so many is enough
    names = [n for n in kinds for _ in range(1 if n in ("t.xlsx", "t.ods", "b.xlsx") else 4)]
    others = [content for content, _ in kinds.values()] + [nested]
    tried, count, slowest_s = Counter[str](), Counter[str](), 0.0
    for n in within(size.hostile, size):
        name = rng.choice(names)
        whole, read = kinds[name]
        path = home / name
        path.write_bytes(_mutated(whole, rng, others))
        began_s = time.monotonic()
        try:
            if read is None:
                _taken_in(home, f"m{n}", path.read_bytes())
            else:
                read(path)
            count["read"] += 1
        except RigError:
            count["refused"] += 1
        except Exception as error:
            path.rename(home / f"found-{n}-{name}")
            wrong.append(f"{name}: {type(error).__name__}: {error}"[:100])
        slowest_s = max(slowest_s, time.monotonic() - began_s)
        tried[name] += 1
    found = outcomes(count["read"], count["refused"], wrong)
    found = f"{len(tried)} formats: {found}; the slowest {slowest_s:.1f} s"
    return [
        Row("hostile file", len(HOSTILE) + tried.total(), found, not wrong and slowest_s < _SLOW_S),
    ]


def _bench(path: Path) -> object:
    return parse_bench(path.read_bytes().decode("utf-8", errors="replace"))


def _taken_in(home: Path, run: str, content: bytes) -> None:
    files = Files(home / "journals", run)
    files.journal.write_bytes(content)
    with open_logbook(None) as logbook:
        take_in(files, logbook, load(()))
