"""The observations of runs: traces thinned to a few independent readings, and strained masses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.fitting.priors import TYPICAL_ROOM_C
from rig.physics.melt import node_fractions
from rig.runs import Run, Trace

BINS = 14
"""Readings kept per trace: more would only repeat the probe's and the model's correlated errors."""


@dataclass(frozen=True)
class Observations:
    """Observations of a batch of runs; NaN where there is none.

    `duration_s`, `strained_g`, `probe_start_c` (runs,); `bin_time_s`, `bin_temp_c` (runs, BINS);
    `before_c` (runs,): what the probe showed before the start, where it was in the drink.
    """

    duration_s: FloatArray
    strained_g: FloatArray
    probe_start_c: FloatArray
    before_c: FloatArray
    bin_time_s: FloatArray
    bin_temp_c: FloatArray

    @property
    def at_rest(self) -> BoolArray:
        """Runs that were read once they had come to rest and not in motion, (runs,).

        A thermometer was waited for until it had settled: it does not lag.
        """
        first_s = np.where(np.isnan(self.bin_time_s), np.inf, self.bin_time_s).min(axis=1)
        return np.asarray(first_s >= self.duration_s - _REST_WITHIN_S)


_REST_WITHIN_S = 0.05


def duration_of(run: Run) -> float | None:
    """How long the drink was in motion [s]: as noted, else to the end of its trace, else unknown."""
    if run.duration_s is not None:
        return run.duration_s
    if run.trace is not None and run.trace.time_s.size and run.trace.time_s[-1] > 1.0:
        return float(run.trace.time_s[-1])
    return None


def strained_mass_g(run: Run) -> float | None:
    """The strained mass [g]: weighed, else the loss of the whole vessel's weight while straining."""
    if run.strained_mass_g is not None:
        return run.strained_mass_g
    if run.gross_before_g is not None and run.gross_after_g is not None:
        poured = run.gross_before_g - run.gross_after_g
        return poured if poured > 0 else None
    return None


def observations_of(runs: Sequence[Run], duration_s: FloatArray) -> Observations:
    """Thin the traces and collect the weighings of runs that last `duration_s` (runs,)."""
    n = len(runs)
    bin_time, bin_temp = np.full((n, BINS), np.nan), np.full((n, BINS), np.nan)
    start, before = np.full(n, np.nan), np.full(n, np.nan)
    strained = np.full(n, np.nan)
    for row, run in enumerate(runs):
        mass = strained_mass_g(run)
        strained[row] = np.nan if mass is None else mass
        if run.trace is not None and run.trace.probe_c is not None:
            start[row], before[row] = _start(run.trace)
            bin_time[row], bin_temp[row] = _bins(run.trace, duration_s[row])
    return Observations(duration_s, strained, start, _if_in_drink(runs, before), bin_time, bin_temp)


_TELLING_K = 6.0


def _if_in_drink(runs: Sequence[Run], before_c: FloatArray) -> FloatArray:
    """Readings before the start, kept only where the bench's probe then waits in the drink.

    Told from runs whose drink and vessel differ enough; where none does, or most say otherwise, the
    readings say nothing of the drink and are dropped.
    """
    drink = np.array([np.nan if r.drink_temp_c is None else r.drink_temp_c for r in runs])
    vessel = np.array([TYPICAL_ROOM_C if r.vessel_temp_c is None else r.vessel_temp_c for r in runs])
    telling = np.isfinite(before_c) & (np.abs(drink - vessel) > _TELLING_K)
    in_drink = np.abs(before_c - drink) < 0.4 * np.abs(before_c - vessel)
    if not telling.any() or np.mean(in_drink[telling]) < 0.8:
        return np.full(len(runs), np.nan)
    return before_c


def _start(trace: Trace) -> tuple[float, float]:
    """Reading at the start of motion, and the steady reading before it; NaN where the trace has none."""
    assert trace.probe_c is not None
    good = np.isfinite(trace.probe_c)
    time, temp = trace.time_s[good], trace.probe_c[good]
    early = time <= 0.05
    if np.any(early):
        last = temp[early][-3:]
        lead = time[early][-1] - time[early][0]
        return float(temp[early][-1]), float(np.mean(last)) if lead >= 1.0 else np.nan
    if time.size and time[0] <= 1.5:
        return float(temp[0]), np.nan
    return np.nan, np.nan


@dataclass(frozen=True)
class TraceReadings:
    """One probe's trace so far, thinned: readings `bin_temp_c` at `bin_time_s` (readings,), NaN where empty.

    `start_c`: the reading at the start of motion; `before_c`: the steady reading before it; NaN where absent.
    """

    start_c: float
    before_c: float
    bin_time_s: FloatArray
    bin_temp_c: FloatArray


def readings_until(trace: Trace, now_s: float) -> TraceReadings:
    """What the main probe has shown until `now_s`, in readings no closer than their errors are independent."""
    count = int(np.clip(now_s / _APART_S, 1, BINS))
    return TraceReadings(*_start(trace), *_bins(trace, now_s, count))


_APART_S = 0.7


def _bins(trace: Trace, duration_s: float, count: int = BINS) -> tuple[FloatArray, FloatArray]:
    assert trace.probe_c is not None
    good = np.isfinite(trace.probe_c) & (trace.time_s > 0.05) & (trace.time_s <= duration_s + 0.05)
    time, temp = np.minimum(trace.time_s[good], duration_s), trace.probe_c[good]
    which = np.searchsorted(duration_s * node_fractions(count)[1:-1], time, side="left")
    held = np.bincount(which, minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        return (
            np.bincount(which, weights=time, minlength=count) / held,
            np.bincount(which, weights=temp, minlength=count) / held,
        )
