"""Runs: every drink made, what came of it, and whether it can be believed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from dash import ALL as EVERY
from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from dashboard import wording, zoom
from dashboard.controls import aria, choice, figure, names, notice, search, table
from dashboard.figures.traces import Channel, overlay_channels, overlay_figure, probes_of
from dashboard.page import Here, Page
from dashboard.params import Params, address, one, params_of_store
from dashboard.questions.runs import ALL, FILTERS, PAGE_ROWS, RunsQuestion, run_filters
from dashboard.service import BenchView, Service, Working
from rig.errors import NotFound, RigError
from rig.fitting.result import Verdict
from rig.logbook.listing import RunPage, Tally
from rig.report.finding_page import Drawn, FindingPage, Tabled
from rig.report.look import DARK, LIGHT
from rig.runs import Run

MOST_CHOICES = 24
"""More values than this are not offered side by side: one finds them by writing."""
HEADS = (
    "Run",
    "Overlay",
    "Made",
    "Set-up",
    "Recipe",
    "Shaken or stirred",
    "Drink, start",
    "Drink, end",
    "Dilution",
    "Strained",
    "Verdict",
)


def layout(here: Here) -> Any:
    """The list with its filters as the address asks; verdicts follow once the fit is there."""
    facets = here.service.listing(here.bench).facets(here.bench)
    trouble = None
    try:
        asked = RunsQuestion.of(facets, here.params)
    except RigError as error:
        asked, trouble = RunsQuestion.of(facets, {}), notice(f"{error} Shown are all runs instead.")
    filters = run_filters(facets)
    # a filter that offers no choice is hidden, yet keeps its place in the question
    chips = [_filter(k, values, getattr(asked, k)) for k, values in filters.items()]
    view = _view(here.service, here.bench)
    return html.Div(
        [
            html.H1("Runs"),
            html.P(_summary(here.service, here.bench, view), id="runs-summary", className="lead"),
            html.P(
                [
                    dcc.Link("Bring in tables", href=address("/runs/bring-in", bench=here.kept)),
                    dcc.Link("Edit as a run sheet", href=address("/runs/sheet", bench=here.kept)),
                ],
                className="ways-on",
            ),
            trouble,
            search("runs-words", "Find", asked.words, "a name, an operator, a session, a word of the notes"),
            html.Details(
                [html.Summary("Filter"), html.Div(chips, className="filters")],
                open=asked.narrowed and not asked.words,
            ),
            html.Div(id="runs-overlay"),
            html.Div(
                list_block(here.service, here.bench, here.kept, asked, view),
                id="runs-list",
                **aria(live="polite"),
            ),
            deleted_block(here),
            dcc.Store(id="runs-bench", data=here.kept),
            dcc.Store(id="runs-page", data=asked.page),
            dcc.Store(id="runs-over", data=list(asked.over)),
            dcc.Store(id="runs-asked", data=_asked(asked, here.kept)),
            dcc.Interval(id="runs-tick", interval=1500, disabled=view is not None),
        ]
    )


def deleted_block(here: Here) -> Any:
    """The runs that were deleted, each with the way to its page, where it can be brought back."""
    logbook = here.service.logbook
    gone = () if logbook is None or here.guest else here.service.listing(here.bench).deleted(here.bench)
    if not gone:
        return None
    listed = [
        html.Li(
            [dcc.Link(d.run, href=address(f"/runs/{quote(d.run, safe='')}", bench=here.kept)), f" · {d.why}"]
        )
        for d in gone
    ]
    return html.Details([html.Summary(f"Deleted ({len(gone)})"), html.Ul(listed)], className="deleted")


def register(app: Dash, service: Service) -> None:
    """Connect the filters to the list, and the marked runs to the overlay."""
    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("runs-asked", "data"),
        *(Input(f"runs-{k}", "value") for k in (*FILTERS, "words")),
        Input("runs-over", "data"),
        State("runs-page", "data"),
        State("runs-bench", "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("runs-list", "children"),
        Output("runs-summary", "children"),
        Output("runs-tick", "disabled"),
        Input("runs-asked", "data"),
        Input("runs-tick", "n_intervals"),
        prevent_initial_call=True,
    )
    def listed(asked: Any, _ticks: int | None) -> tuple[Any, Any, bool]:
        try:
            params = params_of_store(asked or {})
            kept = one(params, "bench")
            bench = service.chosen(kept)
            view = _view(service, bench)
            question = RunsQuestion.of(service.listing(bench).facets(bench), params)
            return (
                list_block(service, bench, kept, question, view),
                _summary(service, bench, view),
                view is not None,
            )
        except RigError as error:
            return notice(str(error)), no_update, True

    app.clientside_callback(
        ClientsideFunction("chillrig", "picked"),
        Output("runs-over", "data"),
        Input({"type": "runs-pick", "run": EVERY}, "value"),
        State({"type": "runs-pick", "run": EVERY}, "id"),
        State("runs-over", "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("runs-overlay", "children"),
        Input("runs-over", "data"),
        Input("theme", "data"),
        State("runs-bench", "data"),
    )
    def overlaid(over: Any, theme: str, kept: str | None) -> Any:
        try:
            params: Params = params_of_store({"over": over or []})
            bench = service.chosen(kept)
            asked = RunsQuestion.of({}, params)
            return overlay_block(_runs(service, bench, asked.over), theme)
        except RigError as error:
            return notice(str(error))

    def laid_over(over: Any, kept: str | None) -> Sequence[Channel]:
        asked = RunsQuestion.of({}, params_of_store({"over": over or []}))
        return overlay_channels(_runs(service, service.chosen(kept), asked.over))

    zoom.connect(app, "runs-over-figure", "runs-over", "runs-bench", laid_over, line=True)


def _asked(asked: RunsQuestion, kept: str | None) -> dict[str, Any]:
    """The question as the page's script gathers it, for a list that is made anew before anything was chosen."""
    parts = {k: getattr(asked, k) for k in (*FILTERS, "words")}
    bench = {} if kept is None else {"bench": kept}
    return {**parts, "page": asked.page, "over": list(asked.over), **bench}


def _filter(name: str, values: Sequence[str], chosen: str) -> html.Div:
    many = len(values) > MOST_CHOICES
    # one that is chosen from many, by an address, can still be set back
    offered = [v for v in values if v == chosen] if many else values
    return html.Div(
        choice(f"runs-{name}", name.capitalize(), [(ALL, "all"), *names(offered)], chosen),
        hidden=len(offered) < (1 if many else 2),
    )


def _view(service: Service, bench: str) -> BenchView | None:
    """The bench with its fit, or None while that is under way."""
    seen = service.look(bench)
    return None if isinstance(seen, Working) else seen


def _runs(service: Service, bench: str, over: Sequence[str]) -> list[Run]:
    return [service.run(bench, name) for name in over]


def _summary(service: Service, bench: str, view: BenchView | None) -> str:
    return summary(service.bench(bench).title, service.listing(bench).tally(bench), view)


def summary(title: str, tally: Tally, view: BenchView | None) -> str:
    """How many runs there are and how many can be believed."""
    said = f"{title}. {wording.count(tally.runs)} run{'' if tally.runs == 1 else 's'}"
    if view is None:
        return f"{said}. They are being fitted; the verdicts follow."
    if view.fit is None:
        return f"{said}. {view.lacking}"
    verdicts: list[Verdict] = [r.verdict for r in view.fit.runs if r.verdict is not Verdict.EXCLUDED]
    parts = [f"{n} {v.value}" for v in Verdict if (n := verdicts.count(v))]
    if tally.excluded:
        parts.append(f"{tally.excluded} {Verdict.EXCLUDED.value}")
    notes = [f.what for f in view.book.findings if f.what.startswith("fitted on")]
    return f"{said}: {', '.join(parts)}." + "".join(f" {n[0].upper()}{n[1:]}." for n in notes)


def list_block(
    service: Service, bench: str, kept: str | None, asked: RunsQuestion, view: BenchView | None
) -> Any:
    """One page of the runs that pass the filters."""
    wanted = asked.filter_of({} if view is None else view.found)
    first = (asked.page - 1) * PAGE_ROWS
    got = service.listing(bench).page(bench, wanted, first, PAGE_ROWS)
    return page_block(got, kept, asked, view, first)


def page_block(
    got: RunPage, kept: str | None, asked: RunsQuestion, view: BenchView | None, first: int
) -> Any:
    """The runs of one page as a table, and the way to the next."""
    if not got.total:
        if asked.narrowed:
            waits = view is None and asked.verdict not in (ALL, Verdict.EXCLUDED)
            why = "The verdicts are not there yet." if waits else "No run passes these filters."
            return html.P(f"{why} Set one of them back to all.", className="state")
        return html.P(
            "No runs yet. Make one and note it on the run sheet, or import a bench.", className="state"
        )
    if not got.runs:
        return html.P(f"There is no page {asked.page} of these runs.", className="state")
    shown = f"{got.total} runs, newest first" if got.total != 1 else "1 run"
    if len(got.runs) < got.total:
        shown = f"Runs {first + 1} to {first + len(got.runs)} of {got.total}, newest first"
    return [
        table(shown, HEADS, [row(view, kept, r, r.run in asked.over) for r in got.runs], "runs"),
        _pager(kept, asked, got.total),
    ]


def row(view: BenchView | None, kept: str | None, run: Run, over: bool) -> tuple[Any, ...]:
    """One run as cells: what was noted, what the fit makes of it, and the verdict as a mark and a word."""
    found = None if view is None else view.found.get(run.run)
    start = run.drink_temp_c if found is None or found.start_temp_c is None else found.start_temp_c
    water = None if found is None or found.dilution_by_volume is None else 100.0 * found.dilution_by_volume
    pick: Any = dcc.Checklist(
        id={"type": "runs-pick", "run": run.run},
        options=[{"value": run.run, "label": html.Span(f"Lay {run.run} over others", className="unseen")}],
        value=[run.run] if over else [],
        className="pick",
    )
    return (
        dcc.Link(run.run, href=address(f"/runs/{quote(run.run, safe='')}", bench=kept)),
        pick,
        wording.when(run.started_at),
        str(run.set_up),
        run.recipe,
        wording.number(run.duration_s, 1, "s"),
        wording.number(start, 1, "°C"),
        wording.number(None if found is None else found.temp_c, 1, "°C"),
        wording.number(water, 0, "%"),
        wording.number(run.strained_mass_g, 1, "g"),
        verdict_mark(verdict_of(run, view)),
    )


def verdict_of(run: Run, view: BenchView | None) -> Verdict | None:
    """The verdict on a run; None while it is not known. Exclusion is known without a fit."""
    if run.excluded_because is not None:
        return Verdict.EXCLUDED
    if view is None:
        return None
    found = view.found.get(run.run)
    return Verdict.NOT_FITTED if found is None else found.verdict


def verdict_mark(verdict: Verdict | None) -> html.Span:
    """The verdict as a mark and its word."""
    if verdict is None:
        return html.Span("… being fitted", className="verdict not-fitted")
    return html.Span(
        f"{wording.MARKS[verdict]} {verdict.value}", className=f"verdict {verdict.value.replace(' ', '-')}"
    )


def overlay_block(runs: Sequence[Run], theme: str) -> Any:
    """The runs marked, over each other."""
    if not runs:
        return None
    if len(runs) == 1:
        return html.P(
            f"{runs[0].run} is marked. Mark another run to see the two over each other.", className="quiet"
        )
    bare = [r.run for r in runs if not probes_of(r)]
    note = "Zero is the start of motion." + (f" Without a probe: {', '.join(bare)}." if bare else "")
    note += zoom.note(runs)
    told = ", ".join(f"{r.run}: {r.set_up}, {r.recipe}" for r in runs)
    return figure(
        "runs-over-figure",
        f"{len(runs)} runs over each other",
        f"Probe against time for {told}.",
        overlay_figure(runs, DARK if theme == "dark" else LIGHT),
        note,
    )


def _pager(kept: str | None, asked: RunsQuestion, count: int) -> Any:
    last = -(-count // PAGE_ROWS)
    if last == 1:
        return None
    here = {k: getattr(asked, k) for k in (*FILTERS, "words")}
    links = [
        dcc.Link(words, href=address("/runs", bench=kept, page=str(page), over=asked.over, **here))
        for page, words in ((asked.page - 1, "Newer runs"), (asked.page + 1, "Older runs"))
        if 1 <= page <= last
    ]
    return html.Nav(
        [*links, html.Span(f"page {asked.page} of {last}", className="quiet")],
        className="pager",
        **aria(label="Pages of runs"),
    )


def finding(here: Here) -> FindingPage:
    """The runs listed and overlaid, to keep."""
    view = here.view()
    listing = here.service.listing(here.bench)
    asked = RunsQuestion.of(listing.facets(here.bench), here.params)
    got = listing.page(here.bench, asked.filter_of(view.found), (asked.page - 1) * PAGE_ROWS, PAGE_ROWS)
    rows = []
    for run in got.runs:
        cells = row(view, None, run, False)
        verdict = verdict_of(run, view)
        rows.append((run.run, *cells[2:-1], "" if verdict is None else verdict.value))
    heads = (HEADS[0], *HEADS[2:])
    runs = _runs(here.service, here.bench, asked.over)
    drawn = (
        (Drawn(f"{len(runs)} runs over each other", overlay_figure(runs, LIGHT)),) if len(runs) > 1 else ()
    )
    if not got.runs:
        raise NotFound("page of runs", str(asked.page), ["1"])
    return FindingPage(
        "Runs",
        _summary(here.service, here.bench, view),
        (*drawn, Tabled(f"{len(rows)} of {got.total} runs", heads, tuple(rows))),
    )


PAGE = Page("/runs", "Runs", layout, register, finding)
