"""What processes cost, read from /proc."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

PROC = Path("/proc")


def peak_mib() -> float:
    """The most memory that this process has had [MiB]; `getrusage` would count what its parent had when it began."""
    status = (PROC / "self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def parents() -> dict[int, int]:
    """The parent of every process."""
    out = {}
    for entry in PROC.iterdir():
        if entry.name.isdigit():
            try:
                rest = (entry / "stat").read_text().rpartition(")")[2]
            except OSError:
                continue
            out[int(entry.name)] = int(rest.split()[1])
    return out


def family(before: Iterable[int]) -> list[int]:
    """Those below this process that were not there before."""
    now, known = parents(), set(before)

    def ours(pid: int) -> bool:
        while pid in now and pid != os.getpid():
            pid = now[pid]
        return pid == os.getpid()

    return [p for p in now if p not in known and ours(p)]


def cpu_s(pids: Iterable[int]) -> float:
    """CPU seconds of processes, all their threads together, also those that have ended."""
    ticks = 0
    for pid in pids:
        try:
            rest = (PROC / f"{pid}/stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        ticks += int(rest[11]) + int(rest[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def main_thread_cpu_s(pids: Iterable[int]) -> float:
    """CPU seconds of the first thread of processes; of a browser's renderer the one that runs scripts."""
    return 1e-9 * sum(_run_ns(PROC / f"{p}/task/{p}") for p in pids)


def renderers(pids: Iterable[int]) -> list[int]:
    """Those of a Chromium's processes that draw pages."""
    out = []
    for pid in pids:
        try:
            told = (PROC / f"{pid}/cmdline").read_bytes()
        except OSError:
            continue
        if b"--type=renderer" in told:
            out.append(pid)
    return out


def _run_ns(thread: Path) -> int:
    # schedstat counts nanoseconds; the ticks of `stat` are too coarse for one page
    try:
        return int((thread / "schedstat").read_text().split()[0])
    except OSError:
        return 0
