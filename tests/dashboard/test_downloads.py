from __future__ import annotations

import queue
import re
import threading
from pathlib import Path
from typing import Any

import pytest

from dashboard import downloads
from dashboard.app import make_app
from dashboard.service import BenchView
from tests.dashboard.benches import source_of_view

PAGES = ("/runs?over=a1&over=a2", "/runs/b3", "/compare?target=coupe", "/shake-time?ice=wet+cube")


@pytest.fixture(scope="module")
def client(view: BenchView) -> Any:
    return make_app(source_of_view(view), Path("/no/chromium/here")).server.test_client()


@pytest.mark.parametrize("page", PAGES)
def test_every_page_can_be_kept_as_one_file_that_needs_no_network(client: Any, page: str) -> None:
    got = client.get(f"/keep{page}")
    assert got.status_code == 200
    assert re.match(r'attachment; filename="[a-z0-9-]+\.html"', got.headers["Content-Disposition"])
    assert "Corner bar" in got.text
    assert not re.search(r"""<(?:script|link|img)[^>]*(?:src|href)=["'](?:https?:)?//""", got.text)
    assert "p.newPlot(" in got.text


def test_a_kept_comparison_has_its_sentences_its_numbers_and_a_true_minus(client: Any) -> None:
    text = client.get("/keep/compare").text
    assert "freezer cube against wet cube:" in text
    assert "Chance if equal" in text
    body = re.sub(r"<(script|style).*?</\1>", "", text, flags=re.S)
    assert not re.search(r"[\s(>]-\d", body)


def test_the_technique_card_is_one_sheet_without_any_script(client: Any) -> None:
    text = client.get("/card?ice=freezer+cube&drink_temp_c=22&target=coupe").text
    assert "<script" not in text
    assert "<svg" in text
    for words in ("night shift", "50 ml", "coffee concentrate", "steel tin", "will do", "milk"):
        assert words in text


def test_a_card_that_cannot_be_meant_is_refused_in_words(client: Any) -> None:
    got = client.get("/card?ice=%3Cscript%3E")
    assert got.status_code == 400
    assert got.mimetype == "text/plain"
    assert "there is no ice" in got.text


def test_where_there_is_no_chromium_the_pdf_says_so_and_what_to_do(client: Any) -> None:
    got = client.get("/card.pdf")
    assert got.status_code == 400
    assert "there is no Chromium '/no/chromium/here'" in got.text


@pytest.mark.parametrize(
    "path", ["/keep/nowhere", "/keep/runs/b99", "/keep/compare?set_up=", "/keep/compare/projector"]
)
def test_what_is_not_there_cannot_be_kept(client: Any, path: str) -> None:
    assert client.get(path).status_code == 400


def test_one_card_is_printed_at_a_time_some_wait_and_the_rest_are_told_to_come_again(
    view: BenchView, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, go_on, at_once = threading.Semaphore(0), threading.Event(), list[int]()
    printing = list[int]()

    def slow(html: str, chromium: Path) -> bytes:
        printing.append(1)
        at_once.append(len(printing))
        begun.release()
        go_on.wait(60)
        printing.pop()
        return b"%PDF-"

    monkeypatch.setattr(downloads, "pdf_of", slow)
    monkeypatch.setattr(downloads, "find_chromium", lambda told: told)
    monkeypatch.setattr(downloads, "_card", lambda service: "")
    server, codes = make_app(source_of_view(view), Path("/no/chromium/here")).server, queue.Queue[int]()
    asking = [
        threading.Thread(target=lambda: codes.put(server.test_client().get("/card.pdf").status_code))
        for _ in range(12)
    ]
    for thread in asking:
        thread.start()
    assert begun.acquire(timeout=60)
    assert [codes.get(timeout=60) for _ in range(8)] == [503] * 8
    go_on.set()
    assert [codes.get(timeout=60) for _ in range(4)] == [200] * 4
    assert at_once == [1] * 4
    for thread in asking:
        thread.join()
