"""A run's page corrects numbers and names, shows what stands, takes changes back, deletes and brings back."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import make_app
from dashboard.page import Here
from dashboard.pages import run_corrections, runs
from dashboard.questions.correction import WORDS, Correction, standing
from dashboard.service import Service
from dashboard.sources import logbook_source
from rig.errors import ModelRangeError, NotFound
from rig.logbook.store import Logbook, open_logbook
from rig.runs import RunBook
from tests.dashboard.asking import callback
from tests.dashboard.benches import small_book
from tests.dashboard.reading import text


@pytest.fixture(scope="module")
def book() -> RunBook:
    return small_book()


@pytest.fixture
def file(tmp_path: Path, book: RunBook) -> Path:
    path = tmp_path / "bar.sqlite"
    with open_logbook(path) as opened:
        opened.add(book, "corner", "made for a test")
    return path


@pytest.fixture
def logbook(file: Path) -> Iterator[Logbook]:
    with open_logbook(file) as opened:
        yield opened


def test_what_stands_is_shown_with_its_unit_before_it_is_corrected(logbook: Logbook) -> None:
    run, bench = logbook.run("corner", "a1"), logbook.bench("corner")
    assert standing(run, "ice_mass_g", bench).startswith(f"Now {run.ice_mass_g:g} g. Write it in g")
    assert standing(run, "ice", bench) == "Now freezer cube. There are: freezer cube, wet cube."
    assert {"ice", "vessel", "recipe", "technique", "vessel_temp_c", "room_temp_c"} <= set(WORDS)


def test_a_name_a_number_and_nothing_are_taken_and_a_stranger_is_refused(logbook: Logbook) -> None:
    said = Correction.of("ice", "wet cube", "wrong tray").make(logbook, "corner", "a1")
    assert said == "Which ice is now wet cube. What it was is kept below."
    Correction.of("room_temp_c", "68 °F", "in the other unit").make(logbook, "corner", "a1")
    Correction.of("drink_temp_c", "", "not measured").make(logbook, "corner", "a1")
    run = logbook.run("corner", "a1")
    assert (run.ice, run.room_temp_c, run.drink_temp_c) == ("wet cube", pytest.approx(20.0), None)
    with pytest.raises(NotFound, match="did you mean 'wet cube'"):
        Correction.of("ice", "wet cub", "slip").make(logbook, "corner", "a1")
    with pytest.raises(ModelRangeError, match="give its name"):
        Correction.of("recipe", " ", "slip")


def test_the_page_undoes_deletes_and_brings_back(file: Path, logbook: Logbook) -> None:
    source = logbook_source(str(file))
    client = make_app(source).server.test_client()
    state: dict[str, Any] = {"run-shown.data": "a1", "run-bench.data": "corner"}

    def press(output: str, button: str, **more: Any) -> Any:
        got = callback(client, output, {f"{button}.n_clicks": 1}, state | more)
        assert got.status_code == 200
        return got.get_json()["response"]

    before = logbook.run("corner", "a1")
    logbook.edit_run("corner", "a1", {"ice_mass_g": 188.0}, "misread")
    undone = press(_undo(client), "run-undo")
    assert "Taken back: Ice, changed because: misread" in text(undone["run-said"]["children"])
    assert logbook.run("corner", "a1") == before
    gone = press(
        "run-gone-because.value", "run-delete", **{"run-gone.data": False, "run-gone-because.value": "a test"}
    )
    assert gone["run-gone"]["data"] is True and gone["run-delete"]["children"] == "Bring it back"
    assert [d.run for d in logbook.deleted_runs("corner")] == ["a1"]
    here = Here(Service(source), "corner", None, "", {}, False)
    assert "Deleted (1)" in text(runs.layout(here))
    assert "Bring it back" in text(run_corrections.layout(here, before))
    back = press(
        "run-gone-because.value", "run-delete", **{"run-gone.data": True, "run-gone-because.value": "no"}
    )
    assert back["run-gone"]["data"] is False and logbook.deleted_runs("corner") == ()
    source.lists.close()
    source.logbook.close()


def _undo(client: Any) -> str:
    """The outputs of the undo button, by the input that only it has."""
    known = client.get("/_dash-dependencies").get_json()
    found = next(d for d in known if [i["id"] for i in d["inputs"]] == ["run-undo"])
    return str(found["output"])
