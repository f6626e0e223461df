"""What is printed is one page, with the answer first, however much there is to mind."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from rig.advice.call.levers import Lever
from rig.bench import Ingredient, Recipe
from rig.fitting.situation import Situation
from rig.report.card import technique_card
from rig.report.page import Report, fixed, render
from rig.report.pdf import NAMES, find_chromium, pdf_of

MADE_AT = datetime(2031, 4, 6, 15, 0, tzinfo=UTC)
LONG = (
    "Alcohol: this drink holds {} g of it; serve it to nobody who drives, and with water beside it",
    "Caffeine: {} mg of it, as much as two cups; not for children, and not late in the evening",
    "A hot drink in a sealed vessel builds pressure: rest it to below {} °C, or vent it before you shake",
    "Glass that comes from the freezer may crack under a hot drink: bring it to room temperature for {} minutes first",
    "No run of this drink on this ice lasted longer than {} s: what is said beyond is not borne out by any of yours",
)

needs_chromium = pytest.mark.skipif(not any(shutil.which(n) for n in NAMES), reason="no Chromium here")


def pages_of(html: str) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf_of(html, find_chromium())))


@needs_chromium
@pytest.mark.parametrize("feasible", [True, False])
def test_the_fullest_card_is_one_page(report: Report, feasible: bool) -> None:
    call = report.cards[0].call
    levers = tuple(
        replace(lever, what=f"{lever.what}, which takes a second shaker and five more minutes before service")
        for lever in (*call.levers, *_levers())
    )
    full = replace(call, feasible=feasible, levers=levers[:3], cautions=tuple(t.format(30) for t in LONG))
    recipe = Recipe(
        "night shift with a very long name indeed",
        tuple(Ingredient(f"ingredient number {k} of the house", volume_ml=10.0 + k) for k in range(9)),
    )
    assert pages_of(technique_card(full, recipe, "Corner bar", MADE_AT)) == 1


def _levers() -> list[Lever]:
    asked = Situation("shake", "steel tin", "freezer cube", "night shift")
    return [Lever("rest the drink to 20 °C", "drink_temp_c", 20.0, 0.9, 12.0, 0.2, asked) for _ in range(3)]


@needs_chromium
def test_a_report_prints_its_answer_on_one_page(report: Report) -> None:
    assert pages_of(render(report, MADE_AT)) == 1


def test_the_report_begins_with_how_long(report: Report) -> None:
    html = render(report, MADE_AT)
    main = html[html.index("<main>") :]
    assert (
        main.index('id="calls"')
        < main.index('id="cards"')
        < main.index('id="curves"')
        < main.index('id="ground"')
    )


@pytest.mark.parametrize(("value", "said"), [(-0.04, "0.0"), (-0.06, "-0.1"), (0.0, "0.0"), (12.34, "12.3")])
def test_a_number_that_rounds_to_zero_has_no_minus(value: float, said: str) -> None:
    assert fixed(value, 1) == said


def test_a_card_has_no_minus_before_a_zero(report: Report) -> None:
    call = report.cards[0].call
    cold = replace(call, feasible=True, at_call={**call.at_call, "temp_c": (-0.3, -0.02, 0.3)})
    card = technique_card(cold, Recipe("x", (Ingredient("water", volume_ml=1.0),)), "bar", MADE_AT)
    assert "−0.0" not in card
    assert "0.0 °C" in card
