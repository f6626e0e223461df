"""The glass of a drink: from first to last sip, in a warm, a chilled and a frozen one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from dashboard import wording
from dashboard.controls import aria, choice, figure, names, notice, slider, table, waiting
from dashboard.figures.drink import STATE_WORDS, sips_figure
from dashboard.memoise import memoised
from dashboard.page import Here, Page
from dashboard.pages.recipe import parts_of_recipe, usual_instead
from dashboard.params import one, params_of_store
from dashboard.questions.glass import GLASSES, ICE, MINUTES, ROOM, SERVED, GlassQuestion, InGlass
from dashboard.questions.recipe import DILUTION_HIGH
from dashboard.service import Service
from rig.answer_units import true_minus
from rig.bench import Bench
from rig.errors import RigError
from rig.physics.cup import GlassState
from rig.report.look import DARK, LIGHT, Look

HEADS = ("Glass", "First sip", "Middle sip", "Last sip", "Water added", "Strength, last sip")
_CHOICES = ("recipe", "glass")
_SLIDERS = {
    "dilution": ("Water in it already", DILUTION_HIGH),
    "poured_c": ("Poured at", SERVED),
    "minutes": ("Drunk in", MINUTES),
    "ice_mass_g": ("Ice in the glass", ICE),
    "room_c": ("Room", ROOM),
}


def layout(here: Here) -> Any:
    """The page with its controls as the address asks."""
    bench, trouble = here.service.bench(here.bench), None
    try:
        asked = GlassQuestion.of(bench, here.params)
    except RigError as error:
        asked = GlassQuestion.of(bench, {})
        trouble = usual_instead(error)

    def slide(name: str) -> html.Div:
        label, run = _SLIDERS[name]
        value = asked.dilution_pct if name == "dilution" else getattr(asked, name)
        return slider(f"glass-{name}", label, run, value)

    return html.Div(
        [
            html.H1("Glass"),
            parts_of_recipe("/recipe/glass"),
            trouble,
            html.Div(
                [
                    html.Section(
                        waiting(
                            html.Div(id="glass-head", className="told-head", **aria(live="polite")),
                            "Drinking it …",
                        ),
                        className="answer",
                        style={"position": "static"},
                        **aria(label="First and last sip"),
                    ),
                    html.Section(
                        [
                            choice("glass-recipe", "Recipe", names(tuple(bench.recipes)), asked.recipe),
                            choice("glass-glass", "Glass", names(GLASSES), asked.glass),
                            *(slide(n) for n in _SLIDERS),
                        ],
                        className="controls",
                        **aria(label="Drink, glass and ice"),
                    ),
                    html.Section(html.Div(id="glass-answer"), className="more", **aria(label="Sip by sip")),
                ],
                className="call-page",
            ),
            dcc.Store(id="glass-bench", data=here.kept),
            dcc.Store(id="glass-asked"),
            dcc.Store(id="glass-rested"),
        ]
    )


def register(app: Dash, service: Service) -> None:
    """Connect the controls to the sips: the usual course at once, its ranges once the sliders rest."""

    @memoised(128)
    def served(
        bench_name: str, stamp: int, asked: GlassQuestion, ranges: bool
    ) -> Mapping[GlassState, InGlass]:
        return asked.answer(service.bench(bench_name), ranges=ranges)

    def shown(asked: Any, theme: str, ranges: bool) -> tuple[Any, Any]:
        try:
            params = params_of_store(asked)
            name = service.chosen(one(params, "bench"))
            bench = service.bench(name)
            question = GlassQuestion.of(bench, params)
            found = served(name, _stamp(bench), question, ranges)
        except RigError as error:
            return notice(true_minus(str(error))), None
        look = DARK if theme == "dark" else LIGHT
        return head_block(question, found), answer_block(question, found, look)

    app.clientside_callback(
        ClientsideFunction("chillrig", "asked"),
        Output("glass-asked", "data"),
        *(Input(f"glass-{k}", "value") for k in (*_CHOICES, *_SLIDERS)),
        State("glass-bench", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("chillrig", "rested"),
        Output("glass-rested", "data"),
        Input("glass-asked", "data"),
    )
    for name in _SLIDERS:
        app.clientside_callback(
            ClientsideFunction("chillrig", "shown"),
            Output(f"glass-{name}-shown", "children"),
            Input(f"glass-{name}", "value"),
        )

    @app.callback(
        Output("glass-head", "children"),
        Output("glass-answer", "children"),
        Input("glass-asked", "data"),
        Input("theme", "data"),
        prevent_initial_call=True,
    )
    def quickly(asked: Any, theme: str) -> tuple[Any, Any]:
        return shown(asked, theme, False)

    @app.callback(
        Output("glass-head", "children", allow_duplicate=True),
        Output("glass-answer", "children", allow_duplicate=True),
        Input("glass-rested", "data"),
        State("theme", "data"),
        prevent_initial_call=True,
    )
    def with_ranges(asked: Any, theme: str) -> tuple[Any, Any]:
        return shown(asked, theme, True)


def _stamp(bench: Bench) -> int:
    return hash(tuple(bench.recipes.values()))


def head_block(asked: GlassQuestion, found: Mapping[GlassState, InGlass]) -> Any:
    """First and last sip of the chilled glass, large, and what the others would do."""
    chilled = found[GlassState.CHILLED].temp_c.typical
    first, last = (wording.number(float(t), 1, "°C") for t in (chilled[0], chilled[-1]))
    warm, frozen = (found[s].temp_c.typical[0] for s in (GlassState.ROOM, GlassState.FROZEN))
    return [
        html.P(f"{asked.recipe} · chilled {asked.glass}{_over(asked)}", className="over"),
        html.P([html.B(first), " → ", html.B(last)], className="big", **aria(label=f"{first} to {last}")),
        html.P(f"first to last sip, in {asked.minutes:.0f} min", className="window"),
        html.P(
            f"First sip from a room-warm glass: {wording.number(float(warm), 1, '°C')}, "
            f"from a frozen one: {wording.number(float(frozen), 1, '°C')}.",
            className="quiet",
        ),
    ]


def _over(asked: GlassQuestion) -> str:
    return f" over {asked.ice_mass_g:.0f} g of ice" if asked.ice_mass_g else ", no ice in it"


def rows(found: Mapping[GlassState, InGlass]) -> list[tuple[str, ...]]:
    """One row a state of the glass, as cells under HEADS."""
    out = []
    for state, s in found.items():
        sips = (0, len(s.time_s) // 2, len(s.time_s) - 1)
        temps = [_told(s.temp_c.at(k), 1.0, 1, "°C", s.has_range) for k in sips]
        water = _told(s.added_by_volume.at(sips[-1]), 100.0, 0, "%", s.has_range)
        strength = _told(s.abv_pct.at(sips[-1]), 1.0, 1, "% ABV", s.has_range)
        out.append((STATE_WORDS[state].capitalize(), *temps, water, strength))
    return out


def _told(band: tuple[float, float, float], scale: float, digits: int, unit: str, ranged: bool) -> str:
    low, usual, high = (scale * v for v in band)
    text = wording.number(usual, digits, unit)
    return f"{text} ({wording.span(low, high, digits, '').strip()})" if ranged else text


def answer_block(asked: GlassQuestion, found: Mapping[GlassState, InGlass], look: Look) -> Any:
    """Sip by sip, drawn and in numbers."""
    listed = rows(found)
    ranged = any(s.has_range for s in found.values())
    said = "; ".join(f"{r[0]}: first sip {r[1]}, last sip {r[3]}" for r in listed)
    band = (
        "Bands: still to breezy rooms, gentle to lively drinking. " if ranged else "Ranges follow at rest. "
    )
    frozen = [STATE_WORDS[state] for state, s in found.items() if s.freezes]
    return [
        figure(
            "glass-sips",
            "From first to last sip",
            f"{said}.",
            sips_figure(found, look),
            f"{band}Nobody holds the glass; frost on a frozen one is left out.",
        ),
        notice(f"In a {' and a '.join(frozen)} part of the drink may freeze at the wall.")
        if frozen
        else None,
        table("Sip by sip; water added since the pour ÷ volume poured", HEADS, listed, "told"),
    ]


PAGE = Page("/recipe/glass", "", layout, register)
