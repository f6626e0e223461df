"""What speaks against a run's values, and a run as its values see each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray
from rig.bench import Bench, Motion
from rig.physics.liquid import Liquid
from rig.runs import THERMOMETER, Run

PROBE = "trace"
"""The column under which readings of the main probe are judged."""
STRAINED, GROSS = ("strained_mass_g",), ("gross_after_g", "gross_before_g")
FEWEST = 3
"""Fewest readings that tell a level."""


@dataclass(frozen=True)
class Objection:
    """Something that speaks against one or more values; the first column is where it is told."""

    columns: tuple[str, ...]
    what: str
    cure: str
    impossible: bool


@dataclass(frozen=True)
class Span:
    """Limits that nobody at a bar goes beyond, and between them those beyond which a value is odd."""

    least: float
    usual_least: float
    usual_most: float
    most: float


def beyond(span: Span, value: float) -> bool | None:
    """True where nobody goes, False where few go, None where many do."""
    if span.usual_least <= value <= span.usual_most:
        return None
    return not span.least <= value <= span.most


DURATIONS_S: Mapping[Motion | None, Span] = {
    Motion.SHAKE: Span(0.5, 2.0, 60.0, 150.0),
    Motion.STIR: Span(0.5, 4.0, 240.0, 900.0),
    Motion.BLEND: Span(0.5, 2.0, 120.0, 400.0),
    Motion.SWIRL: Span(0.5, 2.0, 300.0, 900.0),
    Motion.BUILD: Span(0.5, 1.0, 1800.0, 3600.0),
    None: Span(0.5, 1.0, 600.0, 3600.0),
}
"""How long each technique lasts [s] (common practice, no source)."""


DILUTIONS: Mapping[Motion | None, Span] = {
    **{m: Span(-1.0, -1.0, 1.2, 2.5) for m in (Motion.SHAKE, Motion.STIR, Motion.SWIRL)},
    **{m: Span(-1.0, -1.0, 4.0, 8.0) for m in (Motion.BLEND, Motion.BUILD, None)},
}
"""Water gained over the mass of the drink; ice that is blended in or served along counts (common practice, no
source)."""


@dataclass(frozen=True)
class View:
    """A run with what its numbers mean together; masses in g, None where not known."""

    run: Run
    motion: Motion | None
    recipe: Liquid | None
    drink_g: float | None
    strained_g: float | None
    strained_by: tuple[str, ...]

    @classmethod
    def of(cls, bench: Bench, run: Run, recipe: Liquid | None) -> View:
        """The view of a run; `recipe` is its drink where its properties are known."""
        drink_g = run.drink_mass_g
        if drink_g is None and recipe is not None:
            drink_g = float(recipe.mass_g)
        strained = run.strained_mass_g
        by: tuple[str, ...] = STRAINED
        if strained is None and run.gross_before_g is not None and run.gross_after_g is not None:
            strained, by = run.gross_before_g - run.gross_after_g, GROSS
        return cls(run, bench.motion(run.technique), recipe, drink_g, strained, by)

    @property
    def drink_by(self) -> tuple[str, ...]:
        """The column that says what the drink weighed, or none."""
        return () if self.run.drink_mass_g is None else ("drink_mass_g",)

    @property
    def moved_s(self) -> float:
        """How long it was moved at most [s]."""
        if self.run.duration_s is not None:
            return self.run.duration_s
        trace = self.run.trace
        if trace is not None and trace.time_s.size and trace.time_s[-1] > 1.0:
            return float(trace.time_s[-1])
        return DURATIONS_S[self.motion].usual_most

    def probe(self) -> tuple[FloatArray, FloatArray] | None:
        """Time and readings of the main probe, those that are there."""
        trace = self.run.trace
        if trace is None or trace.probe_c is None:
            return None
        read = np.isfinite(trace.probe_c)
        return (trace.time_s[read], trace.probe_c[read]) if read.any() else None

    def end_shown_c(self) -> float | None:
        """What the probe showed last before the stop [°C], if it was still moved then; or what was read by hand."""
        probe = self.probe()
        if probe is None:
            return None
        if self.run.trace is not None and THERMOMETER in self.run.trace.probes_c:
            return float(probe[1][-1]) if probe[0][-1] > 0.0 else None
        during = (probe[0] > 1.0) & (probe[0] <= self.moved_s + 0.5)
        if during.sum() < FEWEST or probe[0][during][-1] < 0.7 * self.moved_s:
            return None
        return float(np.median(probe[1][during][-FEWEST:]))
