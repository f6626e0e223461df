"""A million samples seen closer, wherever traces are drawn: thinned anew by the server, with every peak."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dashboard.app import make_app
from dashboard.figures.traces import overlay_channels, overlay_figure, residual_channel, residual_figure, seen
from dashboard.service import BenchView
from dashboard.sources import logbook_source
from dashboard.wording import count
from dashboard.zoom import drawn_anew, note
from rig.logbook.store import open_logbook
from rig.report.courses import run_course
from rig.report.look import LIGHT
from rig.report.thinning import MOST_POINTS
from rig.runs import Run, Trace
from tests.dashboard.asking import callback

SAMPLES, LASTS_S = 1_000_000, 3600.0
STEP_S = LASTS_S / (SAMPLES - 1)
NEAR = (1230.0, 1232.0)
PEAKS_S = (1231.0, 2718.0)
"""One in the stretch looked at, one far from it."""
PEAK_C = 60.0


def long_run(base: Run, name: str) -> Run:
    time_s = np.linspace(0.0, LASTS_S, SAMPLES)
    probe = 4.0 + np.sin(time_s / 40.0)
    probe[np.searchsorted(time_s, PEAKS_S)] = PEAK_C
    return replace(base, run=name, trace=Trace(time_s, {"": probe}), excluded_because="left running")


@pytest.fixture(scope="module")
def client(view: BenchView, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    at = tmp_path_factory.mktemp("long") / "bar.sqlite"
    long = [long_run(view.book.runs[0], name) for name in ("long 1", "long 2")]
    with open_logbook(at) as logbook:
        logbook.add(replace(view.book, runs=(*view.book.runs[:2], *long)), "corner", "test")
    source = logbook_source(str(at))
    yield make_app(source).server.test_client()
    source.lists.close()
    source.logbook.close()


FIGURES = {
    "run-trace": {"run-shown.data": "long 1"},
    "runs-over-figure": {"runs-over.data": ["long 1", "long 2"]},
}


def zoomed(client: Any, figure: str, relayout: dict[str, Any]) -> dict[tuple[int, str], Any]:
    """What a figure is told to draw otherwise, by trace and by what of it."""
    got = callback(client, f"{figure}.figure", {f"{figure}.relayoutData": relayout}, FIGURES[figure])
    assert got.status_code == 200
    told = got.get_json()["response"][figure]["figure"]["operations"]
    return {(o["location"][1], o["location"][2]): o["params"]["value"] for o in told}


@pytest.mark.parametrize("figure", FIGURES)
def test_a_stretch_looked_at_closely_is_drawn_with_its_every_sample(client: Any, figure: str) -> None:
    told = zoomed(client, figure, {"xaxis.range[0]": NEAR[0], "xaxis.range[1]": NEAR[1]})
    for trace in {k for k, _ in told}:
        x, y = np.asarray(told[trace, "x"]), np.asarray(told[trace, "y"])
        inside = x[(x >= NEAR[0]) & (x <= NEAR[1])]
        assert inside.size == pytest.approx((NEAR[1] - NEAR[0]) / STEP_S, abs=2)
        assert np.diff(inside) == pytest.approx(STEP_S)
        assert np.count_nonzero(y == PEAK_C) == len(PEAKS_S)
        assert x.size <= 2 * MOST_POINTS


@pytest.mark.parametrize("figure", FIGURES)
def test_what_lies_beside_the_stretch_is_there_when_one_moves_on(client: Any, figure: str) -> None:
    told = zoomed(client, figure, {"xaxis.range[0]": NEAR[0], "xaxis.range[1]": NEAR[1]})
    x = np.asarray(told[0, "x"])
    assert (x[0], x[-1]) == (0.0, LASTS_S)
    assert np.max(np.diff(x)) < LASTS_S / 200


@pytest.mark.parametrize("figure", FIGURES)
def test_set_back_to_all_it_is_drawn_from_afar(client: Any, figure: str) -> None:
    told = zoomed(client, figure, {"xaxis.autorange": True})
    assert len(told[0, "x"]) <= MOST_POINTS
    assert np.count_nonzero(np.asarray(told[0, "y"]) == PEAK_C) == len(PEAKS_S)


@pytest.mark.parametrize("figure", FIGURES)
@pytest.mark.parametrize("relayout", [{"autosize": True}, {"yaxis.range[0]": 0, "yaxis.range[1]": 1}, None])
def test_what_changes_no_stretch_of_time_draws_nothing_anew(client: Any, figure: str, relayout: Any) -> None:
    got = callback(client, f"{figure}.figure", {f"{figure}.relayoutData": relayout}, FIGURES[figure])
    assert got.get_json()["response"] == {}


def test_only_data_are_drawn_anew_so_that_axes_stay_where_they_were_put(client: Any) -> None:
    got = callback(
        client,
        "runs-over-figure.figure",
        {"runs-over-figure.relayoutData": {"xaxis.range[0]": NEAR[0], "xaxis.range[1]": NEAR[1]}},
        FIGURES["runs-over-figure"],
    )
    operations = got.get_json()["response"]["runs-over-figure"]["figure"]["operations"]
    assert {o["location"][0] for o in operations} == {"data"}
    assert {o["location"][2] for o in operations} == {"x", "y", "mode"}


def test_a_figure_made_anew_shows_the_whole_again(view: BenchView) -> None:
    runs = view.book.runs[:2]
    first, second = overlay_figure(runs, LIGHT), overlay_figure(runs, LIGHT)
    assert first.layout.uirevision
    assert first.layout.uirevision != second.layout.uirevision


def test_channels_stand_in_the_order_of_the_traces_drawn(view: BenchView) -> None:
    bare = replace(view.book.runs[0], run="bare", trace=None)
    runs = (bare, *view.book.runs[:3])
    for trace, channel in zip(overlay_figure(runs, LIGHT).data, overlay_channels(runs), strict=True):
        assert np.array_equal(trace.y, seen(channel, line=True)["y"])


def test_what_a_fit_leaves_over_is_seen_closer_too(view: BenchView) -> None:
    course = run_course(view.fitted(), "a1")
    channel = residual_channel(course)
    assert channel is not None
    (drawn,) = residual_figure(course, LIGHT).data
    assert np.array_equal(drawn.y, seen(channel)["y"])
    whole = drawn_anew({"xaxis.autorange": True}, lambda: [channel]).to_plotly_json()["operations"]
    assert np.array_equal(whole[1]["params"]["value"], channel[1])


def test_a_long_trace_says_that_it_can_be_seen_closer(view: BenchView) -> None:
    short = view.book.runs[0]
    assert note([short]) == ""
    assert f"{count(SAMPLES)} samples: drag over a stretch" in note([short, long_run(short, "long")])
