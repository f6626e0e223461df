from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from xml.etree import ElementTree

import pytest

from rig.bench import Ingredient, Recipe
from rig.report.card import technique_card
from rig.report.figures import beyond_runs
from rig.report.finding_page import Drawn, FindingPage, Listed, Tabled, render_finding
from rig.report.look import LIGHT, faded
from rig.report.odds_drawing import odds_drawing
from rig.report.page import Report
from rig.report.plotting import plotting_script

WINDOW_FILL = faded(LIGHT.landing, 0.22)
MADE_AT = datetime(2031, 4, 6, 15, 0, tzinfo=UTC)
RECIPE = Recipe(
    "night <shift>",
    (Ingredient("cream", mass_g=30.0, allergens=("milk",)), Ingredient("dark spirit", volume_ml=35.0)),
)


def test_a_card_says_how_long_what_to_pour_and_what_to_mind(report: Report) -> None:
    call = replace(report.cards[0].call, feasible=True, duration_s=11.2, window_s=(9.1, 13.3))
    card = technique_card(call, RECIPE, "Corner bar", MADE_AT)
    words = re.sub(r"<[^>]+>", " ", card)
    words = " ".join(words.split())
    for said in (
        "11 s",
        "9–13 s",
        "30 g cream",
        "35 ml dark spirit",
        "Allergens declared: milk",
        "2031-04-06",
    ):
        assert said in words
    assert "<script" not in card
    assert not re.search(r"[\s>]-\d", re.sub(r"<style.*?</style>|<svg.*?</svg>", "", card, flags=re.S))


def test_a_drink_that_cannot_land_gets_no_number_on_its_card(report: Report) -> None:
    call = replace(report.cards[0].call, feasible=False, odds=0.1)
    card = technique_card(call, RECIPE, "Corner bar", MADE_AT)
    assert "no time lands this" in card
    assert WINDOW_FILL not in card


@pytest.mark.parametrize("feasible", [True, False])
def test_the_odds_are_drawn_as_valid_svg_with_the_window_only_where_there_is_one(
    report: Report, feasible: bool
) -> None:
    call = replace(report.cards[0].call, feasible=feasible)
    root = ElementTree.fromstring(odds_drawing(call))
    space = "{http://www.w3.org/2000/svg}"
    shaded = [r.attrib["fill"] for r in root.findall(f"{space}rect")]
    assert shaded.count(WINDOW_FILL) == feasible
    assert len(shaded) == feasible + len(beyond_runs(call))
    points = root.find(f"{space}polyline").attrib["points"].split()  # type: ignore[union-attr]
    assert len(points) == call.time_s.size
    assert "[s]" in "".join(root.itertext())


def test_what_people_wrote_cannot_become_markup(report: Report) -> None:
    finding = FindingPage(
        "<b>x</b>",
        "<i>",
        (Listed("<u>", ("at -1.5 °C <script>",)), Tabled("t", ("a", "<th>"), (("r", "<td>"),))),
    )
    page = render_finding(finding, "<bar>", MADE_AT)
    assert "<script" not in page
    for tag in ("<b>", "<i>", "<u>", "<bar>"):
        assert tag not in page
    assert "at −1.5 °C" in page


def test_a_page_to_keep_has_the_figures_script_once_and_only_with_a_figure(report: Report) -> None:
    drawn = Drawn("Odds", report.cards[0].odds)
    page = render_finding(FindingPage("x", blocks=(drawn, drawn)), "bar", MADE_AT)
    assert page.count("p.newPlot(") == 2
    assert page.count(str(plotting_script())) == 1
    assert len(render_finding(FindingPage("x", blocks=(Listed("a", ("b",)),)), "bar", MADE_AT)) < 20_000


def test_a_finding_has_a_name_for_its_file() -> None:
    assert FindingPage("Shake 11 s (9–13 s will do)").slug == "shake-11-s-9-13-s-will-do"
    assert FindingPage("½").slug == "finding"
