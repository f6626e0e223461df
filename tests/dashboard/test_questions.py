from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboard.page import Here
from dashboard.pages import shake_time
from dashboard.params import params_of_query, params_of_store
from dashboard.questions.call import CallQuestion, scales, usual_conditions
from dashboard.questions.compare import CompareQuestion
from dashboard.questions.runs import RunsQuestion
from dashboard.service import BenchView, Service
from rig.errors import ModelRangeError, NotFound, RigError
from rig.fitting.situation import Situation
from rig.logbook.listing import BookListing
from tests.dashboard.benches import source_of_view
from tests.dashboard.reading import by_id

NAMES = (
    *("technique", "vessel", "ice", "recipe", "target", "drink_temp_c", "ice_temp_c", "ice_mass_g"),
    *("serve_temp_c_max", "dilution_low", "dilution_high", "set_up", "verdict", "page", "bench"),
)


def test_an_address_and_the_controls_that_wrote_it_ask_the_same(view: BenchView) -> None:
    by_address = params_of_query("?recipe=night+shift&ice=wet%20cube&drink_temp_c=60&dilution_low=25")
    by_controls = params_of_store(
        {"recipe": "night shift", "ice": "wet cube", "drink_temp_c": 60, "dilution_low": "25"}
    )
    assert CallQuestion.of(view, by_address) == CallQuestion.of(view, by_controls)


def test_what_is_not_asked_is_as_usual_for_the_bench(view: BenchView) -> None:
    asked = CallQuestion.of(view, {})
    assert (asked.technique, asked.vessel, asked.ice) == ("shake", "steel tin", "freezer cube")
    assert asked.target == "coupe"
    assert (asked.drink_temp_c, asked.ice_temp_c, asked.ice_mass_g) == (None, None, None)
    starts = sorted(r.drink_temp_c or 0 for r in view.book.runs if r.ice == "freezer cube")
    usual = usual_conditions(view, asked.drink)
    assert abs(usual["drink_temp_c"] - starts[2]) <= 0.25
    assert 190 <= usual["ice_mass_g"] <= 210
    assert usual["ice_temp_c"] == -16.0


def test_a_slider_that_nobody_moved_asks_nothing_and_its_box_says_so(view: BenchView) -> None:
    """What is usual and what was measured are not as sure as each other, even where they are the same number."""
    asked = CallQuestion.of(view, params_of_query("ice_temp_c=-16"))
    assert asked.situation.ice_temp_c == -16.0
    assert asked.situation.drink_temp_c is None and asked.situation.ice_mass_g is None
    layout = shake_time.layout(
        Here(Service(source_of_view(view)), view.name, None, "", {"ice_temp_c": ("-16",)})
    )
    boxes = {
        n: by_id(layout, f"call-{n}-usual")["value"] for n in ("drink_temp_c", "ice_temp_c", "ice_mass_g")
    }
    assert boxes == {"drink_temp_c": ["as usual"], "ice_temp_c": [], "ice_mass_g": ["as usual"]}
    assert by_id(layout, "call-ice_mass_g")["value"] == by_id(layout, "call-ice_mass_g-at")["data"]["value"]


def test_another_ice_brings_its_own_usual_temperature_and_mass(view: BenchView) -> None:
    usual = usual_conditions(view, Situation("shake", "steel tin", "wet cube", "night shift"))
    assert usual["ice_temp_c"] == 0.0
    assert 150 <= usual["ice_mass_g"] <= 170


def test_the_sliders_of_a_named_target_stand_where_it_says(view: BenchView) -> None:
    asked = CallQuestion.of(view, params_of_query("target=short"))
    assert (asked.serve_temp_c_max, asked.dilution_low, asked.dilution_high) == (2.0, 15.0, 30.0)
    assert asked.target_of(view) is view.bench.targets["short"]


def test_a_slider_changes_one_limit_of_a_named_target_and_says_so(view: BenchView) -> None:
    asked = replace(CallQuestion.of(view, {}), dilution_high=40.0)
    target = asked.target_of(view)
    assert target.dilution_by_volume == (0.25, 0.40)
    assert target.serve_temp_c_max == -1.0
    assert target.name == "coupe, changed"


def test_a_slider_at_its_end_sets_no_limit(view: BenchView) -> None:
    run_of = scales(view)
    free = replace(
        CallQuestion.of(view, {}),
        target="",
        serve_temp_c_max=run_of["serve_temp_c_max"].high,
        dilution_low=20.0,
        dilution_high=run_of["dilution_high"].high,
    )
    assert free.target_of(view).serve_temp_c_max is None
    low, high = free.target_of(view).dilution_by_volume or (0.0, 0.0)
    assert low == 0.20
    assert high >= 10
    with pytest.raises(ModelRangeError, match="sets no limit"):
        replace(free, dilution_low=0.0).target_of(view)


def test_a_window_upside_down_is_refused_in_words(view: BenchView) -> None:
    with pytest.raises(ModelRangeError, match="Move the lower end below"):
        replace(CallQuestion.of(view, {}), dilution_low=50.0, dilution_high=40.0).target_of(view)


@pytest.mark.parametrize(
    ("query", "error", "said"),
    [
        ("ice=wet+cubes", NotFound, "did you mean 'wet cube'"),
        ("drink_temp_c=hot", ModelRangeError, "must be a number from"),
        ("drink_temp_c=nan", ModelRangeError, "must be a number from"),
        ("ice_temp_c=5", ModelRangeError, "-28 to 0 °C"),
        ("ice_mass_g=1e9", ModelRangeError, "ice_mass_g"),
    ],
)
def test_an_address_that_cannot_be_meant_is_refused_with_what_can(
    view: BenchView, query: str, error: type[RigError], said: str
) -> None:
    with pytest.raises(error, match=said):
        CallQuestion.of(view, params_of_query(query))


def test_a_comparison_starts_with_the_ices_of_the_most_used_vessel(view: BenchView) -> None:
    asked = CompareQuestion.of(view, {})
    assert [s.ice for s in asked.set_ups] == ["freezer cube", "wet cube"]
    assert {s.vessel for s in asked.set_ups} == {"steel tin"}


def test_no_set_up_chosen_is_not_the_same_as_nothing_said(view: BenchView) -> None:
    assert CompareQuestion.of(view, params_of_query("set_up=")).set_ups == ()
    assert CompareQuestion.of(view, params_of_store({"set_up": []})).set_ups == ()


def test_filters_keep_the_runs_that_pass_all_of_them(view: BenchView) -> None:
    listing = BookListing(view.book)
    query = "ice=wet+cube&technique=shake&verdict=doubtful&words=B"
    asked = RunsQuestion.of(listing.facets(""), params_of_query(query))
    assert [r.run for r in listing.page("", asked.filter_of(view.found), 0, 9).runs] == ["b3"]


def test_more_runs_than_can_be_told_apart_are_not_laid_over_each_other() -> None:
    with pytest.raises(ModelRangeError, match="9 runs cannot be told apart"):
        RunsQuestion.of({}, {"over": tuple("abcdefghi")})


@settings(deadline=None, max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    asked=st.one_of(
        st.none() | st.integers() | st.text() | st.lists(st.text()),
        st.dictionaries(
            st.sampled_from(NAMES) | st.text(),
            st.none()
            | st.booleans()
            | st.floats()
            | st.text()
            | st.lists(st.text() | st.floats() | st.none())
            | st.dictionaries(st.text(), st.text()),
        ),
    )
)
def test_whatever_a_browser_sends_is_understood_or_refused_in_words(view: BenchView, asked: object) -> None:
    facets = BookListing(view.book).facets("")
    for understood in (
        lambda p: CallQuestion.of(view, p),
        lambda p: CompareQuestion.of(view, p),
        lambda p: RunsQuestion.of(facets, p),
    ):
        try:
            understood(params_of_store(asked))
        except RigError as error:
            assert str(error)
