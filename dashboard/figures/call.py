"""The call against time, as the screen shows it."""

from __future__ import annotations

import plotly.graph_objects as go

from rig.advice.call import Advice
from rig.report.figures import landing_figure
from rig.report.look import Look


def call_figure(call: Advice, look: Look) -> go.Figure:
    """Temperature, dilution and odds against time; no window is shaded where no duration lands."""
    figure = landing_figure(call, look)
    if not call.feasible:
        figure.layout.shapes = [s for s in figure.layout.shapes if (s.x0, s.x1) != call.window_s]
    return figure
