"""What a run is: one drink made once, its weigh-ins and its trace, as validated values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

import numpy as np

from rig.arrays import FloatArray
from rig.bench import Bench
from rig.errors import Place
from rig.population import Population


@dataclass(frozen=True, order=True)
class SetUp:
    """Technique, vessel and ice together: what a fit belongs to."""

    technique: str
    vessel: str
    ice: str

    def __str__(self) -> str:
        return f"{self.technique} · {self.vessel} · {self.ice}"


@dataclass(frozen=True, eq=False)
class Trace:
    """What probes and scales read during a run, against seconds from the start of motion.

    `time_s` has shape (samples,) and rises; each channel has the same shape, NaN where nothing was read.
    `probes_c` is keyed by probe name; the plain `probe_c` column is keyed "".
    """

    time_s: FloatArray
    probes_c: Mapping[str, FloatArray] = field(default_factory=dict)
    scale_g: FloatArray | None = None
    room_c: FloatArray | None = None
    cadence_hz: FloatArray | None = None

    def __post_init__(self) -> None:
        """Raises ValueError where a channel has not as many samples as there are times."""
        for name, values in self.channels().items():
            if values.shape != self.time_s.shape:
                raise ValueError(f"{name} has not as many samples as there are times")

    @property
    def probe_c(self) -> FloatArray | None:
        """The main probe: the plain one, else the first named one, else None."""
        if not self.probes_c:
            return None
        return self.probes_c.get("", next(iter(self.probes_c.values())))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Trace):
            return NotImplemented
        mine, theirs = self.channels(), other.channels()
        return mine.keys() == theirs.keys() and all(
            np.array_equal(mine[k], theirs[k], equal_nan=True) for k in mine
        )

    def channels(self) -> dict[str, FloatArray]:
        """Every channel by its column name in a trace file, time first."""
        out = {"time_s": self.time_s}
        out |= {f"probe_{name}_c" if name else "probe_c": v for name, v in self.probes_c.items()}
        for name in ("scale_g", "room_c", "cadence_hz"):
            values = getattr(self, name)
            if values is not None:
                out[name] = values
        return out

    @classmethod
    def of(cls, channels: Mapping[str, FloatArray]) -> Trace:
        """The trace of channels as `channels` gives them; KeyError where there is no time_s."""
        others = {name: channels.get(name) for name in ("scale_g", "room_c", "cadence_hz")}
        probes = {
            name.removesuffix("_c")[len("probe_") :]: values
            for name, values in channels.items()
            if name.startswith("probe_")
        }
        return cls(channels["time_s"], probes, **others)


PROBE_DOUBT = "probe in doubt"
"""Under this name a run's `extra` says why its probe was not believed to the end, in words."""
THERMOMETER = "thermometer"
"""The probe of a trace that holds what was read by hand: before the ice, if it was, and at the end."""
HEARD = "heard"
"""Under this name a run's `extra` says what was heard or felt of it, in words."""
HEARD_HZ = "cadence heard [Hz]"
"""Under this name a run's `extra` says how many strokes a second were heard of it."""
BLIND, YES = "blind", "yes"
"""Under this name a run's `extra` says that it was stopped by feel, with the call and all numbers hidden."""


@dataclass(frozen=True)
class Run:
    """One drink made once. None means not measured; masses in g, temperatures in °C, times in s.

    `foam_ml` is the volume of the whole drink, foam and all, read right after straining. `probe_std_k` and
    `scale_std_g` are the standard uncertainties that a calibration leaves to the main probe's readings and to a
    weigh-in of the drink; None where nothing was calibrated.
    """

    run: str
    technique: str
    vessel: str
    ice: str
    recipe: str
    started_at: datetime | None = None
    operator: str | None = None
    session: str | None = None
    ice_mass_g: float | None = None
    ice_temp_c: float | None = None
    drink_mass_g: float | None = None
    drink_temp_c: float | None = None
    vessel_temp_c: float | None = None
    room_temp_c: float | None = None
    duration_s: float | None = None
    strained_mass_g: float | None = None
    trace: Trace | None = None
    trace_file: str | None = None
    notes: str | None = None
    gross_before_g: float | None = None
    gross_after_g: float | None = None
    foam_ml: float | None = None
    foam_half_life_s: float | None = None
    probe_std_k: float | None = None
    scale_std_g: float | None = None
    target: str | None = None
    extra: Mapping[str, str] = field(default_factory=dict)
    excluded_because: str | None = None

    @property
    def set_up(self) -> SetUp:
        """The set-up this run belongs to."""
        return SetUp(self.technique, self.vessel, self.ice)

    @property
    def is_blind(self) -> bool:
        """Whether it was stopped by feel."""
        return self.extra.get(BLIND) == YES


class Gravity(StrEnum):
    """How much a finding weighs."""

    NOTE = "note"
    DOUBT = "doubt"
    LEFT_OUT = "left out"


@dataclass(frozen=True)
class Finding:
    """Something a person should know about the material: what, where, and what to do."""

    gravity: Gravity
    what: str
    place: Place = field(default_factory=Place)
    cure: str = ""

    def __str__(self) -> str:
        where = str(self.place)
        return f"{where + ': ' if where else ''}{self.what}{'. ' + self.cure if self.cure else ''}"


@dataclass(frozen=True)
class RunBook:
    """A bench with its runs: what a folder holds, or a selection from the logbook.

    `files` are those of the folder as they lay there, by their names in it, each compressed (zlib); empty where the
    book comes from elsewhere. `population`: what other benches know, which its fit starts from; None: published priors.
    """

    bench: Bench
    runs: tuple[Run, ...]
    findings: tuple[Finding, ...] = ()
    files: Mapping[str, bytes] = field(default_factory=dict, repr=False, compare=False)
    population: Population | None = field(default=None, repr=False)

    @property
    def set_ups(self) -> tuple[SetUp, ...]:
        """The set-ups that have runs, sorted."""
        return tuple(sorted({r.set_up for r in self.runs}))

    def used_runs(self) -> tuple[Run, ...]:
        """The runs that nobody excluded."""
        return tuple(r for r in self.runs if r.excluded_because is None)
