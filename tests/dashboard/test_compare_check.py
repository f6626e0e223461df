"""The tool held against its own runs, as the page Compare shows it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest

from dashboard.app import make_app
from dashboard.figures.self_check import MOST_SET_UPS, self_check_figure
from dashboard.page import Here
from dashboard.pages import compare
from dashboard.pages.compare_check import check_block
from dashboard.service import BenchView, Service
from dashboard.sources import LogbookSource, logbook_source
from rig.advice.check.self_check import SelfCheck, check_own_runs, self_check
from rig.advice.check.self_check_words import LANDED_BY, leaning_sentence, sentence
from rig.report.look import DARK, LIGHT, Look
from rig.runs import SetUp
from tests.advice.left_out_draws import BENCH, STIRRED, TIN, WET, drawn
from tests.dashboard.asking import callback
from tests.dashboard.benches import source_of_view
from tests.dashboard.live_drinks import small_logbook
from tests.dashboard.reading import by_id, ids, parts, text

THREE = (TIN,) * 8 + (WET,) * 8 + (STIRRED,) * 8


def leaning() -> SelfCheck:
    return self_check(drawn(12, THREE, lean_g={WET: 6.0}), BENCH)


def drawn_of(check: SelfCheck, look: Look = LIGHT) -> go.Figure:
    return self_check_figure(check, look)


def points(figure: go.Figure, name: str) -> list[Any]:
    return [t for t in figure.data if name in (t.name or "")]


@pytest.mark.parametrize("look", [LIGHT, DARK])
def test_every_run_is_a_point_in_spreads_from_what_was_foretold(look: Look) -> None:
    check = leaning()
    figure = drawn_of(check, look)
    for name, z in (
        ("weighing", check.left.strained_residual_g / check.left.strained_sd_g),
        ("end temperature", check.left.temp_residual_k / check.left.temp_sd_k),
    ):
        shown = np.concatenate([t.x for t in points(figure, name)])
        assert np.sort(shown) == pytest.approx(np.sort(np.clip(z, -4.0, 4.0)))
    band = [s for s in figure.layout.shapes if s.type == "rect"]
    assert (band[0].x0, band[0].x1) == pytest.approx((-1.645, 1.645), abs=1e-3)


def test_a_set_up_that_leans_is_marked_in_the_picture() -> None:
    notes = [a.text for a in drawn_of(leaning()).layout.annotations]
    assert [n for n in notes if "wet cube" in n and "shake" in n and "△" in n]
    assert not [n for n in notes if "freezer cube" in n and "△" in n]


def test_a_run_far_out_stays_on_the_sheet_and_says_how_far() -> None:
    water = drawn(4, THREE).strained_residual_g.copy()
    water[2] = 30.0
    figure = drawn_of(self_check(drawn(4, THREE, strained_residual_g=water), BENCH))
    (far,) = [
        (x, said) for t in points(figure, "weighing") for x, said in zip(t.x, t.text, strict=True) if x == 4.0
    ]
    assert "q02" in far[1] and "15.0" in far[1]


def test_odds_stand_against_what_happened_with_their_intervals() -> None:
    check = leaning()
    assert check.odds is not None
    (shown,) = points(drawn_of(check), "runs left out")
    assert list(shown.x) == pytest.approx([b.said for b in check.odds.bins])
    assert list(shown.y) == pytest.approx([b.landed.rate for b in check.odds.bins])
    up = [b.landed.high - b.landed.rate for b in check.odds.bins]
    assert list(shown.error_y.array) == pytest.approx(up)
    axes = drawn_of(check).layout
    assert axes.xaxis2.title.text == "odds said"
    assert "landed" in [a.text for a in axes.annotations]


def test_without_odds_there_is_no_empty_panel() -> None:
    check = replace(leaning(), odds=None)
    assert "yaxis2" not in drawn_of(check).to_dict()["layout"]


def test_a_long_list_of_set_ups_keeps_to_those_that_lie_furthest_out() -> None:
    many = tuple(SetUp("shake", f"tin {k:02d}", "freezer cube") for k in range(MOST_SET_UPS + 6))
    runs = tuple(s for s in many for _ in range(3))
    figure = drawn_of(self_check(drawn(3, runs, lean_g={many[7]: 9.0}), BENCH))
    rows = {a.text for a in figure.layout.annotations if "tin" in a.text}
    assert len(rows) == MOST_SET_UPS
    assert any("tin 07" in r for r in rows)


def test_the_block_says_it_in_a_sentence_and_names_who_leans() -> None:
    check = leaning()
    block = check_block(check, "light")
    said = text(block)
    assert sentence(check) in said
    assert leaning_sentence(check.leanings[0]) in said
    assert LANDED_BY in said
    assert "-0.0" not in said and "−0.0" not in said
    assert by_id(block, "compare-check-figure")["figure"]["data"]
    spoken = next(p["props"]["aria-label"] for p in parts(block) if p["props"].get("role") == "img")
    assert sentence(check) in spoken


def test_nothing_measured_is_said_without_a_picture() -> None:
    nothing = drawn(
        1,
        (TIN,) * 3,
        strained_residual_g=np.full(3, np.nan),
        temp_residual_k=np.full(3, np.nan),
        end_temp_c=np.full(3, np.nan),
    )
    block = check_block(self_check(nothing, BENCH), "light")
    assert "needs a run" in text(block)
    assert "compare-check-figure" not in ids(block)


@pytest.fixture
def source(tmp_path: Path) -> Iterator[LogbookSource]:
    opened = logbook_source(str(small_logbook(tmp_path)))
    yield opened
    opened.lists.close()
    opened.logbook.close()


def test_the_page_asks_for_it_beside_the_comparison(source: LogbookSource) -> None:
    client = make_app(source).server.test_client()
    got = callback(client, "compare-check.children", {"theme.data": "dark"}, {"compare-bench.data": None})
    shown = got.get_json()["response"]["compare-check"]["children"]
    view = Service(source).view("corner")
    assert sentence(check_own_runs(view.fitted(), source.logbook, "corner")) in text(shown)
    assert "compare-check-figure" in ids(shown)


def test_a_page_that_is_kept_has_it_too(view: BenchView) -> None:
    service = Service(source_of_view(view))
    service.view(view.name)
    page = compare.finding(Here(service, view.name, None, "", {}))
    titles = [b.title for b in page.blocks]
    assert "Held against its own runs" in titles
    check = check_own_runs(view.fitted())
    assert any(sentence(check) in " ".join(getattr(b, "sentences", ())) for b in page.blocks)
