"""How much longer tables take to read with every check than with pandas alone, and how much more memory."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import rig
from tests.benchmarks.processes import peak_mib

ROWS = 1_000_000
SMALL_FILES, SMALL_ROWS = 200, 300
MOST_GOES = 12
BEGAN = pd.Timestamp("2026-03-17 10:15:00")
FORMATS = {"iso": "%Y-%m-%d %H:%M:%S.%f", "european": "%d.%m.%Y %H:%M:%S,%f"}
GOALS = {"plain": (1.5, None), "iso": (2.0, 3.0), "european": (2.0, 3.0), "small": (3.0, None)}
"""The most processor time and, where one is set, the most memory, as multiples of what pandas takes."""


def _columns() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(1)
    return (
        np.round(np.arange(ROWS) * 0.1, 1),
        np.round(rng.normal(20, 3, ROWS), 2),
        np.round(rng.normal(400, 3, ROWS), 1),
    )


def _make(folder: Path, job: str) -> None:
    time_s, probe_c, scale_g = _columns()
    if job == "small":
        for n in range(SMALL_FILES):
            rows = slice(n * SMALL_ROWS, (n + 1) * SMALL_ROWS)
            frame = pd.DataFrame(
                {"time_s": time_s[:SMALL_ROWS], "probe_c": probe_c[rows], "scale_g": scale_g[rows]}
            )
            frame.to_csv(folder / f"{n:03d}.csv", index=False)
        return
    if job == "plain":
        pd.DataFrame({"time_s": time_s, "probe_c": probe_c, "scale_g": scale_g}).to_csv(
            folder / "plain.csv", index=False
        )
        return
    stamps = (BEGAN + pd.to_timedelta(np.arange(ROWS) * 100, unit="ms")).strftime(FORMATS[job]).str[:-5]
    pd.DataFrame({"Zeit": stamps, "Fühler °C": probe_c, "Waage g": scale_g}).to_csv(
        folder / f"{job}.csv", index=False, sep=";", decimal=","
    )


def _by_pandas(path: Path) -> pd.DataFrame:
    if path.stem not in FORMATS:
        return pd.read_csv(path)
    frame = pd.read_csv(path, sep=";", decimal=",")
    frame["time_s"] = (pd.to_datetime(frame["Zeit"], format=FORMATS[path.stem]) - BEGAN).dt.total_seconds()
    return frame


READERS: dict[str, Callable[[Path], object]] = {"pandas": _by_pandas, "ours": rig.read_table}


def _memory_mib(reader: str, folder: Path) -> float:
    """What one go takes of memory at its height [MiB], in a process that did nothing else."""
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    before = peak_mib()
    for path in sorted(folder.iterdir()):
        READERS[reader](path)
    return peak_mib() - before


def _times_s(folder: Path, goal: float) -> dict[str, float]:
    """The least processor time of each reader [s], of goes that take turns.

    A busy neighbour slows either at a time, so more goes are made, up to a most, until the ratio meets its goal.
    """
    paths, least = sorted(folder.iterdir()), dict.fromkeys(READERS, float("inf"))
    for _ in range(MOST_GOES):
        for reader, read in READERS.items():
            start = time.process_time()
            for path in paths:
                read(path)
            least[reader] = min(least[reader], time.process_time() - start)
        if least["ours"] <= goal * least["pandas"]:
            break
    return least


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
@pytest.mark.parametrize("job", GOALS)
def test_tables_are_read_right_and_in_a_few_times_what_pandas_takes(tmp_path: Path, job: str) -> None:
    _make(tmp_path, job)
    if job != "small":
        time_s, probe_c, scale_g = _columns()
        table = rig.read_table(next(tmp_path.iterdir()))
        probe, scale = table.channels
        assert np.allclose(probe.value, probe_c, rtol=0, atol=1e-9)
        assert np.allclose(scale.value, scale_g, rtol=0, atol=1e-9)
        assert np.allclose(probe.time_s, time_s, rtol=0, atol=1e-6)
    goal, memory_goal = GOALS[job]
    times_s = _times_s(tmp_path, goal)
    ratio = times_s["ours"] / times_s["pandas"]
    of_memory = ""
    if memory_goal is not None:
        # each in a process of its own, so that neither finds the other's memory
        alone, ours = (
            float(subprocess.check_output([sys.executable, "-m", __name__, who, str(tmp_path)], text=True))
            for who in READERS
        )
        memory = ours / max(alone, 1)
        of_memory = f", memory {memory:.2f} (goal {memory_goal})"
        assert memory <= memory_goal
    times = f"pandas {times_s['pandas']:.3f} s, read_table {times_s['ours']:.3f} s"
    print(f"\n{job}: {times}, ratio {ratio:.2f} (goal {goal}){of_memory}")
    assert ratio <= goal


if __name__ == "__main__":
    print(_memory_mib(sys.argv[1], Path(sys.argv[2])))
