"""Four devices at 100 readings a second: what is lost, what it costs, how old a reading is when it is heard.

    python -m tests.benchmarks.capture_load --seconds 600

The devices are simulated, on pseudo-terminals; a listener follows the journal as a screen would, looking 50
times a second; a busy process keeps one core occupied beside it. CPU and memory are the recorder's own, from
/proc (Linux only).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rig.capture.decoding.readings import Reading
from rig.capture.decoding.wire import WireDecoder
from rig.capture.devices.ports import PortSpec
from rig.capture.devices.simulated.device import SimulatedDevice, simulated_clock
from rig.capture.recording.journal import JournalTail, Line
from rig.capture.recording.process import start_recording
from rig.capture.recording.recorder_files import Plan
from tests.benchmarks.processes import cpu_s

DEVICES, RATE_HZ, LOOK_S = 4, 100.0, 0.02
SETTLE_S = 2.0


@dataclass(frozen=True)
class Load:
    """What a while of recording cost."""

    seconds: float
    sent: int
    recorded: int
    lost: int
    dropped: int
    bad: int
    cpu_share: float
    rss_start_mb: float
    rss_end_mb: float
    to_stamp_ms: tuple[float, float]
    to_listener_ms: tuple[float, float]

    def __str__(self) -> str:
        return (
            f"{self.sent} readings of {DEVICES} devices at {RATE_HZ:.0f} Hz in {self.seconds:.0f} s: "
            f"{self.sent - self.recorded} lost, {self.dropped} dropped, {self.bad} bad; "
            f"recorder {100 * self.cpu_share:.1f} % of a core, {self.rss_start_mb:.1f} → {self.rss_end_mb:.1f} MB; "
            f"sample to stamp p50 {self.to_stamp_ms[0]:.2f} p95 {self.to_stamp_ms[1]:.2f} ms, "
            f"sample to listener p50 {self.to_listener_ms[0]:.1f} p95 {self.to_listener_ms[1]:.1f} ms"
        )


def rss_mb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def load(folder: Path, seconds: float) -> Load:
    """Record for so long, with a busy process beside it."""
    devices = [
        SimulatedDevice(folder / f"probe-{n}", lambda s: [("probe", 20 + s % 7, "C")], RATE_HZ)
        for n in range(DEVICES)
    ]
    plan = Plan(folder, tuple(PortSpec(d.address, dialect="wire") for d in devices))
    busy = subprocess.Popen([sys.executable, "-c", "while True: pass"])
    try:
        with start_recording(plan) as recording:
            tail = JournalTail(plan.files.journal)
            while (state := recording.state()) is None or sum(p.opens for p in state.ports) < DEVICES:
                time.sleep(0.01)
            return _measured(devices, tail, recording.pid, seconds, lambda: recording.state())
    finally:
        busy.kill()
        busy.wait()
        for device in devices:
            device.close()


def _measured(devices, tail, pid, seconds, state) -> Load:  # type: ignore[no-untyped-def]
    sent_ns: dict[tuple[int, int], int] = {}
    to_stamp, to_listener = [], []
    recorded = 0
    decoder = WireDecoder()

    def look() -> None:
        nonlocal recorded
        records = tail.poll()
        now_ns = time.perf_counter_ns()
        for record in records:
            if isinstance(record, Line) and isinstance(said := decoder.decode(record.line), Reading):
                recorded += 1
                at_ns = sent_ns.pop((record.port, said.sequence or 0))
                to_stamp.append((record.at_ns - at_ns) / 1e6)
                to_listener.append((now_ns - at_ns) / 1e6)

    now_s = simulated_clock(1.0)
    start_cpu_s = start_mb = None
    started_s = 0.0
    due, looked_s, rounds = 0.0, 0.0, 0
    while now_s() < seconds:
        if start_cpu_s is None and now_s() > min(SETTLE_S, seconds / 4):
            start_cpu_s, start_mb, started_s = cpu_s([pid]), rss_mb(pid), now_s()
        for port, device in enumerate(devices):
            sent_ns[port, device.count] = time.perf_counter_ns()
            device.send()
        rounds += 1
        due = rounds / RATE_HZ
        if now_s() - looked_s >= LOOK_S:
            looked_s = now_s()
            look()
        time.sleep(max(0.0, due - now_s()))
    share = (cpu_s([pid]) - (start_cpu_s or 0.0)) / (now_s() - started_s)
    end_mb = rss_mb(pid)
    patience_s = now_s() + 10.0
    while sent_ns and now_s() < patience_s:
        look()
        time.sleep(LOOK_S)
    ports = state().ports
    p50_95 = [tuple(float(x) for x in np.percentile(v, (50, 95))) for v in (to_stamp, to_listener)]
    return Load(
        seconds=seconds,
        sent=sum(d.count for d in devices),
        recorded=recorded,
        lost=sum(p.lost for p in ports),
        dropped=sum(p.dropped for p in ports),
        bad=sum(p.bad for p in ports),
        cpu_share=share,
        rss_start_mb=start_mb or 0.0,
        rss_end_mb=end_mb,
        to_stamp_ms=p50_95[0],  # type: ignore[arg-type]
        to_listener_ms=p50_95[1],  # type: ignore[arg-type]
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seconds", type=float, default=600.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="chillrig-load-") as folder:
        found = load(Path(folder), options.seconds)
    print(found)
    return 0 if found.recorded == found.sent else 1


if __name__ == "__main__":
    sys.exit(main())
