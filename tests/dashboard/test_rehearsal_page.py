from __future__ import annotations

import csv
import io
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dashboard.app import make_app
from dashboard.figures.rehearsal import Played, chart_figure, spread_figure, together_figure
from dashboard.page import Here
from dashboard.pages import kit, next_runs, rehearsal
from dashboard.params import params_of_query
from dashboard.questions.next_runs import HERE, NextRunsQuestion
from dashboard.questions.rehearsal import NO_SESSION, RehearsalQuestion, sessions
from dashboard.rehearsal_words import cadence_words, chart_words, drift_words, rate_words, run_rows
from dashboard.service import BenchView, Service
from rig.advice.evidence.hit_rate import hit_rate
from rig.advice.plan.plan import RunPlan
from rig.advice.rehearsal.control_chart import control_chart
from rig.advice.rehearsal.rehearsal import Practice, rehearse
from rig.advice.rehearsal.trend import Steadiness
from rig.answer_units import true_minus
from rig.errors import ModelRangeError, NotEnoughData, NotFound
from rig.report.look import DARK, LIGHT
from tests.dashboard.benches import source_of_view
from tests.dashboard.reading import controls_and_labelled, ids, parts, text


def here(view: BenchView, query: str = "") -> Here:
    service = Service(source_of_view(view))
    service.view(view.name)
    return Here(service, view.name, None, "", params_of_query(query))


@pytest.fixture(scope="module")
def found(view: BenchView) -> Practice:
    return RehearsalQuestion.of(view, params_of_query("target=coupe")).answer(view)


@pytest.fixture(scope="module")
def plan(view: BenchView) -> RunPlan:
    return NextRunsQuestion.of(view, params_of_query("count=3&where=here")).answer(view)


@pytest.mark.parametrize("layout", [rehearsal.layout, next_runs.layout, kit.layout])
def test_each_page_has_one_heading_no_id_twice_and_a_label_on_every_control(
    view: BenchView, layout: Any
) -> None:
    made = layout(here(view))
    assert sum(p["type"] == "H1" for p in parts(made)) == 1
    assert len(ids(made)) == len(set(ids(made)))
    controls, labelled = controls_and_labelled(made)
    assert controls
    assert controls <= labelled


@pytest.mark.parametrize("layout", [rehearsal.layout, next_runs.layout, kit.layout])
def test_an_address_that_cannot_be_meant_shows_the_usual_and_says_why(view: BenchView, layout: Any) -> None:
    told = text(layout(here(view, "target=gravel")))
    assert "gravel" in told
    assert "instead" in told


def test_the_page_shows_what_the_library_finds_and_what_to_practise_first(
    view: BenchView, found: Practice
) -> None:
    direct = rehearse(
        view.fitted(), set_up=found.set_up, recipe=found.recipe, target=view.bench.targets["coupe"]
    )
    assert direct.capability is not None
    head = text(rehearsal.head_block(found))
    assert head.index("What to practise") < head.index("How often it lands")
    assert direct.practise[0] in head
    assert f"{direct.capability.hits} of {direct.capability.runs} landed" in head
    assert f"{100 * direct.capability.low:.0f} to {100 * direct.capability.high:.0f} %" in head


def test_one_hit_rate_is_told_with_one_interval(found: Practice) -> None:
    assert found.capability is not None
    shown = text([rehearsal.head_block(found), rehearsal.rest_block(found)])
    assert shown.count("in the long run") == 1
    assert "By the fit" not in shown
    assert "the odds" not in shown
    assert len(found.practise) == 1


def test_runs_recorded_live_have_a_choice_of_their_own(view: BenchView) -> None:
    live = [
        replace(r, session=None) if k % 2 else replace(r, session="monday")
        for k, r in enumerate(view.book.runs)
    ]
    book = replace(view.book, runs=tuple(live))
    mixed = replace(view, book=book, fit=replace(view.fitted(), book=book))
    assert sessions(mixed) == ("monday", NO_SESSION)
    asked = RehearsalQuestion.of(mixed, params_of_query(f"session={NO_SESSION}"))
    assert {r.session for r in asked.answer(mixed).runs} == {None}


def test_few_runs_are_called_few_and_no_target_is_no_hit_rate(view: BenchView, found: Practice) -> None:
    assert "So few runs leave the interval wide" in text(rehearsal.head_block(found))
    bare = RehearsalQuestion.of(view, params_of_query("target=")).answer(view)
    head = text(rehearsal.head_block(bare))
    assert "Choose a target" in head
    assert "landed" not in head
    assert rehearsal.best_and_worst(view, bare) == ()


def test_a_hit_rate_is_a_count_with_the_share_it_stands_for() -> None:
    # Wilson's interval of 19 of 30, by hand: 0.4551 to 0.7813
    big, small = rate_words(hit_rate(19, 30))
    assert big == "19 of 30"
    assert small == "63 %; in the long run 46 to 78 % (95 % interval)"


@pytest.mark.parametrize("look", [LIGHT, DARK])
def test_parts_of_the_spread_are_bars_with_whiskers_that_hold_their_interval(
    found: Practice, look: Any
) -> None:
    figure = spread_figure(found.spreads, look)
    assert [t.name for t in figure.data] == ["temperature", "dilution"]
    for trace, spread in zip(figure.data, found.spreads, strict=False):
        by_part = dict(zip(trace.y, trace.x, strict=True))
        for part in spread.parts:
            assert by_part[part.part.value] == pytest.approx(100 * part.share)
        high = np.asarray(trace.x) + np.asarray(trace.error_x.array)
        assert dict(zip(trace.y, high, strict=True))["timing"] == pytest.approx(
            100 * max(spread.parts[1].high, spread.parts[1].share)
        )
    assert len({t.marker.pattern.shape for t in figure.data}) == 2
    assert "[%]" in figure.layout.xaxis.title.text


def test_a_chart_marks_the_run_beyond_its_limits_by_shape_and_names_it_in_words() -> None:
    values = np.array([1.0, 1.2, 0.9, 1.1, 1.0, 9.0, 1.1, 0.9])
    usual = np.array([True] * 5 + [False] + [True] * 2)
    names = [f"r{k}" for k in range(8)]
    chart = control_chart("temp_c", names, values, limits_from=usual)
    figure = chart_figure(chart, LIGHT)
    assert list(figure.data[0].marker.symbol).index("diamond") == 5
    assert list(figure.data[0].marker.symbol).count("diamond") == 1
    lines = sorted(s.y0 for s in figure.layout.shapes if s.yref == "y")
    assert lines == pytest.approx([chart.lower, chart.centre, chart.upper])
    low, high = figure.layout.yaxis.range
    assert low < chart.lower
    assert high > 9.0
    assert figure.layout.yaxis.title.text == "temperature [°C]"
    said = chart_words(chart)
    assert said[0].startswith("◆ r5: further out than scatter takes a run")
    assert "provisional" in said[-1]


def test_a_chart_without_a_signal_says_so_with_true_minus_signs() -> None:
    chart = control_chart("temp_c", list("abcdef"), np.array([-3.0, -3.1, -2.9, -3.0, -3.1, -3.0]))
    said = " ".join(chart_words(chart))
    assert "Nothing beyond scatter." in said
    assert "−" in said
    assert "-" not in said


def test_best_and_worst_run_lie_together_in_the_target(view: BenchView, found: Practice) -> None:
    played = rehearsal.best_and_worst(view, found)
    assert [p.label.split(":")[0] for p in played] == ["best", "worst"]
    figure = together_figure(played, found.target, LIGHT)
    assert len(figure.data) == 4
    assert len({t.line.dash for t in figure.data}) == 2
    zones = [(s.y0, s.y1) for s in figure.layout.shapes]
    assert zones[1] == pytest.approx((25.0, 45.0))
    assert zones[0][1] == pytest.approx(-1.0)
    sent = played[1].to_dict()
    worst = next(r for r in found.runs if r.run == found.worst)
    assert sent["time_s"][-1] == pytest.approx(worst.duration_s, abs=0.01)
    assert sent["temp_c"][-1] == pytest.approx(worst.temp_c, abs=0.3)
    told = text(rehearsal.stage_block(found, played, LIGHT))
    assert true_minus(worst.why) in told


def test_a_target_without_dilution_shades_temperature_alone() -> None:
    time = np.linspace(0.0, 10.0, 5)
    played = (Played("best: a", time, 20.0 - time, 3.0 * time),)
    assert len(together_figure(played, None, LIGHT).layout.shapes) == 0


def test_without_a_recorded_rhythm_or_sessions_the_page_says_what_is_missing(found: Practice) -> None:
    told = text(rehearsal.rest_block(found))
    assert "No run recorded its rhythm" in told
    assert all(r.run in told for r in found.runs)
    assert drift_words(found)
    assert "one page in twenty" in told


def test_a_rhythm_is_told_within_and_between_runs() -> None:
    said = cadence_words(Steadiness((), 3.1, 0.04, 0.08, -0.12, 0.7))
    assert "3.1 strokes a second" in said
    assert "4 % within a run, and by 8 % from run to run" in said
    assert "changes by −12 %" in said
    assert "clearly with its rhythm" in said


def test_every_run_is_listed_with_a_mark_and_a_word(found: Practice) -> None:
    rows = run_rows(found)
    assert {r[5] for r in rows} <= {"✓ landed", "✕ missed", "set aside"}
    assert sum(r[5] == "✓ landed" for r in rows) == (found.capability.hits if found.capability else -1)


def test_names_that_are_not_there_and_no_session_are_refused(view: BenchView) -> None:
    with pytest.raises(NotFound):
        RehearsalQuestion.of(view, params_of_query("session=nowhere"))
    with pytest.raises(NotFound):
        RehearsalQuestion.of(view, params_of_query("set_up=gravel"))
    with pytest.raises(NotEnoughData, match="no session is chosen"):
        RehearsalQuestion(view.fitted().set_ups[0], "night shift", (), "coupe").answer(view)
    with pytest.raises(ModelRangeError):
        NextRunsQuestion.of(view, params_of_query("count=500"))


def test_what_is_kept_tells_the_same(view: BenchView, found: Practice) -> None:
    kept = rehearsal.finding(here(view, "target=coupe"))
    assert kept.title == "Rehearsal: night shift"
    assert rate_words(found.capability)[0] in kept.lead  # type: ignore[arg-type]
    assert kept.blocks[0].sentences == tuple(found.practise)  # type: ignore[union-attr]


def test_next_runs_are_told_with_odds_now_and_then_and_narrower_bands(plan: RunPlan) -> None:
    head = text(next_runs.head_block(plan))
    assert "→" in head
    assert "after 3 runs" in head
    call = plan.narrowings[0]
    assert call.temp_average_k[1] <= call.temp_average_k[0]
    bands = {r[0]: r[1:] for r in next_runs.bands(plan)}
    now, then = bands["Temperature of the average drink"]
    assert (now, then) == tuple(f"± {v:.2f} K" for v in call.temp_average_k)
    assert len(next_runs.rows(plan)) == 3
    assert all(true_minus(n) in text(next_runs.answer_block(plan)) for n in plan.notes)


def test_runs_on_this_set_up_only_are_on_it(plan: RunPlan, view: BenchView) -> None:
    assert {p.situation.set_up for p in plan.runs} == {plan.narrowings[0].situation.set_up}
    assert NextRunsQuestion.of(view, params_of_query("where=here")).where == HERE


def test_the_run_sheet_and_the_page_to_print_are_served(view: BenchView) -> None:
    client = make_app(source_of_view(view)).server.test_client()
    asked = "?count=2&where=here&target=coupe"
    sheet = client.get(next_runs.SHEET + asked)
    assert sheet.status_code == 200
    assert "attachment" in sheet.headers["Content-Disposition"]
    rows = list(csv.DictReader(io.StringIO(sheet.text)))
    assert len(rows) == 2
    assert {r["target"] for r in rows} == {"coupe"}
    assert not {r["run"] for r in rows} & {r.run for r in view.book.runs}
    printed = client.get(next_runs.PRINT + asked)
    assert printed.text.startswith("<!doctype html>")
    assert client.get(f"{next_runs.SHEET}?target=gravel").status_code == 400
