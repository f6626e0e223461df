from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from dashboard.answers import complete, make_call
from dashboard.app import page
from dashboard.page import Here, StillFitting
from dashboard.pages import compare, projector, run, runs, shake_time
from dashboard.params import params_of_query, params_of_store
from dashboard.questions.call import CallQuestion
from dashboard.questions.compare import CompareQuestion
from dashboard.questions.runs import PAGE_ROWS, RunsQuestion
from dashboard.service import BenchView, Service
from rig.advice.call.call import advise
from rig.advice.compare.compare import compare as compared
from rig.answer_units import true_minus
from rig.logbook.listing import BookListing, Tally
from rig.report.courses import set_up_courses
from rig.report.wording import of_hundred
from rig.runs import RunBook
from tests.dashboard.benches import HeldSource, source_of_view
from tests.dashboard.reading import by_id, controls_and_labelled, ids, parts, text

LAYOUTS: dict[str, Callable[[BenchView], Any]] = {
    "runs": lambda v: runs.layout(here(v)),
    "run": lambda v: run.layout(here(v, rest="b3")),
    "compare": lambda v: compare.layout(here(v)),
    "projector": lambda v: projector.layout(here(v)),
    "shake time": lambda v: shake_time.layout(here(v)),
}


def here(view: BenchView, query: str = "", rest: str = "") -> Here:
    """Where a page is asked for, with the fit at hand."""
    service = Service(source_of_view(view))
    service.view(view.name)
    return Here(service, view.name, None, rest, params_of_query(query))


def listed(view: BenchView, query: str = "") -> Any:
    """The list of runs as the query asks."""
    listing, params = BookListing(view.book), params_of_query(query)
    asked = RunsQuestion.of(listing.facets(view.name), params)
    first = (asked.page - 1) * PAGE_ROWS
    got = listing.page(view.name, asked.filter_of(view.found), first, PAGE_ROWS)
    return runs.page_block(got, None, asked, view, first)


@pytest.mark.parametrize("name", LAYOUTS)
def test_every_page_has_one_heading_and_no_id_twice(view: BenchView, name: str) -> None:
    made = LAYOUTS[name](view)
    assert sum(p["type"] == "H1" for p in parts(made)) == 1
    assert len(ids(made)) == len(set(ids(made)))


@pytest.mark.parametrize("name", ["runs", "compare", "projector", "shake time"])
def test_every_control_has_its_label(view: BenchView, name: str) -> None:
    made = LAYOUTS[name](view)
    controls, labelled = controls_and_labelled(made)
    assert controls
    assert controls <= labelled


def test_the_call_on_the_page_is_the_call_of_the_library(view: BenchView) -> None:
    asked = CallQuestion.of(view, params_of_query("ice=freezer+cube&drink_temp_c=22"))
    direct = advise(
        view.fitted(),
        technique="shake",
        vessel="steel tin",
        ice="freezer cube",
        recipe="night shift",
        target=view.bench.targets["coupe"],
        drink_temp_c=22.0,
        with_levers=False,
    )
    call = make_call(view, asked)
    assert direct.feasible
    head = text(shake_time.head_block(call))
    assert f"Shake {direct.duration_s:.0f} s" in head
    assert f"{direct.window_s[0]:.0f} to {direct.window_s[1]:.0f} will do" in head
    assert f"lands {of_hundred(direct.odds)}" in head
    assert (
        "● measured · Drink at 22 °C (asked) · ice at −16 °C (the bench's description), 200 g of it (usual"
        in head
    )
    told = text(shake_time.answer_block(call))
    for words in ("Forgives", "of starting volume", "of the finished drink", "% ABV", "ml", "Stopped early"):
        assert words in told
    assert "Rests on 5 runs of this very drink on this set-up." in told
    assert "Declared allergens: milk" in told


def test_a_drink_that_cannot_land_says_so_why_and_what_would_help(view: BenchView) -> None:
    asked = CallQuestion.of(view, params_of_query("ice=wet+cube&drink_temp_c=80&dilution_high=30"))
    call = make_call(view, asked)
    assert not call.feasible
    assert "No shake lands this" in text(shake_time.head_block(call))
    assert "Hot liquid in a sealed vessel" in text(shake_time.head_block(call))
    told = text(shake_time.answer_block(call))
    assert "Half of such drinks are" in told
    assert "too thin from" in told
    drawn = by_id(shake_time.figures_block(call, "dark"), "call-landing")["figure"]
    assert (call.window_s[0], call.window_s[1]) not in [
        (s.get("x0"), s.get("x1")) for s in drawn["layout"]["shapes"] if s["type"] == "rect"
    ]
    call = complete(view, call)
    found = call.levers
    listed = text(shake_time.levers_block(call))
    assert all(lever.what in listed for lever in found)


def test_where_the_odds_are_good_nothing_else_is_tried(view: BenchView) -> None:
    asked = replace(
        CallQuestion.of(view, {}), target="", serve_temp_c_max=10.0, dilution_low=0.0, dilution_high=150.0
    )
    call = make_call(view, asked)
    assert call.odds > 0.8
    assert complete(view, call).levers == ()
    assert "Nothing needs changing" in text(shake_time.levers_block(call))


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_calls_figure_names_its_axes_with_units_and_tells_itself_in_words(
    view: BenchView, theme: str
) -> None:
    block = shake_time.figures_block(make_call(view, CallQuestion.of(view, {})), theme)
    drawn = by_id(block, "call-landing")["figure"]["layout"]
    assert drawn["xaxis3"]["title"]["text"] == "time on the ice [s]"
    assert "°C" in drawn["yaxis"]["title"]["text"]
    said = next(p["props"]["aria-label"] for p in parts(block) if p["props"].get("role") == "img")
    assert "°C" in said
    assert "dilution" in said


def test_curves_of_each_ice_have_a_line_a_band_and_their_runs(view: BenchView) -> None:
    asked = CompareQuestion.of(view, params_of_query("target=coupe"))
    courses = set_up_courses(view.fitted(), asked.set_ups, asked.recipe, draws=64)
    blocks = compare.course_figures(view, asked, courses, "light")
    for id_ in ("compare-chill", "compare-dilution"):
        data = by_id(blocks, id_)["figure"]["data"]
        names = [t.get("name", "") for t in data]
        for ice in ("freezer cube", "wet cube"):
            assert ice in names
            assert f"{ice}, 90 % of runs" in names
            assert f"{ice}, runs" in names
    dashes = {
        t["line"]["dash"] for t in by_id(blocks, "compare-path")["figure"]["data"] if t.get("mode") == "lines"
    }
    assert len(dashes) == 2


def test_a_comparison_is_told_in_sentences_and_in_numbers_with_units(view: BenchView) -> None:
    asked = CompareQuestion.of(view, {})
    found = compared(view.fitted(), set_ups=asked.set_ups, recipe=asked.recipe)
    told = text(compare.sentences_block(found))
    assert all(compare.known(found, p) in told for p in found.pairs if p.contrasts)
    assert all(f"against {p.b.ice}" in told for p in found.pairs)
    numbers = text(compare.numbers_block(found))
    assert " K" in numbers
    assert "to 100 ml of drink" in numbers
    assert all(true_minus(note) in numbers for note in found.notes)


def test_set_ups_that_cannot_be_compared_are_named_with_the_reason(view: BenchView) -> None:
    found = compared(view.fitted(), set_ups=view.fitted().set_ups, recipe="night shift")
    pair = found.pairs[0]
    why = "only 1 sound run. Make 2 more"
    gap = replace(pair, contrasts=(), not_comparable=why, gaps=(why,))
    told = text(compare.sentences_block(replace(found, pairs=(gap, replace(gap, b=pair.a, a=pair.b)))))
    assert "Not comparable, and why" in told
    assert told.count("Make 2 more.") == 1


def test_the_list_shows_each_run_with_units_a_mark_and_a_word(view: BenchView) -> None:
    told = text(listed(view))
    assert all(r.run in told for r in view.book.runs)
    assert "✓ good" in told
    assert "△ doubtful" in told
    assert "15 runs, newest first" in told
    assert runs.summary("Corner bar", Tally(15, 0, 15), view) == "Corner bar. 15 runs: 14 good, 1 doubtful."


def test_a_long_list_comes_in_pages(view: BenchView) -> None:
    many = tuple(replace(view.book.runs[k % 15], run=f"n{k}") for k in range(2 * PAGE_ROWS + 7))
    long = BenchView("long", RunBook(view.bench, many), None, "not fitted")
    first, last = listed(long), listed(long, "page=3")
    assert sum(p["type"] == "Tr" for p in parts(first)) == PAGE_ROWS + 1
    assert sum(p["type"] == "Tr" for p in parts(last)) == 8
    total = 2 * PAGE_ROWS + 7
    assert f"Runs {total - 6} to {total} of {total}" in text(last)
    assert f"n{total - 1}" in text(first)
    assert "Older runs" in text(first)
    assert "Older runs" not in text(last)
    assert text(listed(long, "page=9")) == "There is no page 9 of these runs."


def test_a_list_made_anew_when_the_fit_is_there_is_still_the_one_its_address_asked_for(
    view: BenchView,
) -> None:
    query = "ice=wet+cube&words=a&page=2&over=a1&over=b3"
    held = by_id(runs.layout(here(view, query)), "runs-asked")["data"]
    facets = BookListing(view.book).facets(view.name)
    asked = RunsQuestion.of(facets, params_of_query(query))
    assert RunsQuestion.of(facets, params_of_store(held)) == asked
    assert asked.over == ("a1", "b3")


def test_a_doubtful_run_gives_its_reasons_its_weighings_and_what_the_fit_leaves_over(view: BenchView) -> None:
    block = run.body_block(next(r for r in view.book.runs if r.run == "b3"), view, "light")
    told = text(block)
    assert "△ doubtful" in told
    assert "strained mass is" in told
    assert "Heat balance:" in told
    assert "g more than its set-up would have it" in told
    assert "% of the finished drink" in told
    drawn = by_id(block, "run-trace")["figure"]
    assert [t["name"] for t in drawn["data"]] == ["probe, as read", "drink, fitted", "probe, fitted"]
    assert [a["text"] for a in drawn["layout"]["annotations"]] == ["start", "stop"]
    left = by_id(block, "run-residuals")["figure"]
    assert left["layout"]["yaxis"]["title"]["text"] == "read − fitted [K]"


def test_a_run_left_out_is_shown_without_a_course_and_says_why(view: BenchView) -> None:
    out = replace(view.book.runs[0], run="z1", excluded_because="spilled")
    block = run.body_block(out, view, "light")
    assert "✕ excluded" in text(block)
    assert "Excluded: spilled" in text(block)
    assert [t["name"] for t in by_id(block, "run-trace")["figure"]["data"]] == ["probe, as read"]


def test_before_the_fit_is_there_a_run_is_shown_as_it_was_read(view: BenchView) -> None:
    block = run.body_block(view.book.runs[0], None, "light")
    assert "… being fitted" in text(block)
    assert [t["name"] for t in by_id(block, "run-trace")["figure"]["data"]] == ["probe, as read"]


def test_marks_set_while_recording_are_events_of_the_run(view: BenchView) -> None:
    marked = replace(view.book.runs[0], extra={"mark at 3.5 s": "lid slipped", "mood": "fine"})
    told = text(run.events_block(marked))
    assert "3.5 s lid slipped" in told
    assert "fine" not in told


def test_a_bench_that_is_a_folder_says_where_its_runs_are_corrected(view: BenchView) -> None:
    assert "correct its run sheet" in text(run.layout(here(view, rest="b3")))


def test_runs_marked_are_laid_over_each_other(view: BenchView) -> None:
    chosen = view.book.runs[:2]
    drawn = by_id(runs.overlay_block(chosen, "light"), "runs-over-figure")["figure"]
    assert [t["name"] for t in drawn["data"]] == [r.run for r in chosen]
    assert len({(t["line"]["color"], t["line"]["dash"]) for t in drawn["data"]}) == 2
    assert "Mark another run" in text(runs.overlay_block(chosen[:1], "light"))
    assert runs.overlay_block((), "light") is None


def test_addresses_lead_to_pages_and_strange_ones_say_where_to_go(view: BenchView) -> None:
    service = Service(source_of_view(view))
    service.view("corner")
    for path, heading in (
        ("/", "Shake time"),
        ("/runs", "Runs"),
        ("/compare/", "Compare"),
        ("/runs/b3", "Run b3"),
    ):
        shown = page(service, path, "")
        assert (
            next(text(p["props"]["children"]) for p in parts(shown.content) if p["type"] == "H1") == heading
        )
        assert shown.settled
        assert not shown.bare
    assert page(service, "/compare/projector", "").bare
    assert "There is no such page" in text(page(service, "/nowhere", "").content)
    assert "there is no run 'b99'" in text(page(service, "/runs/b99", "").content)
    assert "there is no bench 'x'" in text(page(service, "/runs", "?bench=x").content)


def test_an_address_that_cannot_be_meant_shows_the_usual_and_says_why(view: BenchView) -> None:
    for layout, query in (
        (shake_time.layout, "ice=gravel"),
        (compare.layout, "set_up=gravel"),
        (runs.layout, "ice=gravel"),
    ):
        told = text(layout(here(view, query)))
        assert "gravel" in told
        assert "instead" in told


def test_while_a_fit_is_under_way_the_page_says_so_and_looks_again(view: BenchView) -> None:
    class Slow(HeldSource):
        def fit(self, name: str, book: RunBook, progress: Any) -> Any:
            progress(0.25)
            started.set()
            finish.wait(60)
            return view.fit

    from threading import Event

    started, finish = Event(), Event()
    service = Service(Slow({"corner": view.book}))
    page(service, "/compare", "")
    assert started.wait(60)
    shown = page(service, "/compare", "")
    assert "25 % done" in text(shown.content)
    assert not shown.settled
    list_meanwhile = text(page(service, "/runs", "").content)
    assert "b3" in list_meanwhile
    assert "They are being fitted; the verdicts follow." in list_meanwhile
    with pytest.raises(StillFitting):
        Here(service, "corner", None, "", {}).view()
    finish.set()
    service.view("corner")
    assert page(service, "/compare", "").settled


def test_several_benches_are_offered_and_links_stay_on_the_one_chosen(view: BenchView) -> None:
    service = Service(source_of_view(view, "corner", "harbour"))
    service.view("harbour")
    shown = page(service, "/runs", "?bench=harbour")
    assert "Bench" in text(shown.ways)
    links = [p["props"]["href"] for p in parts([shown.content, shown.ways]) if p["type"] == "Link"]
    assert "/compare?bench=harbour" in links
    assert "/runs/b3?bench=harbour" in links


def test_a_bench_without_a_fit_still_lists_its_runs(view: BenchView) -> None:
    bare = BenchView("bare", view.book, None, "no run can be fitted: weigh what you strain")
    assert "weigh what you strain" in runs.summary("Bare", Tally(15, 0, 15), bare)
    assert "○ not fitted" in text(listed(bare))
    assert "b3" in text(listed(bare))
