"""The page of the bench says what the library and the command line say."""

from __future__ import annotations

from dataclasses import replace

import pytest

import rig
from dashboard.app import make_app, page
from dashboard.pages import what_to_use
from dashboard.params import params_of_query
from dashboard.questions.what_to_use import UseQuestion
from dashboard.service import BenchView, Service
from rig.advice.compare.rank_words import sentences
from rig.errors import RigError
from tests.dashboard.asking import callback
from tests.dashboard.benches import source_of_view
from tests.dashboard.reading import by_id, controls_and_labelled, ids, text
from tests.shared_fits import fitted


def test_the_page_ranks_as_the_library_does(view: BenchView) -> None:
    asked = UseQuestion.of(view, params_of_query("vary=ice&target=short"))
    found = what_to_use.ranking_of(view, asked)
    direct = rig.rank(
        view.fitted(), target=view.bench.target("short"), technique=asked.technique, vessel=asked.vessel,
        recipe=asked.recipe,
    )  # fmt: skip
    assert found.to_dict() == direct.to_dict()
    shown = text(what_to_use.rank_block(found))
    for told in sentences(direct):
        assert told in shown


def test_every_control_has_its_label_and_no_id_stands_twice(view: BenchView) -> None:
    service = Service(source_of_view(view))
    service.view(view.name)
    made = page(service, what_to_use.PATH, "?vary=vessel").content
    controls, labelled = controls_and_labelled(made)
    assert controls and controls <= labelled
    assert len(ids(made)) == len(set(ids(made)))
    assert by_id(made, "use-vary")["value"] == "vessel"


def test_the_page_answers_and_says_what_it_cannot(view: BenchView) -> None:
    client = make_app(source_of_view(view)).server.test_client()
    asked = {"use-asked.data": {"vary": "ice", "target": "short", "by": "operator"}, "theme.data": "light"}
    told = callback(client, "use-changed.children", asked, {}).get_data(as_text=True)
    assert "Write down operator of each run" in told
    told = callback(client, "use-shares.children", asked, {}).get_data(as_text=True)
    assert "of what differs is the ice" in told
    told = callback(client, "use-rank.children", asked, {}).get_data(as_text=True)
    assert "freezer cube" in told and "wet cube" in told


def test_a_bench_with_one_ice_is_first_asked_about_what_it_has_two_of(view: BenchView) -> None:
    runs = tuple(r for r in view.book.runs if r.ice == "wet cube")
    book = replace(view.book, runs=runs)
    one_ice = BenchView("corner", book, fitted(book))
    asked = UseQuestion.of(one_ice, {})
    assert asked.vary != "ice"
    assert len(asked.ranking(one_ice).ranked) > 1


def test_a_name_that_is_not_there_is_refused(view: BenchView) -> None:
    with pytest.raises(RigError):
        UseQuestion.of(view, params_of_query("vary=colour"))
