"""One run in full: its trace against the fit, its weighings, and why it is believed or not."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any
from urllib.parse import quote

from dash import Dash, Input, Output, State, dcc, html

from dashboard import wording, zoom
from dashboard.controls import figure, notice, table
from dashboard.figures.traces import (
    Channel,
    events_of,
    probes_of,
    read_channels,
    residual_channel,
    residual_figure,
    trace_figure,
)
from dashboard.page import Here, Page
from dashboard.pages import run_corrections, run_motion
from dashboard.pages.runs import verdict_mark, verdict_of
from dashboard.params import address
from dashboard.service import BenchView, Service, Working
from rig.advice.live.verdict import sentence_of
from rig.errors import RigError
from rig.fitting.bench_fit import prior_fit
from rig.fitting.result import RunFit, Verdict
from rig.report.closure import closure
from rig.report.courses import RunCourse, run_course
from rig.report.finding_page import Block, Drawn, FindingPage, Listed, Tabled
from rig.report.look import DARK, LIGHT
from rig.runs import PROBE_DOUBT, Run

FITTED = (Verdict.GOOD, Verdict.DOUBTFUL)


def layout(here: Here) -> Any:
    """A run's page.

    Raises
    ------
    NotFound
        No run of that name on the bench.
    """
    run = here.service.run(here.bench, here.rest)
    call = address(
        "/shake-time",
        bench=here.kept,
        technique=run.technique,
        vessel=run.vessel,
        ice=run.ice,
        recipe=run.recipe,
    )
    return html.Div(
        [
            html.P(dcc.Link("All runs", href=address("/runs", bench=here.kept)), className="over"),
            html.H1(f"Run {run.run}"),
            html.Div(id="run-body"),
            run_motion.layout(here, run),
            run_corrections.layout(here, run),
            html.P(
                [
                    dcc.Link("How long to shake or stir this drink", href=call),
                    html.A("Keep this page as one file", href=f"/keep{address_here(here)}", download=""),
                ],
                className="ways-on",
            ),
            dcc.Store(id="run-shown", data=run.run),
            dcc.Store(id="run-bench", data=here.kept),
            dcc.Store(id="run-changed"),
            dcc.Interval(id="run-tick", interval=1500, disabled=not isinstance(here.seen(), Working)),
        ]
    )


def address_here(here: Here) -> str:
    """The run's own address."""
    return address(f"/runs/{quote(here.rest, safe='')}", bench=here.kept)


def register(app: Dash, service: Service) -> None:
    """Show the run in the theme that is shown, with its fit once that is there; zoom its trace."""

    @app.callback(
        Output("run-body", "children"),
        Output("run-tick", "disabled"),
        Input("run-shown", "data"),
        Input("theme", "data"),
        Input("run-tick", "n_intervals"),
        Input("run-changed", "data"),
        State("run-bench", "data"),
    )
    def body(name: Any, theme: str, _ticks: Any, _changed: Any, kept: str | None) -> tuple[Any, bool]:
        try:
            bench = service.chosen(kept)
            seen_now = service.look(bench)
            view = None if isinstance(seen_now, Working) else seen_now
            return body_block(service.run(bench, str(name)), view, theme), view is not None
        except RigError as error:
            return notice(str(error)), True

    def read(name: Any, kept: str | None) -> Sequence[Channel]:
        return read_channels(service.run(service.chosen(kept), str(name)))

    def residuals(name: Any, kept: str | None) -> Sequence[Channel]:
        view = service.view(service.chosen(kept))
        course = _course(view, service.run(view.name, str(name)), view.found.get(str(name)))
        found = None if course is None else residual_channel(course)
        return [] if found is None else [found]

    zoom.connect(app, "run-trace", "run-shown", "run-bench", read)
    zoom.connect(app, "run-residuals", "run-shown", "run-bench", residuals, of="K")
    run_corrections.register(app, service)
    run_motion.register(app, service)


def body_block(run: Run, view: BenchView | None, theme: str) -> Any:
    """All there is to see of a run; without a fit, what was read and noted."""
    found = None if view is None else view.found.get(run.run)
    course = _course(view, run, found)
    look = DARK if theme == "dark" else LIGHT
    return [
        html.P(
            [verdict_mark(verdict_of(run, view)), f" {run.set_up} · {run.recipe}"],
            className="lead",
        ),
        _landed(run, view),
        _reasons(run, found),
        _trace(run, course, found, look),
        _residuals(run, course, found, look),
        html.Dl(
            [html.Div([html.Dt(k), html.Dd([v, html.Small(more)])]) for k, v, more in facts(run, found)],
            className="facts",
        ),
        _balance(view, found),
        events_block(run),
        html.P(["Note: ", run.notes]) if run.notes else None,
    ]


@lru_cache(maxsize=32)
def _fitted_course(view: BenchView, name: str) -> RunCourse:
    return run_course(view.fitted(), name)


def _course(view: BenchView | None, run: Run, found: RunFit | None) -> RunCourse | None:
    if view is None or found is None or found.verdict not in FITTED or run.excluded_because is not None:
        return None
    return _fitted_course(view, run.run)


def _trace(run: Run, course: RunCourse | None, found: RunFit | None, look: Any) -> Any:
    if course is None and not probes_of(run):
        return html.P("No probe was in this drink, and it was not fitted.", className="quiet")
    read = "with" if probes_of(run) else "without"
    if course is None:
        said, note = f"Run {run.run} as its probe read it.", "As read. There is no fit of this run beside it."
    else:
        assert found is not None
        said = (
            f"Run {run.run}: from {wording.number(found.start_temp_c, 1, '°C')} to "
            f"{wording.number(found.temp_c, 1, '°C')} in {wording.number(found.duration_s, 1, 's')}, "
            f"{read} a probe."
        )
        note = (
            f"The probe lags by {course.lag_s:.1f} s and reads {abs(course.offset_k):.1f} K "
            f"{'high' if course.offset_k > 0 else 'low'}, as fitted; dashed is what it should show of the drink."
            if probes_of(run)
            else "No probe was in this drink."
        )
    note += zoom.note([run])
    title = "Trace against fit" if course is not None else "Trace"
    return figure("run-trace", title, said, trace_figure(run, course, look), note)


def _residuals(run: Run, course: RunCourse | None, found: RunFit | None, look: Any) -> Any:
    if course is None or not probes_of(run):
        return None
    drawn = residual_figure(course, look)
    values = [v for t in drawn.data for v in t.y]
    apart = f"{max((abs(float(v)) for v in values if v == v), default=0.0):.1f} K at most"
    return figure(
        "run-residuals",
        "What the fit leaves over",
        f"Read less fitted, against time: {apart}.",
        drawn,
        f"Read − fitted: {apart}. A slope or a wave is a course the model does not have; scatter is the probe's.",
    )


def facts(run: Run, found: RunFit | None) -> list[tuple[str, str, str]]:
    """What was noted and weighed, and what the fit makes of it: name, value, remark."""
    end = None if found is None else found.temp_c
    water = None if found is None or found.dilution_by_volume is None else found.dilution_by_volume
    listed = [
        ("Shaken or stirred", wording.number(run.duration_s, 1, "s"), wording.when(run.started_at)),
        (
            "Drink before the ice",
            wording.number(run.drink_temp_c, 1, "°C"),
            wording.number(run.drink_mass_g, 1, "g"),
        ),
        ("Ice", wording.number(run.ice_mass_g, 0, "g"), f"at {wording.number(run.ice_temp_c, 1, '°C')}"),
        ("Strained", wording.number(run.strained_mass_g, 1, "g"), _residual(found)),
        (
            "Drink after",
            wording.number(end, 1, "°C"),
            "as fitted; its probe was not believed to the end" if PROBE_DOUBT in run.extra else "as fitted",
        ),
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
                "Drink with its foam",
                wording.number(run.foam_ml, 0, "ml"),
                f"half gone in {wording.number(run.foam_half_life_s, 0, 's')}",
            )
        )
    return listed


def events_block(run: Run) -> Any:
    """What happened when."""
    events = events_of(run)
    if len(events) < 2:
        return None
    return table(
        "Events", ("At", "What"), [(wording.number(t, 1, "s"), what) for t, what in events], "events"
    )


def _residual(found: RunFit | None) -> str:
    if found is None or found.strained_residual_g is None:
        return ""
    value = found.strained_residual_g
    if abs(value) < 0.5:
        return "as its set-up would have it"
    return f"{abs(value):.0f} g {'more' if value > 0 else 'less'} than its set-up would have it"


def landed_sentence(run: Run, view: BenchView | None) -> str:
    """Whether it landed, by how much not and why; empty where it was made for no target, or before there is a fit."""
    return "" if view is None else sentence_of(view.fit or prior_fit(view.book), run)


def _landed(run: Run, view: BenchView | None) -> Any:
    said = landed_sentence(run, view)
    return html.P(said, className="lead", id="run-landed") if said else None


def _reasons(run: Run, found: RunFit | None) -> Any:
    said = [] if found is None else list(found.reasons)
    if run.excluded_because is not None:
        said = [
            *(run.extra[k] for k in (PROBE_DOUBT,) if k in run.extra),
            f"Excluded: {run.excluded_because}",
        ]
    return html.Div([html.P(reason) for reason in said], className="notice mind") if said else None


def _balance(view: BenchView | None, found: RunFit | None) -> Any:
    said = balance_sentence(view, found)
    return html.P([html.B("Heat balance: "), said]) if said else None


def balance_sentence(view: BenchView | None, found: RunFit | None) -> str:
    """Whether weighing and temperatures agree; empty where that cannot be told."""
    if view is None or found is None or found.verdict not in FITTED:
        return ""
    balance = closure(view.fitted(), found.run)
    return "" if balance is None else balance.sentence()


def finding(here: Here) -> FindingPage:
    """The run, to keep."""
    view, run = here.view(), here.service.run(here.bench, here.rest)
    found = view.found.get(run.run)
    course = _course(view, run, found)
    blocks: list[Block] = [
        Drawn("Trace", trace_figure(run, course, LIGHT), "Probe as read, and the drink as fitted.")
    ]
    if course is not None and probes_of(run):
        blocks.append(Drawn("What the fit leaves over", residual_figure(course, LIGHT), "Read − fitted."))
    blocks.append(Tabled("Measured and fitted", ("", "Value", "Remark"), tuple(facts(run, found))))
    said = [
        landed_sentence(run, view),
        *(() if found is None else found.reasons),
        balance_sentence(view, found),
        run.notes or "",
    ]
    if any(said):
        blocks.append(Listed("What to know", tuple(s for s in said if s)))
    verdict = verdict_of(run, view)
    return FindingPage(
        f"Run {run.run}", f"{'' if verdict is None else verdict.value}: {run.set_up} · {run.recipe}", blocks
    )


PAGE = Page("/runs/", "", layout, register, finding)
