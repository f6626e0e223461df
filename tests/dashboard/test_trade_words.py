"""What pages show, say and let one take away holds no word that stops a bartender."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from dashboard.app import PAGES, page
from dashboard.page import Here, page_at
from dashboard.pages import bring_in_looks, run_motion
from dashboard.questions.bring_in import first_looks
from dashboard.service import BenchView, Service
from dashboard.sources import LogbookSource
from rig.report.finding_page import render_finding
from tests.dashboard.benches import source_of_view
from tests.dashboard.reading import text
from tests.dashboard.test_bring_in_page import given
from tests.dashboard.test_bring_in_several import FILES
from tests.dashboard.test_reader_units import ADDRESSES, read, sent
from tests.trade_words import stops_in

IN_A_FIGURE = re.compile(r'"(?:text|name|hovertemplate|title)": ?"((?:[^"\\]|\\.)*)"')
KEPT = [p.path for p in PAGES if p.finding is not None]


def words_of(component: object) -> str:
    """All that is read, those of figures too; each by itself."""
    told = read(sent(component))
    return " · ".join(w for t in told for w in (IN_A_FIGURE.findall(t) if t.startswith("{") else [t]))


@pytest.fixture(scope="module")
def service(view: BenchView) -> Service:
    made = Service(source_of_view(view))
    made.view(view.name)
    return made


@pytest.mark.parametrize("address", ADDRESSES)
def test_no_page_holds_one(service: Service, address: str) -> None:
    assert stops_in(words_of(page(service, address, "").content)) == []


@pytest.mark.parametrize("path", KEPT)
def test_nothing_that_is_taken_away_holds_one(service: Service, view: BenchView, path: str) -> None:
    address = f"{path}{view.book.runs[0].run}" if path.endswith("/") else path
    found = page_at(PAGES, address)
    assert found is not None and found[0].finding is not None
    finding = found[0].finding(Here(service, view.name, None, found[1], {}))
    page_text = render_finding(finding, view.bench.title, datetime(2031, 4, 3, tzinfo=UTC))
    assert stops_in(re.sub(r"<(script|style)\b.*?</\1>", " ", page_text, flags=re.DOTALL)) == []


def test_no_page_of_a_logbook_holds_one(source: LogbookSource) -> None:
    made = Service(source)
    for address in (
        "/bench",
        "/bench/ice",
        "/runs/bring-in",
        "/runs/bring-in/several",
        "/runs/sheet",
        "/runs/a1",
    ):
        assert stops_in(words_of(page(made, address, "").content)) == []
    run = source.logbook.run("corner", "a1")
    if run.trace is not None:
        assert stops_in(text(run_motion.motion_block(run))) == []
    for look in first_looks(given(*FILES), source.logbook):
        assert stops_in(text(bring_in_looks.look_block(0, look))) == []
