"""What to measure with next: what each part would do for a call, before it is bought."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, html

from dashboard.call_page import call_choices, call_page
from dashboard.controls import aria, choice, names, notice, table
from dashboard.memoise import memoised
from dashboard.page import Here, Page
from dashboard.pages.recipe import usual_instead
from dashboard.params import one, params_of_store
from dashboard.questions.kit import KitQuestion
from dashboard.service import BenchView, Service, Working
from rig.advice.plan.kit import KitWorth
from rig.advice.plan.kit_parts import Part
from rig.advice.plan.kit_words import HEADS, NOTES, basis, figures, rows, summary
from rig.answer_units import true_minus
from rig.errors import RigError
from rig.report.wording import odds_words, target_words

_CHOICES = ("technique", "vessel", "ice", "recipe", "target", "have")


def layout(here: Here) -> Any:
    """The page with its choices as the address asks.

    Raises
    ------
    RigError
        Where the bench has no run, no fit or no target.
    """
    view, trouble = here.view(), None
    try:
        asked = KitQuestion.of(view, here.params)
    except RigError as error:
        asked = KitQuestion.of(view, {})
        trouble = usual_instead(error)
    have = choice("kit-have", "The most you have", names([p.value for p in Part]), asked.have)
    return call_page(
        here,
        "kit",
        title="What to measure with next",
        trouble=trouble,
        answer=("The next thing worth having", "Weighing up what each part would tell …"),
        controls=("Which call, and what you have", [have, *call_choices("kit", view, asked)]),
        more=("Part by part", html.Div(id="kit-answer")),
    )


def register(app: Dash, service: Service) -> None:
    """Connect the choices to the answer."""

    @memoised(32)
    def worth_of(view: BenchView, asked: KitQuestion) -> KitWorth:
        return asked.answer(view)

    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("kit-asked", "data"),
        *(Input(f"kit-{k}", "value") for k in _CHOICES),
        State("kit-bench", "data"),
    )

    @app.callback(
        Output("kit-head", "children"),
        Output("kit-answer", "children"),
        Input("kit-asked", "data"),
        prevent_initial_call=True,
    )
    def answer(asked: Any) -> tuple[Any, Any]:
        params = params_of_store(asked)
        try:
            name = service.chosen(one(params, "bench"))
            seen = service.look(name)
            view = service.view(name) if isinstance(seen, Working) else seen
            told = worth_of(view, KitQuestion.of(view, params))
        except RigError as error:
            return notice(str(error)), None
        return head_block(told), answer_block(told)


def head_block(told: KitWorth) -> Any:
    """Odds now and with the next part, in giant figures, and the sentence."""
    chosen, call = told.next_part, told.call
    reached = told.odds_with_mine if chosen is None else chosen.best_odds
    now, then = odds_words(call.odds), odds_words(reached)
    big: list[Any] = [html.B(now)] if now == then else [html.B(now), " → ", html.B(then)]
    return [
        html.P(f"{call.situation.recipe} · {call.situation.set_up}", className="over"),
        html.P(big, className="big", **aria(label=f"Lands {now} now, {then} then")),
        html.P(true_minus(summary(told)), className="window"),
        html.P(true_minus(f"Target: {target_words(call.target)}. {basis(told)}."), className="quiet"),
    ]


def answer_block(told: KitWorth) -> Any:
    """The parts one by one, how well each measures, and what to mind."""
    return [
        table(
            "Lands so often with each part and all above it: after one run, after six, and called live",
            HEADS,
            rows(told),
            "told kit",
        ),
        html.H2("How well each part measures, as taken here"),
        html.Ul([html.Li(f) for f in figures(told)], className="sentences"),
        html.H2("Keep in mind"),
        html.Ul([html.Li(n) for n in NOTES], className="sentences"),
    ]


PAGE = Page("/rig/kit", "", layout, register)
