"""Stored runs made ready to be played side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.service import BenchView
from rig.arrays import FloatArray
from rig.fitting.result import RunFit, Verdict
from rig.report.courses import SetUpCourse, run_course
from rig.report.figures import TEMP_TITLE, TIME_TITLE
from rig.report.look import Look, mark, sheet

FRAMES = 240
"""Moments kept of a run: more than are drawn of it at real speed."""


@dataclass(frozen=True, eq=False)
class Replay:
    """One stored run: its drink's temperature [°C] and dilution against time [s], (moments,) each."""

    label: str
    run: str
    colour: str
    dash: str
    time_s: FloatArray
    temp_c: FloatArray
    dilution_by_volume: FloatArray

    def to_dict(self) -> dict[str, Any]:
        """For the page's script."""
        return {
            "time_s": [round(float(t), 3) for t in self.time_s],
            "temp_c": [round(float(t), 2) for t in self.temp_c],
            "dilution_pct": [round(100.0 * float(d), 1) for d in self.dilution_by_volume],
        }


def replays_of(view: BenchView, courses: Sequence[SetUpCourse], look: Look) -> tuple[Replay, ...]:
    """For each set-up the longest sound run that a probe was in; a set-up without one is left out."""
    out = []
    for course in courses:
        found = _to_play(view, course.runs)
        if found is None:
            continue
        own, style = run_course(view.fitted(), found.run), mark(look, course.place)
        at = np.linspace(own.time_s[0], own.time_s[-1], FRAMES)
        out.append(
            Replay(
                course.label,
                found.run,
                style.colour,
                style.dash,
                at,
                np.interp(at, own.time_s, own.temp_c),
                np.interp(at, own.time_s, own.dilution_by_volume),
            )
        )
    return tuple(out)


def _to_play(view: BenchView, runs: Sequence[RunFit]) -> RunFit | None:
    probed = {r.run for r in view.book.runs if r.trace is not None and r.trace.probes_c}
    sound = [r for r in runs if r.verdict is Verdict.GOOD and r.duration_s is not None]
    return max(sound, key=lambda r: (r.run in probed, r.duration_s or 0.0), default=None)


def replay_figure(played: Sequence[Replay], look: Look) -> go.Figure:
    """The runs' axes with a line each, which the page's script draws as they are played."""
    figure = sheet(look, TIME_TITLE, TEMP_TITLE, 520)
    for p in played:
        figure.add_scatter(
            x=p.time_s[:1],
            y=p.temp_c[:1],
            mode="lines",
            line={"color": p.colour, "dash": p.dash, "width": 5},
            name=p.label,
            hoverinfo="skip",
        )
    low = min(float(np.min(p.temp_c)) for p in played)
    high = max(float(np.max(p.temp_c)) for p in played)
    figure.update_xaxes(range=[0.0, max(float(p.time_s[-1]) for p in played)], rangemode="normal")
    figure.update_yaxes(range=[low - 1.5, high + 1.5])
    figure.update_layout(showlegend=True)
    return figure
