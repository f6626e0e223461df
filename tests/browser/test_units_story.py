"""Somebody who thinks in °F chooses so once, on the page Rig, and every page then speaks it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rig.answer_units import AnswerUnits
from tests.browser.conftest import axe_faults

OpenPage = Callable[..., Any]
SAID = (
    "-2.6 °C", "−0.4 to 3 °C", "1.2 °C colder", "± 0.5 K", "20 ± 0.5 °C", "at -2 °C or colder", "210 g", "118.5 ml",
    "[°C]", "4.5 g/ml", "12 W/K", "35 s", "from 3.0 to 4.5 °C, 12 g of it",
)  # fmt: skip


def test_units_chosen_once_hold_on_every_page(open_page: OpenPage) -> None:
    page = open_page("/rig")
    for kind, unit in (("temperature", "°F"), ("mass", "oz"), ("volume", "fl oz")):
        page.locator(f"#rig-units-{kind}").get_by_text(unit, exact=True).click()
        page.wait_for_function(f"() => (document.documentElement.dataset.units || '').includes('{unit}')")
        page.wait_for_selector("#rig-units")
    assert axe_faults(page) == []
    units = AnswerUnits("°F", "oz", "fl oz")
    assert page.evaluate("said => said.map(s => chillrigUnits.text(s))", list(SAID)) == [
        units.text(s) for s in SAID
    ]
    page.goto(page.url.replace("/rig", "/shake-time"))
    page.wait_for_selector("#call-head .big")
    page.wait_for_function(
        "() => document.querySelector('#call-drink_temp_c-shown').textContent.includes('°F')"
    )
    slider = page.locator("#call-drink_temp_c")
    at = float(slider.input_value())
    slider.evaluate(
        "s => { s.closest('details').open = true; s.value = 20; s.dispatchEvent(new Event('input', {bubbles: true})); }"
    )
    assert page.locator("#call-drink_temp_c-shown").text_content() == "68 °F"
    assert at < 40.0  # the slider itself stays as it is asked
    page.wait_for_selector("#call-answer")
    assert "°C" not in page.locator("main").inner_text()


def test_the_page_of_the_bench_answers_and_is_accessible(open_page: OpenPage) -> None:
    page = open_page("/compare/what-to-use")
    page.wait_for_selector("#use-rank table")
    page.wait_for_selector("#use-shares .js-plotly-plot .bars")
    assert axe_faults(page) == []
