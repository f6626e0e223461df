"""The page of all benches says what the command line says of the same logbook, and nothing of other benches."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.app import make_app, page
from dashboard.questions.all_benches import AllBenches
from dashboard.service import Service
from dashboard.sources import LogbookSource, logbook_source
from rig.errors import RigError
from rig.logbook.store import open_logbook
from rig.runs import RunBook
from tests.dashboard.asking import callback
from tests.dashboard.benches import close, source_of_view
from tests.dashboard.reading import by_id, text
from tests.logbook.test_overview import BENCH, runs

PATH = "/compare/all-benches"


@pytest.fixture
def source(tmp_path: Path) -> Iterator[LogbookSource]:
    at = str(tmp_path / "bars.sqlite")
    with open_logbook(at) as logbook:
        for name, made in (
            ("pier", runs(1, 60)),
            ("mole", runs(2, 60, more=4.0)),
            ("quay", runs(3, 60, late=5.0)),
        ):
            logbook.add(RunBook(BENCH, made), name, "made up")
    found = logbook_source(at)
    yield found
    close(found)


def test_who_drifts_and_whose_ice_differs_stands_on_the_page(source: LogbookSource) -> None:
    shown = page(Service(source), PATH, "").content
    found = AllBenches.of(Service(source), {}).found
    drifts = {b.bench: b.drift for b in found.benches}
    assert drifts["quay"] is not None and drifts["quay"].sure and drifts["quay"].words in text(shown)
    assert any(
        (i.ice, i.bench) == ("cracked", "mole") and i.difference.words in text(shown) for i in found.ices
    )


def test_one_recipe_is_drawn_across_the_benches_as_it_is_chosen(source: LogbookSource) -> None:
    made = page(Service(source), PATH, "?recipe=white").content
    assert by_id(made, "all-recipe")["value"] == "white"
    client = make_app(source).server.test_client()
    asked = {"all-asked.data": {"recipe": "white"}, "theme.data": "light"}
    told = callback(client, "all-across.children", asked, {}).get_data(as_text=True)
    for r in AllBenches.of(Service(source), {"recipe": ("white",)}).found.recipes:
        assert f"{r.gain_pct:.1f} %" in told and r.bench in told


def test_benches_that_are_not_shown_count_for_nothing(source: LogbookSource) -> None:
    some = LogbookSource(source.logbook, source.lists, ("pier", "quay"))
    found = AllBenches.of(Service(some), {})
    assert {b.bench for b in found.found.benches} == {"pier", "quay"}
    assert "mole" not in text(page(Service(some), PATH, "").content)


def test_an_unknown_recipe_is_said_and_a_folder_told_what_to_do(source: LogbookSource, view) -> None:  # type: ignore[no-untyped-def]
    assert "Shown is the usual recipe instead" in text(page(Service(source), PATH, "?recipe=grey").content)
    with pytest.raises(RigError, match="chillrig import DIR"):
        AllBenches.of(Service(source_of_view(view)), {})
