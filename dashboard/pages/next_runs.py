"""Next runs: which would narrow a call most, what they are expected to gain, and the sheet to make them from."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, html
from flask import Response, request

from dashboard import wording
from dashboard.call_page import call_choices, call_page
from dashboard.controls import aria, carried, choice, notice, slider, table
from dashboard.memoise import memoised
from dashboard.page import Here, Page
from dashboard.pages.recipe import usual_instead
from dashboard.params import Params, one, params_of_query, params_of_store
from dashboard.questions.next_runs import COUNT, HERE, RELATED, NextRunsQuestion
from dashboard.service import BenchView, Service, Working
from rig.advice.plan.plan import Narrowing, RunPlan
from rig.advice.plan.sheet import printable, run_sheet
from rig.answer_units import true_minus
from rig.errors import RigError
from rig.report.wording import assumptions, odds_words, seconds, target_words

SHEET, PRINT = "/rehearsal/next-runs/sheet.csv", "/rehearsal/next-runs/print"
RUN_HEADS = ("Turn", "Block", "Set-up", "Ice", "Recipe", "Start", "For", "Tells")
BAND_HEADS = ("90 % band, half its width", "Now", "Then")
_CHOICES = ("technique", "vessel", "ice", "recipe", "target", "where")


def layout(here: Here) -> Any:
    """The page with its choices as the address asks.

    Raises
    ------
    RigError
        Where the bench has no run, no fit or no target.
    """
    view, trouble = here.view(), None
    try:
        asked = NextRunsQuestion.of(view, here.params)
    except RigError as error:
        asked = NextRunsQuestion.of(view, {})
        trouble = usual_instead(error)
    where = [(RELATED, "on related set-ups too"), (HERE, "on this set-up only")]
    ways_on = [
        carried("Run sheet to fill in (CSV)", SHEET, download=True),
        carried("Page to print", PRINT),
        carried("What to measure with next", "/rig/kit"),
    ]
    return call_page(
        here,
        "plan",
        title="Next runs",
        trouble=trouble,
        answer=("What the runs are expected to gain", "Weighing up what runs would tell …"),
        controls=(
            "Which call, and how many runs",
            [
                *call_choices("plan", view, asked),
                slider("plan-count", "Runs you can make", COUNT, float(asked.count)),
                choice("plan-where", "May be made", where, asked.where),
            ],
        ),
        more=("The runs", [html.Div(id="plan-answer"), html.P(ways_on, className="ways-on")]),
    )


def register(app: Dash, service: Service) -> None:
    """Connect the choices to the plan, and serve its sheets."""

    @memoised(32)
    def plan_of(view: BenchView, asked: NextRunsQuestion) -> RunPlan:
        return asked.answer(view)

    def read(params: Params) -> tuple[BenchView, NextRunsQuestion]:
        name = service.chosen(one(params, "bench"))
        seen = service.look(name)
        view = service.view(name) if isinstance(seen, Working) else seen
        return view, NextRunsQuestion.of(view, params)

    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("plan-asked", "data"),
        *(Input(f"plan-{k}", "value") for k in (*_CHOICES, "count")),
        State("plan-bench", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("chillrig", "shown"),
        Output("plan-count-shown", "children"),
        Input("plan-count", "value"),
    )

    @app.callback(
        Output("plan-head", "children"),
        Output("plan-answer", "children"),
        Input("plan-asked", "data"),
        prevent_initial_call=True,
    )
    def answer(asked: Any) -> tuple[Any, Any]:
        try:
            plan = plan_of(*read(params_of_store(asked)))
        except RigError as error:
            return notice(str(error)), None
        return head_block(plan), answer_block(plan)

    def sheet() -> Response:
        view, asked = read(_asked_now())
        taken = [r.run for r in view.book.runs]
        text = run_sheet(plan_of(view, asked), view.bench, asked.target, taken)
        sent = Response(text, mimetype="text/csv")
        sent.headers["Content-Disposition"] = 'attachment; filename="next-runs.csv"'
        return sent

    def page_to_print() -> Response:
        view, asked = read(_asked_now())
        title = true_minus(f"Next runs: {view.bench.title}")
        return Response(printable(plan_of(view, asked), title), mimetype="text/html")

    app.server.add_url_rule(SHEET, "next_runs_sheet", sheet)
    app.server.add_url_rule(PRINT, "next_runs_print", page_to_print)


def _asked_now() -> Params:
    return params_of_query(request.query_string.decode("utf-8", errors="replace"))


def head_block(plan: RunPlan) -> Any:
    """Odds now and then, in giant figures, and what narrows."""
    call = plan.narrowings[0]
    odds: list[Any] = [html.B(odds_words(call.odds_now)), " → ", html.B(odds_words(call.odds_then))]
    return [
        html.P(f"{call.situation.recipe} · {call.situation.set_up}", className="over"),
        html.P(odds, className="big", **aria(label=_odds_said(call))),
        html.P(
            f"lands now, and after {_runs(len(plan.runs))}; at most {odds_words(call.odds_at_most)}",
            className="window",
        ),
        html.P(
            f"Target: {target_words(call.target)}. The call now: {seconds(call.duration_s)} s. "
            f"{assumptions(call.filled)}.",
            className="quiet",
        ),
    ]


def _odds_said(call: Narrowing) -> str:
    return f"Lands {odds_words(call.odds_now)} now, {odds_words(call.odds_then)} then"


def _runs(count: int) -> str:
    return f"{count} run" if count == 1 else f"{count} runs"


def answer_block(plan: RunPlan) -> Any:
    """The runs in their order, the bands now and then, and what to mind."""
    return [
        table(
            "Make them in this order, each block in one session from one batch of ice",
            RUN_HEADS,
            rows(plan),
            "told",
        ),
        table("What they are expected to narrow, at the called duration", BAND_HEADS, bands(plan), "told"),
        html.H2("Keep in mind"),
        html.Ul([html.Li(true_minus(n)) for n in plan.notes], className="sentences"),
    ]


def rows(plan: RunPlan) -> tuple[tuple[str, ...], ...]:
    """The runs as cells under RUN_HEADS."""
    return tuple(
        (
            str(p.place),
            str(p.block),
            str(p.situation.set_up),
            wording.number(p.situation.ice_mass_g, 0, "g"),
            p.situation.recipe,
            wording.number(p.situation.drink_temp_c, 0, "°C"),
            wording.number(p.duration_s, 0, "s"),
            wording.number(100.0 * p.tells, 0, "%"),
        )
        for p in plan.runs
    )


def bands(plan: RunPlan) -> tuple[tuple[str, ...], ...]:
    """Half widths now and then as cells under BAND_HEADS."""
    call = plan.narrowings[0]
    listed = (
        ("Temperature of the average drink", call.temp_average_k, 1.0, 2, "K"),
        ("Temperature of the next drink", call.temp_single_k, 1.0, 2, "K"),
        ("Dilution of the average drink", call.dilution_average, 100.0, 1, "ml to 100 ml"),
        ("Dilution of the next drink", call.dilution_single, 100.0, 1, "ml to 100 ml"),
    )
    return tuple(
        (name, *(f"± {wording.number(scale * v, digits, unit)}" for v in pair))
        for name, pair, scale, digits, unit in listed
    )


PAGE = Page("/rehearsal/next-runs", "", layout, register)
