"""Long traces seen closer: what a figure draws is thinned anew for the stretch of time that it was zoomed to."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from dash import Dash, Input, Output, Patch, State, no_update

from dashboard import wording
from dashboard.figures.traces import Channel, asks_anew, between_of, seen
from dashboard.reader_units import chosen_units
from rig.answer_units import LAB_UNITS, AnswerUnits
from rig.report.thinning import MOST_POINTS
from rig.runs import Run


def drawn_anew(
    relayout: Any,
    channels: Callable[[], Sequence[Channel]],
    *,
    line: bool = False,
    of: str = "°C",
    units: AnswerUnits = LAB_UNITS,
) -> Any:
    """A figure's first traces for what a person has just zoomed to; nothing where it was not zoomed.

    `channels` are those of the figure's traces, in their order and in the unit `of`; `line` as they were drawn first.
    """
    if not asks_anew(relayout):
        return no_update
    drawn: Any = Patch()
    for k, channel in enumerate(channels()):
        for key, value in seen(channel, between_of(relayout), line=line).items():
            drawn["data"][k][key] = units.value(value, of) if key == "y" else value
    return drawn


def connect(
    app: Dash,
    figure: str,
    shown: str,
    bench: str,
    channels: Callable[[Any, str | None], Sequence[Channel]],
    *,
    line: bool = False,
    of: str = "°C",
) -> None:
    """Have a figure drawn anew whenever it is zoomed.

    `channels`, in the unit `of`, are asked for by what the stores `shown` and `bench` hold.
    """

    @app.callback(
        Output(figure, "figure"),
        Input(figure, "relayoutData"),
        State(shown, "data"),
        State(bench, "data"),
        prevent_initial_call=True,
    )
    def zoomed(relayout: Any, what: Any, kept: str | None) -> Any:
        return drawn_anew(relayout, lambda: channels(what, kept), line=line, of=of, units=chosen_units())


def note(runs: Sequence[Run]) -> str:
    """What there is to say below a figure of traces longer than what is drawn of them; empty for others."""
    samples = max((r.trace.time_s.size for r in runs if r.trace is not None), default=0)
    if samples <= MOST_POINTS:
        return ""
    return f" {wording.count(samples)} samples: drag over a stretch to see it closer; no peak is left out."
