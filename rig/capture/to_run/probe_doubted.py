"""A recorded probe held against what a drink can do: what is not believed takes no part, and the run says why."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import FloatArray
from rig.capture.recording.journal import EventKind, Journal
from rig.runs import Trace
from rig.signals.probe_faults import LASTING, QUIET_S, ProbeDoubt, ProbeFault, probe_doubt

PROBE_BELIEVED = "the probe is right as it reads"
"""What is marked in the journal when a person says so."""
USUAL_START = "usual_start_c"
"""The key of the header's `meta` for what the probe should show before the start [°C]."""
AS_READ = "as read"
"""The name in the trace under which readings stay that are not believed."""


@dataclass(frozen=True)
class Doubted:
    """Why the main probe is not believed to the end, and from which second of motion on."""

    doubt: ProbeDoubt

    @property
    def words(self) -> str:
        """What the run says of it."""
        return f"{self.doubt.words}; its temperature at the end is not known"

    def believed(self, time_s: FloatArray, temp_c: FloatArray) -> FloatArray:
        """The main probe's readings (readings,) without those that are not believed; times from the start of motion."""
        if self.doubt.fault is ProbeFault.FAHRENHEIT:
            return np.full_like(temp_c, np.nan)
        return np.where(time_s >= self.doubt.since_s, np.nan, temp_c) if self.lasts else temp_c

    @property
    def lasts(self) -> bool:
        """Whether there are readings that are not believed."""
        return self.doubt.fault in LASTING


def doubted(
    journal: Journal, probe: tuple[FloatArray, FloatArray] | None, start_s: float | None, stop_s: float | None
) -> Doubted | None:
    """The doubt about the main probe, (time [s of the journal], temperature [°C]), at the end of the motion."""
    if probe is None or start_s is None or stop_s is None:
        return None
    meta = journal.header.meta
    usual = meta.get(USUAL_START)
    found = probe_doubt(
        probe[0] - start_s,
        probe[1],
        stop_s - start_s,
        usual_c=float(usual) if isinstance(usual, int | float) else None,
        in_drink=bool(meta.get("probe_in_drink")),
        believed=any(e.detail.get("text") == PROBE_BELIEVED for e in journal.events(EventKind.MARK)),
        quiet_s=QUIET_S * journal.header.time_scale,
    )
    return None if found is None else Doubted(found)


def without_doubted(trace: Trace, found: Doubted) -> Trace:
    """The trace with only what is believed as its main probe; all that was read stays beside it."""
    main = trace.probe_c
    if main is None or not found.lasts:
        return trace
    name = next(n for n, values in trace.probes_c.items() if values is main)
    believed = found.believed(trace.time_s, main)
    return replace(trace, probes_c={**trace.probes_c, name: believed, AS_READ: main})
