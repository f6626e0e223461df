"""Kills of the programs beside the recorder: import, copy, restore, migration, dashboard.

Each victim is forked off one process that has loaded everything, does its job, and is killed at a moment drawn from a
seed. What it leaves is then opened as anybody would.
"""

from __future__ import annotations

import json
import multiprocessing
import random
import shutil
import sqlite3
import time
from contextlib import ExitStack, suppress
from datetime import UTC, datetime, timedelta
from http.client import HTTPConnection
from pathlib import Path

from rig.capture.decoding.dialects import load
from rig.capture.decoding.readings import Reading
from rig.capture.decoding.wire import WireDecoder
from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock
from rig.capture.recording.journal import read_journal
from rig.capture.recording.process import end_left
from rig.capture.recording.recorder_files import read_state
from rig.capture.recording.taken_over import going_on
from rig.capture.to_run.intake import take_in
from rig.logbook.copies import back_up, backups_of, faults_of
from rig.logbook.restoring import restore
from rig.logbook.store import open_logbook
from rig.runs import RunBook
from rig.session.places import recordings_beside
from tests.capture.drill_kinds import Row, Size, until, within
from tests.cli.small_bench import small_book
from tests.logbook.test_logbook_crash import big_book
from tests.logbook.test_logbook_opening import FIRST_SCHEMA

NOW = datetime(2031, 4, 6, 15, tzinfo=UTC)
_BATCH = 20
_FORKED = multiprocessing.get_context("forkserver")
_FORKED.set_forkserver_preload([__name__, "dashboard.serving", "dashboard.sources"])


def _import(file: Path, told: Path) -> None:
    with open_logbook(file) as logbook, told.open("ab", buffering=0) as said:
        logbook.add(big_book(), "bar", "folder", lambda done, every: said.write(b"%d\n" % done))


def _copy(file: Path, now: datetime) -> None:
    back_up(file, now)


def _restore(file: Path, copy: Path, now: datetime) -> None:
    restore(file, copy, now)


def _open(file: Path) -> None:
    open_logbook(file).close()


def _serve(book: Path, address: str, told: Path) -> None:
    from dashboard.serving import serve
    from dashboard.sources import Wanted

    serve(Wanted(logbook=str(book)), port=0, devices=(address,), opened=lambda at: _say(told, at))


def _say(told: Path, text: str) -> None:
    fresh = told.with_suffix(".new")
    fresh.write_text(text, encoding="utf-8")
    fresh.rename(told)


def _victim(job, given) -> multiprocessing.process.BaseProcess:  # type: ignore[no-untyped-def]
    """A victim that is about to do a job."""
    here, there = _FORKED.Pipe(duplex=False)
    victim = _FORKED.Process(target=_begin, args=(there, job, given))
    victim.start()
    here.recv()
    return victim


def _begin(about_to, job, given) -> None:  # type: ignore[no-untyped-def]
    about_to.send(None)
    job(*given)


def _killed(job, *given, after_s: float) -> bool:  # type: ignore[no-untyped-def]
    """Have a victim do a job and kill it so long after it began; whether it was still at it."""
    victim = _victim(job, given)
    victim.join(after_s)
    at_it = victim.is_alive()
    victim.kill()
    victim.join()
    return at_it


def _takes_s(job, *given) -> float:  # type: ignore[no-untyped-def]
    """How long a victim that nobody kills is at it."""
    _victim(time.sleep, (0.0,)).join()
    victim, began_s = _victim(job, given), time.monotonic()
    victim.join()
    return time.monotonic() - began_s


def importer_killed(seed: int, size: Size, folder: Path) -> list[Row]:
    """Kill an import: every run that was acknowledged is there, whole, and the import can be made again."""
    rng, book, file = random.Random(seed), big_book(), folder / "import" / "log.sqlite"
    file.parent.mkdir(parents=True)
    lasts_s, lost, broken, killed, acknowledged, times = None, 0, 0, 0, 0, 0
    for n in within(size.programs, size):
        times += 1
        told = file.with_name(f"told-{n}")
        _clear(file)
        if lasts_s is None:
            lasts_s = _takes_s(_import, file, told)
            _clear(file)
            told.unlink()
        killed += _killed(_import, file, told, after_s=rng.uniform(0.0, lasts_s))
        done = int(told.read_bytes().split()[-1]) if told.exists() and told.stat().st_size else 0
        acknowledged += done
        with open_logbook(file) as logbook:
            there = {b.name for b in logbook.benches()}
            runs = logbook.book("bar").runs if "bar" in there else ()
            lost += max(done - len(runs), 0)
            again = logbook.add(book, "bar", "folder")
            broken += runs != book.runs[: len(runs)] or again.new != len(book.runs) - len(runs)
        broken += bool(faults_of(file))
    found = (
        f"{killed} in the middle; {acknowledged} runs acknowledged: {lost} lost; {broken} logbooks not whole"
    )
    return [Row("import killed", times, found, not lost and not broken)]


def copy_killed(seed: int, size: Size, folder: Path) -> list[Row]:
    """Kill the making of a copy: no half copy is ever offered, and the logbook is as it was."""
    rng, file = random.Random(seed), _filled(folder / "copy")
    lasts_s, half, changed, killed, times = _takes_s(_copy, file, NOW), 0, 0, 0, 0
    for _ in within(size.programs, size):
        times += 1
        killed += _killed(_copy, file, NOW + timedelta(minutes=times), after_s=rng.uniform(0.0, lasts_s))
        half += sum(bool(faults_of(copy)) for _, copy in backups_of(file))
        changed += _runs(file) != len(big_book().runs)
    found = f"{killed} in the middle; {half} half copies offered"
    return [Row("copy killed", times, found, not half | changed)]


def restore_killed(seed: int, size: Size, folder: Path) -> list[Row]:
    """Kill a restore: the logbook is the old one or the copy, never a mixture."""
    rng, file = random.Random(seed), _filled(folder / "restore")
    copy = back_up(file, NOW)
    with open_logbook(file) as logbook:
        logbook.add(small_book(), "corner", "later")
    old = file.with_name("old.sqlite")
    shutil.copy(file, old)
    lasts_s, killed, kinds, mixed, times = _takes_s(_restore, file, copy, NOW), 0, [0, 0], 0, 0
    for _ in within(size.programs, size):
        times += 1
        _clear(file)
        shutil.copy(old, file)
        now = NOW + timedelta(minutes=times)
        killed += _killed(_restore, file, copy, now, after_s=rng.uniform(0.0, lasts_s))
        with open_logbook(file) as logbook:
            there = {b.name: b.runs for b in logbook.benches()}
        whole = {"bar": len(big_book().runs)}
        is_old = there == whole | {"corner": len(small_book().runs)}
        kinds[not is_old] += 1
        mixed += not (is_old or there == whole) or bool(faults_of(file))
    found = f"{killed} in the middle; {kinds[0]} the old logbook, {kinds[1]} the copy, {mixed} neither"
    return [Row("restore killed", times, found, not mixed)]


def migration_killed(seed: int, size: Size, folder: Path) -> list[Row]:
    """Kill the opening of a logbook of the first version: the next opening finishes it, and nothing is lost."""
    rng, file = random.Random(seed), folder / "migration" / "log.sqlite"
    file.parent.mkdir(parents=True)
    first = file.with_name("first.sqlite")
    with sqlite3.connect(first) as connection:
        connection.executescript(FIRST_SCHEMA)
        connection.execute("insert into schema_version values (1, '2026-03-09T18:30:00+00:00')")
        connection.execute("insert into bench values (1, 'bar', 'Bar', 'title = \"Bar\"', 1)")
    connection.close()
    shutil.copy(first, file)
    lasts_s, killed, broken, times = _takes_s(_open, file), 0, 0, 0
    for _ in within(size.programs, size):
        times += 1
        _clear(file)
        shutil.copy(first, file)
        killed += _killed(_open, file, after_s=rng.uniform(0.0, lasts_s))
        with open_logbook(file) as logbook:
            broken += [b.name for b in logbook.benches()] != ["bar"]
            logbook.add(RunBook(small_book().bench, small_book().runs[:1]), "bar", "after")
        broken += bool(faults_of(file))
    return [Row("migration killed", times, f"{killed} in the middle; {broken} not whole", not broken)]


def dashboard_killed(seed: int, size: Size, folder: Path) -> list[Row]:
    """Kill the dashboard while it records: the recorder goes on, and all that it read is in the logbook after."""
    rng, home, times = random.Random(seed), folder / "dashboard", 0
    home.mkdir(parents=True)
    book = home / "bar.sqlite"
    with open_logbook(book) as logbook:
        logbook.add(small_book(), "corner", "drill")
    lost = missing = untaken = lines = 0
    with ExitStack() as stack:
        device = SimulatedDevice(home / "probe", lambda s: [("probe", 20 - s % 30, "C")], 100.0)
        stack.callback(device.close)
        pacer = Pacer(device, simulated_clock(1.0))
        pacer.start()
        stack.callback(pacer.stop)
        for n in within(max(size.programs // 4, 1), size):
            times += 1
            told = home / f"told-{n}"
            victim = _FORKED.Process(target=_serve, args=(book, device.address, told))
            victim.start()
            try:
                until(told.exists)
                port = int(told.read_text(encoding="utf-8").rsplit(":", 1)[1].rstrip("/"))
                asked = {"bench": "corner", "devices": "heard", "port": [device.address]}
                _act(port, act="begin", asked=asked)
                until(lambda: list((recordings_beside(str(book)) / "open").glob("*.ndjson")))
                time.sleep(rng.uniform(0.0, 1.5))
            finally:
                victim.kill()
                victim.join()
            until(lambda: going_on(recordings_beside(str(book))))
            (files,) = going_on(recordings_beside(str(book)))
            before = read_state(files)
            at = 0 if before is None else before.written
            until(lambda files=files, at=at: (s := read_state(files)) is not None and s.written > at + 20)
            end_left(files)
            journal = read_journal(files.journal)
            lost += max(at - 1 - len(journal.records), 0)
            said = [WireDecoder().decode(r.line) for r in journal.lines(0)]
            counts = [d.sequence for d in said if isinstance(d, Reading) and d.sequence is not None]
            missing += counts[-1] - counts[0] + 1 - len(counts)
            lines += len(counts)
            with open_logbook(book) as logbook:
                run = take_in(files, logbook, load(())).run
                untaken += run.trace is None or run.trace.time_s.size < len(counts) - 1
    found = (
        f"recorder went on; {lines} readings: {lost} lost, {missing} missing between, {untaken} not taken in"
    )
    return [Row("dashboard killed", times, found, not (lost or missing or untaken))]


def _act(port: int, **asked: object) -> None:
    connection = HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("POST", "/live/act", json.dumps(asked), {"Content-Type": "application/json"})
    said = json.loads(connection.getresponse().read())["said"]
    connection.close()
    if said:
        raise RuntimeError(said)


def _filled(folder: Path) -> Path:
    folder.mkdir(parents=True)
    with open_logbook(folder / "log.sqlite") as logbook:
        logbook.add(big_book(), "bar", "folder")
    return folder / "log.sqlite"


def _runs(file: Path) -> int:
    with open_logbook(file) as logbook:
        return len(logbook.list_runs("bar"))


def _clear(file: Path) -> None:
    for beside in file.parent.glob(f"{file.name}*"):
        with suppress(OSError):
            shutil.rmtree(beside) if beside.is_dir() else beside.unlink()
