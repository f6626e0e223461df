"""A drill that anyone can run, with one table of what it cost: kill the recorder at random moments, and the rest.

    python -m tests.capture.drill --kills 200

The rest, listed in `drills.py`, kills the other programs, turns bits of what is kept, fills disks, sets clocks, stops
the recorder, feeds hostile files, holds connections half open and lets guests in.

Each round records a simulated device in a process of its own, kills that process with SIGKILL, and reads the
journal back. Every reading that the recorder had acknowledged must be there, once, and none may be missing in
between. (A process that is killed is not a power cut: what the disk itself does is not drilled here.)
"""

from __future__ import annotations

import argparse
import os
import resource
import signal
import sys
import tempfile
import time
from dataclasses import dataclass, fields
from itertools import pairwise
from pathlib import Path

import numpy as np

from rig.capture.decoding.readings import Reading
from rig.capture.decoding.wire import WireDecoder
from rig.capture.devices.ports import PortSpec
from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock
from rig.capture.recording.journal import read_journal
from rig.capture.recording.process import RecordingProcess, interrupted_runs, start_recording
from rig.capture.recording.recorder_files import Plan
from tests.capture.drill_kinds import Row, Size
from tests.capture.drills import DRILLS

RATE_HZ = 200.0
EARLIEST_S, LATEST_S = 0.0, 0.6
PATIENCE_S = 20.0


@dataclass(frozen=True)
class Toll:
    """What some kills cost; all but the first two must be zero."""

    kills: int = 0
    acknowledged: int = 0
    lost: int = 0
    repeated: int = 0
    missing_between: int = 0
    unreadable: int = 0
    not_offered: int = 0

    def __add__(self, other: Toll) -> Toll:
        return Toll(*(a + b for a, b in zip(vars(self).values(), vars(other).values(), strict=True)))

    @property
    def passed(self) -> bool:
        """Whether nothing was lost, repeated or left unoffered."""
        return not any((self.lost, self.repeated, self.missing_between, self.unreadable, self.not_offered))

    def __str__(self) -> str:
        return (
            f"{self.kills} kills, {self.acknowledged} records acknowledged: {self.lost} lost, "
            f"{self.repeated} repeated, {self.missing_between} missing between, {self.unreadable} unreadable "
            f"lines, {self.not_offered} not offered again"
        )


def drill(kills: int, seed: int, folder: Path) -> Toll:
    """Kill the recorder so many times, at moments drawn from a seed."""
    rng = np.random.default_rng(seed)
    toll = Toll()
    for n in range(kills):
        toll += _round(folder / f"round-{n}", float(rng.uniform(EARLIEST_S, LATEST_S)))
    return toll


def _round(folder: Path, alive_s: float) -> Toll:
    folder.mkdir(parents=True)
    now_s = simulated_clock(1.0)
    device = SimulatedDevice(folder / "probe", lambda s: [("probe", 20 - s, "C")], RATE_HZ)
    pacer = Pacer(device, now_s)
    plan = Plan(folder, (PortSpec(device.address, dialect="wire"),))
    recording = start_recording(plan)
    try:
        _until_open(recording)
        pacer.start()
        time.sleep(alive_s)
        state = recording.state()
        os.kill(recording.pid, signal.SIGKILL)
    finally:
        recording.end()
        if pacer.is_alive():
            pacer.stop()
        device.close()
    acknowledged = 0 if state is None else state.written
    journal = read_journal(plan.files.journal)
    said = [WireDecoder().decode(r.line) for r in journal.lines(0)]
    counts = [d.sequence for d in said if isinstance(d, Reading) and d.sequence is not None]
    steps = [b - a for a, b in pairwise(counts)]
    return Toll(
        kills=1,
        acknowledged=acknowledged,
        lost=max(acknowledged - (1 + len(journal.records)), 0),
        repeated=sum(s <= 0 for s in steps),
        missing_between=sum(s - 1 for s in steps if s > 1) + (counts[0] if counts else 0),
        unreadable=journal.unreadable_lines,
        not_offered=int(len(interrupted_runs(folder)) != 1),
    )


def _until_open(recording: RecordingProcess) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while (state := recording.state()) is None or not state.ports[0].opens:
        if time.monotonic() > end_s:
            raise TimeoutError("the recorder did not open its port")
        time.sleep(0.005)


def told(rows: list[Row]) -> list[Row]:
    """Say on stderr what was found, for whoever waits."""
    for row in rows:
        sys.stderr.write(f"{row.what}, {row.times}: {row.found}\n")
        sys.stderr.flush()
    return rows


def peak() -> Row:
    """The most memory that this process, which serves and reads, and any that it started, has had."""
    own, others = (
        resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return Row("peak memory of any process", 1, f"{max(own, others):.0f} MB", True)


def main() -> int:
    """Run the drill as the command line says; 0 where it passed."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.capture.drill", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    sizes = {"rounds": "turned bits of each kind", "programs": "kills of each other program"}
    for f in fields(Size):
        name = f"--{f.name.replace('_', '-')}"
        parser.add_argument(name, type=int, default=f.default, help=sizes.get(f.name))
    parser.add_argument("--only", action="append", default=[], metavar="DRILL", help="by its function's name")
    options = parser.parse_args()
    size = Size(**{f.name: getattr(options, f.name) for f in fields(Size)})
    with tempfile.TemporaryDirectory(prefix="chillrig-drill-") as folder:
        rows = []
        if options.kills:
            toll = drill(options.kills, options.seed, Path(folder) / "kills")
            rows += told([Row("recorder killed", options.kills, str(toll), toll.passed)])
        for other in DRILLS:
            if not options.only or other.__name__ in options.only:
                rows += told(other(options.seed, size, Path(folder)))
    rows.append(peak())
    width = max(len(row.what) for row in rows)
    for row in rows:
        mark = "passed" if row.passed else "FAILED"
        sys.stdout.write(f"{mark}  {row.what:<{width}}  {row.times:>6}  {row.found}\n")
    sys.stdout.write(f"seed {options.seed}\n")
    return 0 if all(row.passed for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
