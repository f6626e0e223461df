from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest

from rig.advice.compare.compare import compare
from rig.bench import Target
from rig.fitting.result import Fit
from rig.report import figures
from rig.report.courses import SetUpCourse, run_course, set_up_courses
from rig.report.look import DARK, LIGHT, Look, mark, places
from rig.report.page import Report
from rig.runs import SetUp
from tests.cli.small_bench import WRONG_RUN

TARGET = Target(serve_temp_c_max=-1.0, dilution_by_volume=(0.25, 0.45))


@pytest.fixture(scope="module")
def courses(fit: Fit) -> tuple[SetUpCourse, ...]:
    return set_up_courses(fit, [s for s in fit.set_ups if s.technique == "shake"], "night shift", draws=64)


def named(figure: go.Figure, words: str) -> list[Any]:
    return [t for t in figure.data if words in (t.name or "")]


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("draw", [figures.chill_curves, figures.dilution_curves])
def test_curves_have_a_line_a_band_and_points_for_each_set_up(
    courses: tuple[SetUpCourse, ...], draw: Any, look: Look
) -> None:
    figure = draw(courses, look, TARGET)
    assert [t.name for t in figure.data if t.mode == "lines" and t.showlegend is None] == [
        "freezer cube",
        "wet cube",
    ]
    assert len(named(figure, "90 % of runs")) == 2
    assert sum(len(t.x) for t in named(figure, "runs") if t.mode == "markers") == 10
    assert figure.layout.xaxis.title.text == "time on the ice [s]"
    assert figure.layout.paper_bgcolor == look.paper


def test_axes_say_their_quantity_and_unit(courses: tuple[SetUpCourse, ...]) -> None:
    assert figures.chill_curves(courses).layout.yaxis.title.text == "drink [°C]"
    assert figures.dilution_curves(courses).layout.yaxis.title.text == "water added ÷ starting volume"
    path = figures.chill_path(courses)
    assert (path.layout.xaxis.title.text, path.layout.yaxis.title.text) == (
        "water added ÷ starting volume",
        "drink [°C]",
    )


def test_a_doubtful_run_is_drawn_hollow(courses: tuple[SetUpCourse, ...]) -> None:
    doubtful = named(figures.dilution_curves(courses), "doubtful")
    assert [list(t.text) for t in doubtful] == [[f"run {WRONG_RUN}, doubtful"]]
    assert doubtful[0].marker.color == LIGHT.paper


@pytest.mark.parametrize(
    ("target", "edges"),
    [
        (TARGET, (None, -1.0)),
        (Target(serve_temp_c_min=-3.0, serve_temp_c_max=-1.0), (-3.0, -1.0)),
        (Target(serve_temp_c_min=-3.0), (-3.0, None)),
    ],
)
def test_the_target_is_shaded_and_its_open_side_reaches_the_edge_of_the_figure(
    courses: tuple[SetUpCourse, ...], target: Target, edges: tuple[float | None, float | None]
) -> None:
    figure = figures.chill_curves(courses, target=target)
    (zone,) = figure.layout.shapes
    low, high = figure.layout.yaxis.range
    assert (zone.y0, zone.y1) == (
        low if edges[0] is None else edges[0],
        high if edges[1] is None else edges[1],
    )
    assert low <= zone.y0 < zone.y1 <= high


def test_a_target_without_a_limit_on_the_axis_shades_nothing(courses: tuple[SetUpCourse, ...]) -> None:
    assert not figures.chill_curves(courses, target=Target(abv_pct=(10, 20))).layout.shapes
    assert not figures.dilution_curves(courses, target=Target(abv_pct=(10, 20))).layout.shapes


def test_the_path_marks_equal_times_where_they_can_be_told_apart(courses: tuple[SetUpCourse, ...]) -> None:
    ticks = named(figures.chill_path(courses, target=TARGET), "time")
    assert all(t.text[0] == "5 s" for t in ticks)
    for t in ticks:
        apart = np.hypot(np.diff(t.x) / 0.5, np.diff(t.y) / 25.0)
        assert np.all(apart > 0.02)


def test_the_labels_of_two_paths_stand_on_their_outer_sides(courses: tuple[SetUpCourse, ...]) -> None:
    here = courses[0]
    warmer = replace(here, label="warmer", temp_c=replace(here.temp_c, p50=here.temp_c.p50 + 2.0))
    for pair in ((here, warmer), (warmer, here)):
        sides = {t.name: t.textposition for t in named(figures.chill_path(pair), "time")}
        assert sides == {f"{here.label}, time": "bottom left", "warmer, time": "top right"}


def test_the_odds_figure_shows_call_and_window(report: Report) -> None:
    call = report.cards[0].call
    figure = figures.odds_figure(call)
    *beyond, window, line = figure.layout.shapes
    assert [(s.x0, s.x1) for s in beyond] == [(start, end) for start, end, _ in figures.beyond_runs(call)]
    assert (window.x0, window.x1) == call.window_s
    assert line.x0 == line.x1 == call.duration_s
    assert any(f"{call.duration_s:.0f} s" in a.text for a in figure.layout.annotations)
    assert np.array_equal(figure.data[0].y, call.odds_at)


def test_the_landing_figure_has_temperature_dilution_and_odds_on_one_time_axis(report: Report) -> None:
    figure = figures.landing_figure(report.cards[0].call)
    titles = [figure.layout[f"yaxis{k}"].title.text for k in ("", "2", "3")]
    assert titles == ["drink [°C]", "water ÷ start", "lands"]
    assert figure.layout.xaxis3.title.text == "time on the ice [s]"


def test_a_run_is_drawn_as_fitted_and_as_its_probe_should_show_it(fit: Fit) -> None:
    course = run_course(fit, "a2")
    figure = go.Figure()
    figures.add_fitted(figure, course, LIGHT)
    assert [(t.name, t.line.dash) for t in figure.data] == [
        ("drink, fitted", "solid"),
        ("probe, fitted", "dash"),
    ]
    assert course.run.trace is not None
    seen = np.interp(course.run.trace.time_s, course.time_s, course.shown_c)
    assert np.sqrt(np.mean((seen - course.run.trace.probe_c) ** 2)) < 0.4


def test_the_comparison_has_a_panel_a_quantity_and_a_mark_a_set_up(fit: Fit) -> None:
    found = compare(fit, set_ups=[s for s in fit.set_ups if s.technique == "shake"])
    figure = figures.comparison_figure(found, everyone=fit.set_ups)
    panels = [a.text for a in figure.layout.annotations]
    assert len(panels) == 4
    assert len(figure.data) == 8
    for t in figure.data:
        assert t.error_x.array[0] >= 0
        assert t.error_x.arrayminus[0] >= 0


def test_nothing_to_compare_draws_an_empty_figure(fit: Fit) -> None:
    found = replace(compare(fit), summaries=())
    assert not figures.comparison_figure(found).data


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_no_two_of_many_set_ups_look_alike_even_without_colour_beside_each_other(look: Look) -> None:
    ices, vessels = [f"ice {k}" for k in range(6)], ["tin", "glass", "cup"]
    set_ups = [SetUp("shake", v, i) for v, i in product(vessels, ices)]
    marks = [mark(look, p) for p in places(set_ups, set_ups).values()]
    assert len({m.colour for m in marks}) == len(marks)
    beside_each_other = marks[: len(ices)]
    assert len({m.dash for m in beside_each_other}) == len({m.symbol for m in beside_each_other}) == len(ices)


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_text_stands_out_from_its_ground(look: Look) -> None:
    """Contrast by WCAG 2.2: 1.4.6 and 1.4.3 for text, 1.4.11 for the first lines of a figure."""

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    def contrast(a: str, b: str) -> float:
        light, dark = sorted((luminance(a), luminance(b)), reverse=True)
        return (light + 0.05) / (dark + 0.05)

    assert contrast(look.ink, look.paper) >= 7
    assert contrast(look.quiet, look.paper) >= 4.5
    assert all(contrast(c, look.paper) >= 3 for c in look.series[:3])


@pytest.mark.parametrize("draw", [figures.odds_figure, figures.landing_figure])
def test_where_no_duration_lands_no_window_is_shaded_and_no_call_is_made(report: Report, draw: Any) -> None:
    call = replace(report.cards[0].call, feasible=False, odds=0.001)
    figure = draw(call)
    assert call.window_s not in [(s.x0, s.x1) for s in figure.layout.shapes]
    said = [a.text for a in figure.layout.annotations]
    assert f"at best under 1 %, at {call.duration_s:.0f} s" in said
