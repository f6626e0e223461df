"""The technique card: one call on one sheet, to print and pin up beside the ice."""

from __future__ import annotations

from datetime import datetime

from markupsafe import Markup

from rig.advice.call.call import Advice
from rig.answer_units import LAB_UNITS, AnswerUnits
from rig.bench import Recipe
from rig.report import wording
from rig.report.odds_drawing import odds_drawing
from rig.report.page import asset, environment, set_out


def technique_card(
    call: Advice, recipe: Recipe, bench_title: str, made_at: datetime, units: AnswerUnits = LAB_UNITS
) -> str:
    """One sheet (A5 and up) as a self-contained HTML page without any script; `made_at` is printed on it."""
    return (
        environment(units)
        .from_string(asset("card.html"))
        .render(
            call=call,
            recipe=recipe,
            title=bench_title,
            made_at=f"{made_at:%Y-%m-%d}",
            style=Markup(asset("card.css")),
            odds=Markup(odds_drawing(call)),
            words=wording,
            set_out=set_out(call),
            measures=[_measure(i.volume_ml, i.mass_g) for i in recipe.ingredients],
        )
    )


def _measure(volume_ml: float | None, mass_g: float | None) -> str:
    return f"{volume_ml:g} ml" if volume_ml is not None else f"{mass_g:g} g"
