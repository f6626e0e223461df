"""What Shake time says of a call: the number and its odds, why, the drink against time, and what would help."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard import wording
from dashboard.controls import figure
from rig.advice.call.ahead import ALIKE_OF_WINDOW, ALIKE_S, Foretold
from rig.advice.call.call import Advice
from rig.advice.call.levers import SURE
from rig.answer_units import true_minus
from rig.report import wording as words
from rig.report.figures import landing_figure
from rig.report.look import DARK, LIGHT


def head_block(call: Advice | Foretold) -> Any:
    """The call itself, in full or foretold: the number, its window and its odds, to be read across a room."""
    s, best = call.situation, f"{words.seconds(call.duration_s)} s"
    technique: list[Any] = [s.technique.capitalize(), " "]
    if isinstance(call, Foretold) and not call.alike:
        technique.append(html.Small("about"))
    odds = words.of_hundred(call.odds)
    if call.feasible:
        number = html.P([html.Span(technique), " ", html.B(best)], className="big")
        window: list[Any] = [f"{words.window_words(call)} · lands ", html.B(odds)]
    else:
        number = html.P(f"No {s.technique} lands this", className="big none")
        window = [f"At best {odds}, at {best}"]
    what = html.P(f"{s.recipe} · {s.vessel} · {s.ice}", className="over")
    rests = html.P(
        [html.B(words.basis_label(call.basis)), f" · {words.assumptions(call.filled)}"], className="quiet"
    )
    return [
        what,
        number,
        html.P(window, className="window"),
        rests,
        html.P(how_told(call), className="quiet how-told"),
        _first_caution(call),
    ]


def how_told(call: Advice | Foretold) -> str:
    """Whether a call was worked out in full, or how near it comes to that."""
    if not isinstance(call, Foretold):
        return "Worked out in full."
    if not call.alike:
        return "Only about so; in full once you let go."
    return f"Within {ALIKE_S:g} s or {ALIKE_OF_WINDOW:.0%} of the window; in full once you let go."


def answer_block(call: Advice) -> Any:
    """What the call promises, what limits it and what it rests on."""
    return [
        html.Dl(
            [html.Div([html.Dt(k), html.Dd([v, html.Small(m)])]) for k, v, m in facts(call)],
            className="facts",
        ),
        html.P(f"Target: {words.target_words(call.target)}."),
        html.P(words.limits(call) if call.feasible else wording.why_not(call)),
        html.P(words.basis_sentence(call.basis)),
        _cautions(call),
    ]


def facts(call: Advice) -> list[tuple[str, str, str]]:
    """What the call promises: name, value, remark."""
    at = call.at_call
    listed = [
        ("Forgives", wording.forgiveness(call), "still nine tenths of these odds") if call.feasible else None,
        ("In the glass", *_with_range(at["temp_c"], 1, "°C")),
        ("Dilution", *_with_range(_percents(at["dilution_by_volume"]), 0, "%", "of starting volume; ")),
        (
            "Water added",
            *_with_range(_percents(at["dilution_of_finished_drink"]), 0, "%", "of the finished drink; "),
        ),
        ("Strength", *_with_range(at["abv_pct"], 1, "% ABV")) if at["abv_pct"][1] >= 0.5 else None,
        ("Volume", *_with_range(at["volume_ml"], 0, "ml")),
    ]
    return [fact for fact in listed if fact is not None]


def _first_caution(call: Advice | Foretold) -> Any:
    """The most urgent caution in short, where nobody overlooks it; all of them follow below."""
    if not call.cautions:
        return None
    more = len(call.cautions) - 1
    text = f"△ Mind: {call.cautions[0].split(':')[0]}{f', and {more} more below' if more else ''}"
    return html.P(true_minus(text), className="first-caution")


def _percents(values: tuple[float, float, float]) -> tuple[float, float, float]:
    low, middle, high = (100.0 * v for v in values)
    return low, middle, high


def _with_range(
    values: tuple[float, float, float], digits: int, unit: str, before: str = ""
) -> tuple[str, str]:
    low, middle, high = values
    return wording.number(middle, digits, unit), f"{before}90 %: {wording.span(low, high, digits, unit)}"


def _cautions(call: Advice) -> Any:
    if not call.cautions:
        return None
    return html.Div(
        [html.H2("Mind"), html.Ul([html.Li(true_minus(c)) for c in call.cautions])], className="notice mind"
    )


def figures_block(call: Advice, theme: str) -> Any:
    """Odds, chill and dilution against time."""
    limits = words.limits(call) if call.feasible else wording.why_not(call)
    said = f"{words.headline(call)}. {words.landing(call)}. {limits}"
    return figure(
        "call-landing",
        "Chill, dilution and odds against time",
        said,
        landing_figure(call, DARK if theme == "dark" else LIGHT),
        "Bands hold 90 % of runs. Green: where the drink lands, and the durations that will do.",
    )


def levers_block(call: Advice) -> Any:
    """What would help, best first, and what this ice can do at all."""
    title, bounds = html.H2("What would help"), html.P(words.what_ice_can_do(call))
    if call.odds >= SURE:
        return [title, html.P("Nothing needs changing: this lands well as it is."), bounds]
    if not call.levers:
        return [
            title,
            html.P("No single change tried raises the odds. Move the target, or change two things at once."),
            bounds,
        ]
    listed = [
        html.Li(
            [html.B(words.odds_words(f.odds)), true_minus(f" at {words.seconds(f.duration_s)} s: {f.what}")]
        )
        for f in call.levers
    ]
    return [title, html.Ol(listed, className="levers"), bounds]
