"""Answers in other units: the same quantities, converted once, differences as differences."""

from __future__ import annotations

import math
import re

import plotly.graph_objects as go
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.answer_units import LAB_UNITS, AnswerUnits, answer_units
from rig.errors import ModelRangeError
from rig.report.figure_units import in_units
from rig.units import UNITS

US = AnswerUnits("°F", "oz", "fl oz")


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("-2.6 °C (-3.1 to -2.0), 118 ml", "27.3 °F (26.4 to 28.4), 3.99 fl oz"),
        ("1.2 °C colder (0.4 to 2.0)", "2.2 °F colder (0.7 to 3.6)"),
        ("within 0.5 K, ± 0.3 °C", "within 0.9 °F, ± 0.5 °F"),
        ("20 ± 0.5 °C", "68 ± 0.9 °F"),
        ("between 2 and 5 °C", "between 36 °F and 41 °F"),
        ("at -2 °C or colder", "at 28.4 °F or colder"),
        ("in the cup [ml at 20 °C]", "in the cup [fl oz at 68 °F]"),
        ("12 ml less water, 9 ml to 100 ml", "12 parts less water, 9 parts to 100"),
        ("1.33 g/ml, 80 W/K, 5 g per litre", "1.33 g/ml, 80 W/K, 5 g per litre"),
        ("run 3, 12 g", "run 3, 0.42 oz"),
        ("a kilo: 1.5 kg", "a kilo: 3.3 lb"),
    ],
)
def test_a_sentence_says_the_same_in_other_units(said: str, told: str) -> None:
    assert US.text(said) == told
    assert US.text(told) == told
    assert LAB_UNITS.text(said) == said


def test_names_of_the_bench_stay_as_they_were_given() -> None:
    units = US.beside(["600 ml tin", "mixing glass"])
    assert units.text("600 ml tin: 60 ml at 0 °C") == "600 ml tin: 2.03 fl oz at 32 °F"


@given(
    st.sampled_from(["°C", "K", "g", "ml", "kg"]),
    st.floats(-40, 400).map(lambda x: round(x, 2)),
    st.integers(0, 2),
)
def test_no_number_loses_what_it_told(of: str, value: float, digits: int) -> None:
    text = f"{value:z.{digits}f} {of}"
    told = re.fullmatch(r"(-?[\d.]+) (.+)", US.text(text))
    assert told is not None and told[2] == US.unit(of)
    back = float(told[1]) if of == "K" else UNITS[told[2]].inside(float(told[1]))
    if of in ("K",):
        back *= 5.0 / 9.0
    if of == "kg":
        back /= 1000.0
    step = 0.5 * 10.0**-digits
    assert math.isclose(back, float(text.split()[0]), abs_tol=1.0001 * step)


def test_a_difference_keeps_no_zero_of_the_scale() -> None:
    assert US.value(5.0, "K") == pytest.approx(9.0)
    assert US.value(5.0, "°C", difference=True) == pytest.approx(9.0)
    assert US.value(5.0, "°C") == pytest.approx(41.0)


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("us", US),
        ("F", AnswerUnits("°F")),
        ("°F, oz", AnswerUnits("°F", "oz")),
        ("C fl oz", AnswerUnits(volume="fl oz")),
        ("F+g+floz", AnswerUnits("°F", "g", "fl oz")),
        ("metric", LAB_UNITS),
    ],
)
def test_units_are_asked_for_as_people_write_them(said: str, meant: AnswerUnits) -> None:
    assert answer_units(said) == meant
    assert answer_units(str(meant)) == meant


@pytest.mark.parametrize("said", ["kelvin", "F C", "oz g"])
def test_what_is_no_unit_or_two_of_a_kind_is_refused(said: str) -> None:
    with pytest.raises(ModelRangeError, match="Say one of each kind"):
        answer_units(said)


def test_a_figure_is_told_in_other_units_along_the_axes_that_have_one() -> None:
    figure = go.Figure()
    figure.add_scatter(
        x=[0.0, 10.0],
        y=[20.0, -5.0],
        error_y={"type": "data", "array": [1.0, 1.0]},
        hovertemplate="%{x:.0f} s: %{y:.1f} °C",
    )
    figure.add_hline(y=-2.0)
    figure.update_yaxes(title_text="drink [°C]", range=[-10.0, 25.0])
    figure.update_xaxes(title_text="time [s]")
    shown = in_units(figure, US)
    assert list(shown.data[0].y) == pytest.approx([68.0, 23.0])
    assert list(shown.data[0].x) == [0.0, 10.0]
    assert list(shown.data[0].error_y.array) == pytest.approx([1.8, 1.8])
    assert shown.data[0].hovertemplate == "%{x:.0f} s: %{y:.1f} °F"
    assert shown.layout.yaxis.title.text == "drink [°F]"
    assert shown.layout.yaxis.range == pytest.approx((14.0, 77.0))
    assert shown.layout.shapes[0].y0 == pytest.approx(28.4)
    assert list(figure.data[0].y) == [20.0, -5.0]
    assert in_units(figure, LAB_UNITS) is figure
