"""Loose files sent at once are shown as runs, put right, merged, and stored as one step."""

from __future__ import annotations

import math
from typing import Any

import pytest

from dashboard.app import make_app
from dashboard.page import Here
from dashboard.pages import bring_in_several
from dashboard.questions.bring_in import Sent
from dashboard.questions.drawer import found_runs, store_runs, told_runs
from dashboard.service import Service
from dashboard.sources import LogbookSource
from dashboard.uploads import uploads_of
from rig.errors import ModelRangeError
from rig.logbook.editing import undo_step
from rig.logbook.steps import last_step
from tests.dashboard.asking import callback
from tests.dashboard.logger_tables import SCALE, sent
from tests.dashboard.reading import ids, parts, text

START_S, STOP_S = 8.0, 20.0


def probe(end_c: float) -> bytes:
    """A probe twice a second that falls from the start of a shake to its stop, and then rises slowly."""

    def course(t: float) -> float:
        if t < START_S:
            return 22.0
        fallen = end_c + (22.0 - end_c) * math.exp(-(min(t, STOP_S) - START_S) / 4.0)
        return fallen + 0.08 * max(t - STOP_S, 0.0)

    rows = [f"{k / 2:.1f},{course(k / 2):.3f}" for k in range(80)]
    return "\n".join(["time_s,probe_c", *rows]).encode()


def stamped(rows: bytes, name: str) -> bytes:
    """The same by a clock of the day, as two loggers in one room write it."""
    table = [line.split(",") for line in rows.decode().splitlines()[1:]]
    return "\n".join([f"time,{name}", *(f"2031-04-03 21:04:{float(t):06.3f},{v}" for t, v in table)]).encode()


def scale() -> bytes:
    rows = [f"{k / 2:.1f},{85.0 if k < 30 else 285.0:.1f}" for k in range(80)]
    return "\n".join(["time_s,scale_g", *rows]).encode()


FILES = (("n1 probe.csv", probe(-3.0)), ("n2 probe.csv", probe(-1.0)), ("n3.csv", probe(0.0)))
SET_UP = {"technique": "shake"}


@pytest.fixture
def set_up(source: LogbookSource) -> dict[str, str]:
    bench = source.logbook.bench("corner")
    return SET_UP | {
        k: next(iter(v))
        for k, v in (("vessel", bench.vessels), ("ice", bench.ice), ("recipe", bench.recipes))
    }


def files(*pairs: tuple[str, bytes]) -> list[Sent]:
    return [Sent(*pair) for pair in pairs]


def test_each_run_is_a_picture_with_where_it_starts_and_stops(source: LogbookSource) -> None:
    runs = found_runs(files(*FILES, ("z load.csv", SCALE)), source.logbook)
    assert [r.name for r in runs][:3] == ["n1", "n2", "n3"]
    for run in runs[:3]:
        assert run.open_point == "" and "Motion starts at" in run.said
        assert run.picture is not None
        assert run.picture.svg.count("<line") == 2 and run.picture.svg.count("<polyline") == 1
        assert run.stop_s == pytest.approx(STOP_S - START_S, abs=1.5)
        assert float(run.typed["duration_s"]) == pytest.approx(run.stop_s, abs=0.06)
    assert "the unit of 'load' is open" in runs[3].open_point and runs[3].picture is None


def test_a_start_is_moved_and_two_of_one_name_become_one_run(source: LogbookSource) -> None:
    both = files(("n1 probe.csv", stamped(FILES[0][1], "probe_c")), ("left.csv", stamped(scale(), "scale_g")))
    apart = [
        (["n1 probe.csv"], {"run": "n1", "start": "9,5"}),
        (["left.csv"], {"run": "n1", "drink_mass_g": "85"}),
    ]
    (one,) = told_runs(both, source.logbook, apart)
    assert one.files == ("n1 probe.csv", "left.csv")
    assert (one.typed["start"], one.typed["drink_mass_g"]) == ("9,5", "85")
    assert one.said.startswith("Motion starts at 9.5 s") and one.picture is not None
    assert one.picture.svg.count("<polyline") == 2 and one.picture.svg.count("<circle") >= 1
    assert one.picture.own_start_s == 9.5 and one.picture.first_s == pytest.approx(-9.5)
    (blind,) = told_runs(files(FILES[0], ("left.csv", scale())), source.logbook, apart)
    assert "no common clock" in blind.open_point and "Bring in tables" in blind.open_point
    with pytest.raises(ModelRangeError, match="other files"):
        told_runs(both, source.logbook, [(["x.csv"], {})])


def test_all_are_stored_as_one_step_or_none(source: LogbookSource, set_up: dict[str, str]) -> None:
    logbook = source.logbook
    before = logbook.book("corner")
    runs = found_runs(files(*FILES), logbook)
    with pytest.raises(ModelRangeError, match="n1: choose a vessel for the new run; n2: "):
        store_runs(logbook, "corner", runs, SET_UP)
    assert logbook.book("corner") == before
    assert store_runs(logbook, "corner", runs, set_up) == ("n1", "n2", "n3")
    assert logbook.run("corner", "n2").duration_s == pytest.approx(STOP_S - START_S, abs=1.5)
    assert logbook.run("corner", "n2").trace is not None
    taken = last_step(logbook, "corner")
    assert taken is not None and taken.added == 3
    undo_step(logbook, "corner")
    assert logbook.book("corner").runs == before.runs


def test_the_page_shows_takes_and_stores_what_is_chosen(
    source: LogbookSource, set_up: dict[str, str]
) -> None:
    client = make_app(source).server.test_client()
    here = Here(Service(source), "corner", None, "", {})
    assert "drawer-zone" in ids(bring_in_several.layout(here))
    uploads = uploads_of(source.logbook)
    held = sent(uploads, *FILES)
    got = callback(client, "drawer-found", {"drawer-files.data": held}, {}).get_json()["response"]
    shown = got["drawer-runs"]["children"]
    assert [p["props"]["src"][:18] for p in parts(shown) if p["type"] == "Img"] == ["data:image/svg+xml"] * 3
    assert got["drawer-form"]["hidden"] is False
    assert got["drawer-found"]["data"] == [[name] for name, _ in FILES]
    bad = callback(client, "drawer-found", {"drawer-files.data": {"files": []}}, {})
    assert "choose them again" in text(bad.get_json()["response"]["drawer-said"]["children"])
    known: Any = {f"drawer-{k}.value": v for k, v in set_up.items()}
    state = {"drawer-files.data": held, "drawer-found.data": [], **known}
    known_ones = client.get("/_dash-dependencies").get_json()
    storing = next(d["output"] for d in known_ones if [i["id"] for i in d["inputs"]] == ["drawer-store"])
    none = callback(client, storing, {"drawer-store.n_clicks": 1}, state).get_json()["response"]
    assert "no run is chosen" in text(none["drawer-said"]["children"])
