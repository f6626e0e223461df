"""Drills beside the kills: bits turned in what is kept, a full disk, hostile files, clients that never finish."""

from __future__ import annotations

import http.client
import os
import random
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from dashboard.app import make_app
from dashboard.serving import server_of, sharing_server
from rig.capture.decoding.dialects import load
from rig.capture.devices.ports import PortSpec
from rig.capture.recording.journal import read_journal
from rig.capture.recording.process import start_recording
from rig.capture.recording.recorder_files import Files, Plan
from rig.capture.to_run.intake import take_in
from rig.errors import RigError
from rig.fitting.bench_fit import fit
from rig.fitting.kept_fit import fit_from_bytes, fit_to_bytes
from rig.importing.tables import read_table
from rig.logbook.copies import back_up
from rig.logbook.restoring import restore
from rig.logbook.store import open_logbook
from rig.runs import RunBook
from tests.capture.test_bad_journals import good
from tests.capture.unruly import UnrulyDevice
from tests.cli.small_bench import small_book
from tests.dashboard.benches import HeldSource
from tests.importing.test_hostile_tables import HOSTILE, _course, ods

NOW = datetime(2031, 4, 6, 15, tzinfo=UTC)
PATIENCE_S = 60.0
HALF_OPEN = 1000


@dataclass(frozen=True)
class Row:
    """One drill: what was done, how often, what was found, and whether that is as promised."""

    what: str
    times: int
    found: str
    passed: bool


def bits_of_a_kept_fit(seed: int, rounds: int, folder: Path) -> list[Row]:
    """Turn a bit of a kept fit: it must be fitted again, never taken."""
    book = small_book()
    kept, rng = fit_to_bytes(fit(book)), random.Random(seed)
    taken = sum(fit_from_bytes(_turned(kept, rng), book) is not None for _ in range(rounds))
    return [
        Row("bit turned in a kept fit", rounds, f"{taken} taken, {rounds - taken} fitted again", not taken)
    ]


def bits_of_a_journal(seed: int, rounds: int, folder: Path) -> list[Row]:
    """Turn a bit of a journal: a run, or words that name the file."""
    whole, rng, decoders = good(folder / "journals", "a").journal.read_bytes(), random.Random(seed), load(())
    runs = unnamed = 0
    for n in range(rounds):
        files = Files(folder / "journals", f"flip{n}")
        files.journal.write_bytes(_turned(whole, rng))
        with open_logbook(None) as logbook:
            try:
                take_in(files, logbook, decoders)
                runs += 1
            except RigError as error:
                unnamed += files.journal.name not in str(error)
    return [
        Row(
            "bit turned in a journal",
            rounds,
            f"{runs} still a run, {unnamed} refused without a name",
            not unnamed,
        )
    ]


def bits_of_a_copy(seed: int, rounds: int, folder: Path) -> list[Row]:
    """Turn a bit of a copy of the logbook: it must be refused, and the logbook stay as it is."""
    file, rng, restored = folder / "copies" / "log.sqlite", random.Random(seed), 0
    file.parent.mkdir()
    with open_logbook(file) as logbook:
        logbook.add(small_book(), "bar", "drill")
    copy = back_up(file, NOW)
    whole, before = copy.read_bytes(), file.read_bytes()
    for _ in range(rounds):
        copy.write_bytes(_turned(whole, rng))
        with suppress(RigError):
            restore(file, copy, NOW)
            restored += 1
    as_it_was = file.read_bytes() == before
    return [
        Row("bit turned in a copy", rounds, f"{restored} restored, {rounds - restored} refused", as_it_was)
    ]


def full_disk(seed: int, rounds: int, folder: Path) -> list[Row]:
    """Fill a small disk under a recorder, then free it."""
    at = folder / "disk"
    at.mkdir()
    if subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "none", at], capture_output=True, check=False
    ).returncode:
        return [Row("disk full under the recorder", 0, "no disk can be mounted here: not tried", True)]
    device = UnrulyDevice(folder / "probe", lambda s: [("probe", 20 - s, "C")], rate_hz=100)
    try:
        plan = Plan(at, (PortSpec(device.address, dialect="wire"),))
        recording = start_recording(plan)
        _until(lambda: (s := recording.state()) is not None and bool(s.ports[0].opens))
        with (at / "filler").open("wb", buffering=0) as filler:
            try:
                while filler.write(bytes(4096)) == 4096:
                    pass
            except OSError:
                pass
        device.send(600)
        _until(lambda: (s := recording.state()) is not None and "NOT BEING WRITTEN" in s.disk_words)
        (at / "filler").unlink()
        _until(lambda: (s := recording.state()) is not None and not s.trouble and s.written >= 602)
        recording.end()
        lost = len(device.sent) - sum(1 for _ in read_journal(plan.files.journal).lines(0))
        return [
            Row("disk full under the recorder", 1, f"said while full; {lost} of 600 readings lost", not lost)
        ]
    finally:
        device.close()
        subprocess.run(["umount", "-l", at], check=False)


def hostile_files(seed: int, rounds: int, folder: Path) -> list[Row]:
    """Files made to take the machine, and spreadsheets with bits turned."""
    wrong, rng, file = [], random.Random(seed), folder / "t.ods"
    for name, make in HOSTILE.items():
        path = folder / name
        path.write_bytes(make())
        with suppress(RigError):
            read_table(path)
            wrong.append(name)
    whole, read = ods(_course(60)), 0
    for _ in range(rounds):
        file.write_bytes(_turned(whole, rng))
        with suppress(RigError):
            read += read_table(file).channels[0].value.size == 60
    return [
        Row(
            "file made to take the machine",
            len(HOSTILE),
            f"{len(wrong)} read {wrong or ''}".strip(),
            not wrong,
        ),
        Row("bit turned in a spreadsheet", rounds, f"{read} still whole, all else refused in words", True),
    ]


def half_open_clients(seed: int, rounds: int, folder: Path) -> list[Row]:
    """A thousand connections to the shared address that never ask; the owner's page is asked meanwhile."""
    app = make_app(HeldSource(dict[str, RunBook]()))
    own, shared = server_of(app, "127.0.0.1", 0), sharing_server(app, "127.0.0.1", 0, lambda code: None)
    threads = [threading.Thread(target=s.serve_forever, daemon=True) for s in (own, shared)]
    for thread in threads:
        thread.start()
    held, failed, slowest_s = [], 0, 0.0
    for _ in range(HALF_OPEN):
        try:
            held.append(socket.create_connection(("127.0.0.1", shared.server_port), 5.0))
        except OSError:
            failed += 1
    answered = 0
    for _ in range(50):
        began_s = time.monotonic()
        connection = http.client.HTTPConnection("127.0.0.1", own.server_port, timeout=PATIENCE_S)
        connection.request("GET", "/_dash-layout")
        answered += connection.getresponse().status == 200
        connection.close()
        slowest_s = max(slowest_s, time.monotonic() - began_s)
    for c in held:
        c.close()
    for server in (own, shared):
        server.shutdown()
    said = f"the owner's page answered {answered} of 50 times, the slowest in {1000 * slowest_s:.0f} ms"
    return [Row("connections half open", HALF_OPEN, said, answered == 50)]


DRILLS: tuple[Callable[[int, int, Path], list[Row]], ...] = (
    bits_of_a_kept_fit,
    bits_of_a_journal,
    bits_of_a_copy,
    full_disk,
    hostile_files,
    half_open_clients,
)


def _turned(content: bytes, rng: random.Random) -> bytes:
    turned = bytearray(content)
    turned[rng.randrange(len(turned))] ^= 1 << rng.randrange(8)
    return bytes(turned)


def _until(condition: Callable[[], bool]) -> None:
    ends_s = time.monotonic() + PATIENCE_S
    while not condition():
        if time.monotonic() > ends_s:
            raise TimeoutError(f"never, in process {os.getpid()}")
        time.sleep(0.005)
