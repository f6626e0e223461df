"""Drills beside the kills: bits turned in what is kept, and full disks; with all other drills in one list."""

from __future__ import annotations

import random
import shutil
import subprocess
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rig.capture.decoding.dialects import load
from rig.capture.devices.ports import PortSpec
from rig.capture.recording.journal import read_journal
from rig.capture.recording.process import start_recording
from rig.capture.recording.recorder_files import Files, Plan
from rig.capture.to_run.intake import take_in
from rig.errors import RigError
from rig.fitting.kept_fit import fit_from_bytes, fit_to_bytes
from rig.importing.bench_folder import open_bench
from rig.logbook.copies import back_up, faults_of
from rig.logbook.restoring import restore
from rig.logbook.store import open_logbook
from rig.runs import RunBook
from tests.capture.drill_abuse import (
    clock_set,
    hostile_files,
    recorder_stopped,
)
from tests.capture.drill_kills import (
    copy_killed,
    dashboard_killed,
    importer_killed,
    migration_killed,
    restore_killed,
)
from tests.capture.drill_kinds import Drill, Row, Size, outcomes, turned, until, within
from tests.capture.drill_screens import guests_at_once, half_open_clients
from tests.capture.test_bad_journals import good
from tests.capture.unruly import UnrulyDevice
from tests.cli.small_bench import small_bench, small_book
from tests.shared_fits import fitted

NOW = datetime(2031, 4, 6, 15, tzinfo=UTC)


def bits_of_a_kept_fit(seed: int, size: Size, folder: Path) -> list[Row]:
    """Turn a bit of a kept fit: it must be fitted again, never taken."""
    book, rng = small_book(), random.Random(seed)
    kept = fit_to_bytes(fitted(book))
    taken = [fit_from_bytes(turned(kept, rng), book) is not None for _ in within(size.rounds, size)]
    found = f"{sum(taken)} taken, {taken.count(False)} to be fitted again"
    return [Row("bit turned in a kept fit", len(taken), found, not any(taken))]


def bits_of_a_journal(seed: int, size: Size, folder: Path) -> list[Row]:
    """Turn a bit of a journal: a run, or words that name the file."""
    whole, rng, decoders = good(folder / "journals", "a").journal.read_bytes(), random.Random(seed), load(())
    runs = named = 0
    unnamed: list[str] = []
    for n in within(size.rounds, size):
        files = Files(folder / "journals", f"flip{n}")
        files.journal.write_bytes(turned(whole, rng))
        with open_logbook(None) as logbook:
            try:
                take_in(files, logbook, decoders)
                runs += 1
            except RigError as error:
                if files.journal.name in str(error):
                    named += 1
                else:
                    unnamed.append(str(error)[:80])
    found = outcomes(runs, named, unnamed)
    return [Row("bit turned in a journal", runs + named + len(unnamed), found, not unnamed)]


def bits_of_a_copy(seed: int, size: Size, folder: Path) -> list[Row]:
    """Turn a bit of a copy of the logbook: it must be refused, and the logbook stay as it is."""
    file, rng = folder / "copies" / "log.sqlite", random.Random(seed)
    file.parent.mkdir()
    with open_logbook(file) as logbook:
        logbook.add(small_book(), "bar", "drill")
    copy = back_up(file, NOW)
    whole, before = copy.read_bytes(), file.read_bytes()
    restored = refused = 0
    for _ in within(size.rounds, size):
        copy.write_bytes(turned(whole, rng))
        try:
            restore(file, copy, NOW)
            restored += 1
        except RigError:
            refused += 1
    as_it_was = file.read_bytes() == before
    found = f"{restored} restored, {refused} refused"
    return [Row("bit turned in a copy", restored + refused, found, as_it_was)]


def full_disk(seed: int, size: Size, folder: Path) -> list[Row]:
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
        until(lambda: (s := recording.state()) is not None and bool(s.ports[0].opens))
        with (at / "filler").open("wb", buffering=0) as filler:
            try:
                while filler.write(bytes(4096)) == 4096:
                    pass
            except OSError:
                pass
        device.send(600)
        until(lambda: (s := recording.state()) is not None and "NOT BEING WRITTEN" in s.disk_words)
        (at / "filler").unlink()
        until(lambda: (s := recording.state()) is not None and not s.trouble and s.written >= 602)
        recording.end()
        lost = len(device.sent) - sum(1 for _ in read_journal(plan.files.journal).lines(0))
        return [
            Row("disk full under the recorder", 1, f"said while full; {lost} of 600 readings lost", not lost)
        ]
    finally:
        device.close()
        subprocess.run(["umount", "-l", at], check=False)


def bits_of_a_logbook(seed: int, size: Size, folder: Path) -> list[Row]:
    """Turn a bit of the logbook itself: it is read, or refused in words; a copy still restores it."""
    file, rng, read, refused = folder / "turned" / "log.sqlite", random.Random(seed), 0, 0
    other: list[str] = []
    file.parent.mkdir()
    with open_logbook(file) as logbook:
        logbook.add(small_book(), "bar", "drill")
    copy, whole = back_up(file, NOW), file.read_bytes()
    for n in within(size.rounds, size):
        file.write_bytes(turned(whole, rng))
        try:
            with open_logbook(file) as logbook:
                logbook.book("bar")
            read += 1
        except RigError:
            refused += 1
        except Exception as error:
            other.append(f"{type(error).__name__}: {error}"[:80])
        if n % 20 == 0:
            restore(file, copy, NOW + timedelta(seconds=n))
            with open_logbook(file) as logbook:
                other += [] if len(logbook.list_runs("bar")) == len(small_book().runs) else ["not restored"]
    done = read + refused + len(other)
    return [Row("bit turned in a logbook", done, outcomes(read, refused, other), not other)]


def bits_of_a_bench(seed: int, size: Size, folder: Path) -> list[Row]:
    """Turn a bit of a bench folder's files: it is read with what was found, or refused in words."""
    bench, rng, read, refused = small_bench(folder / "bench"), random.Random(seed), 0, 0
    other: list[str] = []
    files = sorted(p for p in bench.rglob("*") if p.is_file())
    for _ in within(size.rounds, size):
        file = rng.choice(files)
        whole = file.read_bytes()
        file.write_bytes(turned(whole, rng))
        try:
            open_bench(bench)
            read += 1
        except RigError:
            refused += 1
        except Exception as error:
            other.append(f"{file.name}: {type(error).__name__}")
        file.write_bytes(whole)
    done = read + refused + len(other)
    return [Row("bit turned in a bench folder", done, outcomes(read, refused, other), not other)]


def full_disk_at_each_write(seed: int, size: Size, folder: Path) -> list[Row]:
    """Import, copy and restore on a disk with more room each time: told in words, and what was there stays whole."""
    at, runs, jobs, full, wrong = folder / "small", small_book().runs, 0, 0, []
    at.mkdir()
    made = ["mount", "-t", "tmpfs", "-o", "size=3m", "none", at]
    if subprocess.run(made, capture_output=True, check=False).returncode:
        return [Row("disk full at each write", 0, "no disk can be mounted here: not tried", True)]
    try:
        file = at / "log.sqlite"
        with open_logbook(file) as logbook:
            logbook.add(RunBook(small_book().bench, runs[:5]), "bar", "drill")
        copy = back_up(file, NOW)

        def add() -> None:
            with open_logbook(file) as logbook:
                logbook.add(small_book(), "bar", "drill")

        def at_s() -> datetime:
            return NOW + timedelta(seconds=jobs)

        tried = {
            "import": add,
            "copy": lambda: back_up(file, at_s()),
            "restore": lambda: restore(file, copy, at_s()),
        }
        for name, job in tried.items():
            for room in range(0, 512, max(512 // size.rounds, 8)):
                fill(at, room << 10)
                jobs += 1
                try:
                    job()
                except RigError:
                    full += 1
                except Exception as error:
                    wrong.append(f"{name}: {type(error).__name__}")
                (at / "filler").unlink()
                wrong += [f"{name}: damaged"] if faults_of(file) or faults_of(copy) else []
                with open_logbook(file) as logbook:
                    wrong += [] if len(logbook.list_runs("bar")) in (5, len(runs)) else [f"{name}: runs lost"]
        done = f"{full} told in words, {jobs - full - len(wrong)} done all the same"
        found = f"{done}, {len(wrong)} otherwise {sorted(set(wrong)) or ''}"
        return [Row("disk full at each write", jobs, found.strip(), not wrong and full > 0)]
    finally:
        subprocess.run(["umount", "-l", at], check=False)


def fill(disk: Path, but: int) -> None:
    """Fill a disk up to so many bytes."""
    free = shutil.disk_usage(disk).free
    with (disk / "filler").open("wb", buffering=0) as filler, suppress(OSError):
        filler.write(bytes(max(free - but, 0)))


DRILLS: tuple[Drill, ...] = (
    bits_of_a_kept_fit,
    bits_of_a_journal,
    bits_of_a_copy,
    bits_of_a_logbook,
    bits_of_a_bench,
    full_disk,
    full_disk_at_each_write,
    importer_killed,
    copy_killed,
    restore_killed,
    migration_killed,
    dashboard_killed,
    clock_set,
    recorder_stopped,
    hostile_files,
    half_open_clients,
    guests_at_once,
)
