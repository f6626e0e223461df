"""One run in full: its trace against the fit, its weighings, and why it is believed or not."""

from __future__ import annotations

from typing import Any
from urllib.parse import unquote

from dash import Dash, Input, Output, State, dcc, html

from dashboard import wording
from dashboard.controls import figure, notice, waiting
from dashboard.desk import BenchView, Desk
from dashboard.pages.runs import verdict_mark
from dashboard.params import address
from rig.errors import NotFound, RigError
from rig.fitting.result import RunFit, Verdict
from rig.report.closure import closure
from rig.report.courses import run_course
from rig.report.figures import run_figure
from rig.report.look import DARK, LIGHT
from rig.runs import Run

FITTED = (Verdict.GOOD, Verdict.DOUBTFUL)


def layout(view: BenchView, bench: str | None, quoted: str) -> Any:
    """A run's page.

    Raises
    ------
    NotFound
        No run of that name on the bench.
    """
    name = unquote(quoted)
    runs = {r.run: r for r in view.book.runs}
    if name not in runs:
        raise NotFound("run", name[:80], runs)
    run, found = runs[name], view.found.get(name)
    call = address(
        "/shake-time", bench=bench, technique=run.technique, vessel=run.vessel, ice=run.ice, recipe=run.recipe
    )
    return html.Div(
        [
            html.P(dcc.Link("All runs", href=address("/runs", bench=bench)), className="over"),
            html.H1(f"Run {name}"),
            html.P(
                [verdict_mark(None if found is None else found.verdict), f" {run.set_up} · {run.recipe}"],
                className="lead",
            ),
            _reasons(found),
            waiting(html.Div(id="run-figure"), "Drawing the trace …"),
            html.Dl(
                [html.Div([html.Dt(k), html.Dd([v, html.Small(more)])]) for k, v, more in facts(run, found)],
                className="facts",
            ),
            _balance(view, found),
            html.P(["Note: ", run.notes]) if run.notes else None,
            html.P(dcc.Link("How long to move this drink on this ice", href=call)),
            dcc.Store(id="run-shown", data=name),
            dcc.Store(id="run-bench", data=bench),
        ]
    )


def register(app: Dash, desk: Desk) -> None:
    """Draw the run in the theme that is shown."""

    @app.callback(
        Output("run-figure", "children"),
        Input("run-shown", "data"),
        Input("theme", "data"),
        State("run-bench", "data"),
    )
    def drawn(name: Any, theme: str, bench: str | None) -> Any:
        try:
            return figure_block(desk.view(desk.chosen(bench)), str(name), theme)
        except RigError as error:
            return notice(str(error))


def figure_block(view: BenchView, name: str, theme: str) -> Any:
    """The run's probes beside its fit; a sentence where it was not fitted.

    Raises
    ------
    NotEnoughData, NotFound
        As the fit says.
    """
    found = view.found.get(name)
    if found is None or found.verdict not in FITTED:
        return html.P(
            "This run was not fitted, so there is no course to draw beside its trace.", className="quiet"
        )
    course = run_course(view.fitted(), name)
    read = course.run.trace is not None and bool(course.run.trace.probes_c)
    said = (
        f"Run {name}: from {wording.number(found.start_temp_c, 1, '°C')} to "
        f"{wording.number(found.temp_c, 1, '°C')} in {wording.number(found.duration_s, 1, 's')}, "
        f"{'with' if read else 'without'} a probe."
    )
    note = f"The probe lags by {course.lag_s:.1f} s and reads {abs(course.offset_k):.1f} K "
    note += "high" if course.offset_k > 0 else "low"
    return figure(
        "run-trace",
        "Trace against fit",
        said,
        run_figure(course, DARK if theme == "dark" else LIGHT),
        f"{note}, as fitted; dashed is what it should show of the drink."
        if read
        else "No probe was in this drink.",
    )


def facts(run: Run, found: RunFit | None) -> list[tuple[str, str, str]]:
    """What was noted and weighed, and what the fit makes of it: name, value, remark."""
    end = None if found is None else found.temp_c
    water = None if found is None or found.dilution_by_volume is None else found.dilution_by_volume
    listed = [
        ("Moved", wording.number(run.duration_s, 1, "s"), wording.when(run.started_at)),
        (
            "Drink before the ice",
            wording.number(run.drink_temp_c, 1, "°C"),
            wording.number(run.drink_mass_g, 1, "g"),
        ),
        ("Ice", wording.number(run.ice_mass_g, 0, "g"), f"at {wording.number(run.ice_temp_c, 1, '°C')}"),
        ("Strained", wording.number(run.strained_mass_g, 1, "g"), _residual(found)),
        ("Drink after", wording.number(end, 1, "°C"), "as fitted"),
        (
            "Dilution",
            wording.number(None if water is None else 100.0 * water, 0, "%"),
            "of starting volume"
            if water is None
            else f"of starting volume; {100 * water / (1 + water):.0f} % of the finished drink",
        ),
        ("Operator", run.operator or "–", run.session or ""),
    ]
    if run.foam_ml is not None:
        listed.append(
            (
                "Foam",
                wording.number(run.foam_ml, 0, "ml"),
                f"half gone in {wording.number(run.foam_half_life_s, 0, 's')}",
            )
        )
    return listed


def _residual(found: RunFit | None) -> str:
    if found is None or found.strained_residual_g is None:
        return ""
    value = found.strained_residual_g
    if abs(value) < 0.5:
        return "as its set-up would have it"
    return f"{abs(value):.0f} g {'more' if value > 0 else 'less'} than its set-up would have it"


def _reasons(found: RunFit | None) -> Any:
    if found is None or not found.reasons:
        return None
    return html.Div([html.P(reason) for reason in found.reasons], className="notice mind")


def _balance(view: BenchView, found: RunFit | None) -> Any:
    if found is None or found.verdict not in FITTED:
        return None
    balance = closure(view.fitted(), found.run)
    if balance is None:
        return None
    return html.P([html.B("Heat balance: "), balance.sentence()])
