"""A bench and its run sheet are changed in the browser, by the same door as a folder; guests and folders only look."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import PAGES, make_app, page
from dashboard.page import Here
from dashboard.pages import bench, bench_entry, sheet
from dashboard.questions.bench import ENTRY, EntryForm
from dashboard.questions.sheet import edits_of, grid
from dashboard.service import Service
from dashboard.sources import FolderSource, LogbookSource, logbook_source
from rig.errors import ModelRangeError, NotFound, RigError
from rig.importing.bench_folder import open_bench
from rig.importing.write_bench import write_bench
from rig.logbook.editing import bench_text, describe
from rig.logbook.steps import steps
from rig.logbook.store import open_logbook
from tests.dashboard.asking import callback
from tests.dashboard.benches import close, small_book
from tests.dashboard.reading import parts, text


def ids(key: str, row: int = ENTRY, end: int = 0) -> dict[str, Any]:
    return {"type": "bench-field", "row": row, "key": key, "end": end}


def test_everything_on_the_bench_is_there_with_a_way_to_change_it(source: LogbookSource) -> None:
    here = Here(Service(source), "corner", None, "", {})
    shown = bench.layout(here)
    links = {p["props"]["href"] for p in parts(shown) if p["type"] == "Link"}
    told = source.logbook.bench("corner")
    for section in ("vessels", "ice", "recipes", "targets"):
        assert f"/bench/{section}" in links
        names = getattr(told, section)
        assert all(f"/bench/{section}/{n.replace(' ', '%20')}" in links for n in names)
    for section, names in (("vessels", told.vessels), ("recipes", told.recipes), ("ice", told.ice)):
        for name in names:
            form = bench_entry.layout(Here(Service(source), "corner", None, f"{section}/{name}", {}))
            assert name in text(form) or any(p["props"].get("value") == name for p in parts(form))
    with pytest.raises(NotFound, match="no vessel 'nowhere'"):
        bench_entry.layout(Here(Service(source), "corner", None, "vessels/nowhere", {}))


def test_a_guest_and_a_folder_look_and_change_nothing(source: LogbookSource, tmp_path: Path) -> None:
    folder = FolderSource(write_bench(small_book(), tmp_path / "folder"))
    for service, guest in ((Service(source), True), (Service(folder), False)):
        for layout in (bench.layout, bench_entry.layout, sheet.layout):
            shown = layout(Here(service, service.names()[0], None, "vessels", {}, guest))
            assert not [p for p in parts(shown) if p["type"] in ("Button", "Input")]
    client = make_app(folder).server.test_client()
    got = callback(client, "bench-begun", {"bench-begin.n_clicks": 1}, {"bench-new-name.value": "x"})
    assert "No bench was begun" in text(got.get_json()["response"]["bench-begun"]["children"])
    assert client.get("/bench.zip").status_code == 400


def test_what_a_form_sends_is_believed_in_nothing(source: LogbookSource) -> None:
    logbook = source.logbook
    for entry, name, sent, values, said in (
        ({"section": "glasses"}, "x", [], [], "shelf"),
        ({"section": "vessels"}, " ", [], [], "a name"),
        (None, "x", [], [], "shelf"),
        ({"section": "vessels"}, "x", [ids("mass_g")], ["9" * 600], "below 500"),
        ({"section": "recipes"}, "x", [ids("name", n) for n in range(70)], ["a"] * 70, "at most"),
    ):
        with pytest.raises(RigError, match=said):
            EntryForm.of(entry, name, sent, values, [])
    form = EntryForm.of(
        {"section": "vessels"}, "pot", [ids("mass_g"), ids("evil"), "x"], ["235 g", "1", "2"], []
    )
    assert form.make(logbook, "corner", "") == "pot is on the bench."
    assert logbook.bench("corner").vessel("pot").mass_g == 235.0
    assert "evil" not in bench_text(logbook, "corner")
    with pytest.raises(ModelRangeError, match="there is a vessel 'pot'"):
        form.make(logbook, "corner", "again")
    change = EntryForm.of({"section": "vessels", "name": "pot"}, "pot", [ids("mass_g")], ["240"], [])
    with pytest.raises(ModelRangeError, match="say why"):
        change.make(logbook, "corner", " ")
    assert "changed" in change.make(logbook, "corner", "weighed again")
    assert "nothing to change" in change.make(logbook, "corner", "and again")


def test_ingredients_are_left_out_added_and_kept_with_what_no_form_asks(source: LogbookSource) -> None:
    logbook = source.logbook
    table = {
        "ingredients": [
            {"name": "coffee", "volume_ml": 50, "own_note": "roasted here"},
            {"name": "syrup", "volume_ml": 10},
        ]
    }
    with pytest.raises(RigError, match="unknown key"):
        describe(logbook, "corner", "recipes", "new one", table, "a test")
    del table["ingredients"][0]["own_note"]
    describe(logbook, "corner", "recipes", "new one", table, "a test")
    sent = [ids("volume_ml", 0), ids("volume_ml", 1), ids("name", 2), ids("mass_g", 2), ids("name", 3)]
    out = [({"type": "bench-out", "row": 1}, ["out"]), ({"type": "bench-out", "row": 0}, [])]
    form = EntryForm.of(
        {"section": "recipes", "name": "new one"}, "newer", sent, ["55", "10", "water", "5", ""], out
    )
    form.make(logbook, "corner", "lighter")
    recipe = logbook.bench("corner").recipe("newer")
    assert [(i.name, i.volume_ml, i.mass_g) for i in recipe.ingredients] == [
        ("coffee", 55.0, None),
        ("water", None, 5.0),
    ]
    assert steps(logbook, "corner")[0].why == "lighter" and "new one" not in logbook.bench("corner").recipes


def test_a_kept_fit_is_of_the_bench_that_it_was_made_of(source: LogbookSource) -> None:
    before = source.stamp("corner")
    name = next(iter(source.logbook.bench("corner").vessels))
    describe(source.logbook, "corner", "vessels", name, {"mass_g": 999}, "weighed")
    assert source.stamp("corner") != before
    from rig.fitting.bench_fit import fingerprint

    assert fingerprint(source.logbook.book("corner")) != fingerprint(small_book())


def test_undo_is_on_the_page_and_a_bench_that_is_gone_shows_how_one_begins(tmp_path: Path) -> None:
    at = tmp_path / "own.sqlite"
    open_logbook(at).close()
    source = logbook_source(str(at))
    client = make_app(source).server.test_client()
    service = Service(source)
    assert "Begin a bench here" in text(page(service, "/", "").content)
    assert "A new bench" in text(page(service, "/bench", "").content)
    begun = callback(client, "bench-begun", {"bench-begin.n_clicks": 1}, {"bench-new-name.value": "mine"})
    assert begun.get_json()["response"]["address"] == {"pathname": "/bench", "search": "?bench=mine"}
    shown = text(page(service, "/bench", "?bench=mine").content)
    assert "Undo: the bench begun" in shown
    for part in PAGES:  # a bench with nothing on it shows every page, or says what it lacks
        place = part.path if not part.path.endswith("/") else f"{part.path}vessels"
        assert text(page(service, place, "?bench=mine").content)
    undone = callback(client, "bench-body", {"bench-undo.n_clicks": 1}, {})
    assert undone.get_json()["response"]["address"]["search"] == "?undone=mine"
    assert "A new bench" in text(page(service, "/bench", "?undone=mine").content)
    close(source)


def test_a_bench_is_taken_away_as_a_folder(source: LogbookSource, tmp_path: Path) -> None:
    got = make_app(source).server.test_client().get("/bench.zip?bench=corner")
    assert got.status_code == 200
    with zipfile.ZipFile(io.BytesIO(got.data)) as archive:
        archive.extractall(tmp_path)
    assert open_bench(tmp_path / "corner").bench == source.logbook.bench("corner")
    assert len(open_bench(tmp_path / "corner").runs) == len(source.logbook.book("corner").runs)


def test_a_sheet_shows_runs_as_they_are_typed_and_checks_what_is_sent(source: LogbookSource) -> None:
    runs = source.logbook.book("corner", with_traces=False).runs
    shown = grid(source.logbook.bench("corner"), runs)
    keys = [c["key"] for c in shown["columns"]]
    assert keys[0] == "run" and len(shown["rows"]) == len(runs)
    typed = dict(zip(keys, shown["rows"][0]["cells"], strict=True))
    assert float(typed["ice_mass_g"]) == runs[0].ice_mass_g and typed["vessel"] == runs[0].vessel
    assert edits_of(None).changes == 0
    for sent in (
        {"cells": 3, "new": []},
        {"cells": {}, "new": {}},
        {"cells": {"a1": {"notes": "x" * 501}}, "new": []},
    ):
        with pytest.raises(ModelRangeError):
            edits_of(sent)
    client = make_app(source).server.test_client()
    sent = {"cells": {"a1": {"room_temp_c": "68 °F", "ice": "none such"}}, "new": [{}, {"run": "n1"}]}
    got = callback(client, "sheet-summary", {"sheet-edits.data": sent}, {}).get_json()["response"]
    assert (
        got["sheet-summary"]["children"] == "3 cells changed; 5 need another look before anything is saved."
    )
    assert {f["field"] for f in got["sheet-faults"]["data"]} == {"ice", "technique", "vessel", "recipe"}
    del sent["cells"]["a1"]["ice"]
    state = {"sheet-edits.data": sent | {"new": []}, "sheet-page.data": 1}
    bare = callback(client, "sheet-why", {"sheet-save.n_clicks": 1}, state).get_json()["response"]
    assert "say why" in text(bare["sheet-said"]["children"])
    done = callback(
        client, "sheet-why", {"sheet-save.n_clicks": 1}, state | {"sheet-why.value": "read again"}
    )
    assert "Saved: 1 cell." in text(done.get_json()["response"]["sheet-said"]["children"])
    assert source.logbook.run("corner", "a1").room_temp_c == pytest.approx(20.0)
