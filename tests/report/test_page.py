from __future__ import annotations

import base64
import gzip
import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest

from rig.fitting.bench_fit import fit as fit_book
from rig.fitting.result import Fit
from rig.importing.bench_folder import open_bench
from rig.report.page import Report, make_report, render
from rig.report.plotting import BUNDLE
from tests.cli.small_bench import WRONG_RUN, small_bench

MADE_AT = datetime(2026, 3, 1, 18, 30, tzinfo=UTC)
VOID = {"meta", "link", "img", "br", "hr", "input"}


class Outline(HTMLParser):
    """What a page is made of: tags in order, where it points to, the text outside scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.points_to: list[str] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.points_to += [
            v or "" for k, v in attrs if k in ("src", "href", "srcset", "action", "data", "poster")
        ]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, "tags must nest"

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("script", "style"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="session")
def html(report: Report) -> str:
    return render(report, MADE_AT)


@pytest.fixture(scope="session")
def page(html: str) -> Outline:
    return Outline(html)


def test_the_page_points_nowhere_outside_itself(html: str, page: Outline) -> None:
    assert all(p.startswith("#") for p in page.points_to)
    style = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
    assert not any(re.search(r"url\(|@import", s) for s in style)
    assert not re.search(
        r"""(?:src|href)\s*=\s*["']?(?:https?:)?//""",
        re.sub(r"<script.*?</script>", "", html, flags=re.DOTALL),
    )


def test_the_drawing_library_is_in_the_page_once(html: str) -> None:
    assert html.count("DecompressionStream") == 1
    packed = re.search(r'atob\("([^"]+)"\)', html)
    assert packed is not None
    assert gzip.decompress(base64.b64decode(packed[1])) == BUNDLE.read_bytes()


def test_the_page_is_small_enough_to_send(html: str) -> None:
    assert len(html.encode()) <= 1_000_000


def test_the_page_has_its_sections_in_order_and_one_first_heading(page: Outline) -> None:
    sections = ["calls", "cards", "curves", "compare", "numbers", "ground", "coefficients"]
    assert [a["id"] for t, a in page.tags if t == "section"] == sections
    assert sum(t == "h1" for t, _ in page.tags) == 1
    assert {a.get("href") for t, a in page.tags if t == "a"} == {f"#{name}" for name in sections[:-1]}
    assert ("html", {"lang": "en"}) in page.tags


def test_every_figure_has_words_to_it(page: Outline) -> None:
    figures = sum(t == "figure" for t, _ in page.tags)
    assert figures == sum(t == "figcaption" for t, _ in page.tags)
    # chill, dilution and path for two vessels; one comparison; one card for each of two targets
    assert figures == 3 * 2 + 1 + 2


def test_tables_name_their_rows_and_columns(page: Outline) -> None:
    scopes = [a.get("scope") for t, a in page.tags if t == "th"]
    assert set(scopes) == {"row", "col"}
    assert sum(t == "caption" for t, _ in page.tags) == sum(t == "table" for t, _ in page.tags) == 3


def test_the_answer_comes_first_and_coefficients_last(page: Outline) -> None:
    before, coefficients = page.text.split("Coefficients, for the curious", 1)
    assert before.index("How long, for each drink") < before.index("Bands:")
    assert not re.search(r"W/K|watts a degree|run to run|\bPoints:", before)
    assert "[watts a degree]" in coefficients and "W/K" not in coefficients


def test_the_page_says_what_it_rests_on_and_which_run_to_doubt(page: Outline) -> None:
    assert "14 sound runs" in page.text
    assert "1 doubtful" in page.text
    assert f"run {WRONG_RUN}: strained mass is" in page.text


def test_each_card_has_its_number_cautions_allergens_and_basis(report: Report, page: Outline) -> None:
    assert sum(a.get("class") == "card" for _, a in page.tags) == len(report.cards) == 2
    for card in report.cards:
        assert "milk" in page.text
        assert all(" ".join(c.split()) in page.text for c in card.call.cautions)
    assert page.text.count("drink on this set-up") >= 2


def test_the_same_fit_makes_the_same_page(report: Report, html: str) -> None:
    assert render(report, MADE_AT) == html


def test_names_of_any_kind_are_shown_as_text(tmp_path: Path) -> None:
    home = small_bench(tmp_path / "odd")
    bad = "</script><img src=x onerror=alert(1)>"
    for file in ("bench.toml", "run_sheet.csv"):
        text = (home / file).read_text(encoding="utf-8")
        (home / file).write_text(
            text.replace("night shift", bad).replace("wet cube", "<b>wet</b>"), encoding="utf-8"
        )
    odd = Outline(render(make_report(fit_book(open_bench(home))), MADE_AT))
    assert not any(t == "img" for t, _ in odd.tags)
    assert "<b>wet</b>" in odd.text


def test_a_bench_without_targets_and_with_one_set_up_still_has_a_page(fit: Fit, tmp_path: Path) -> None:
    home = small_bench(tmp_path / "bare")
    toml = (home / "bench.toml").read_text(encoding="utf-8")
    (home / "bench.toml").write_text(toml.split("[targets.")[0], encoding="utf-8")
    sheet = (home / "run_sheet.csv").read_text(encoding="utf-8").splitlines()
    (home / "run_sheet.csv").write_text("\n".join(sheet[:6]) + "\n", encoding="utf-8")
    bare = Outline(render(make_report(fit_book(open_bench(home))), MADE_AT))
    assert "names no target" in bare.text
    assert "A comparison needs the same drink on two set-ups." in bare.text


@pytest.mark.browser
def test_a_browser_draws_every_figure_asks_for_nothing_and_fits_the_paper(html: str, tmp_path: Path) -> None:
    from playwright.sync_api import sync_playwright

    file = tmp_path / "page.html"
    file.write_text(html, encoding="utf-8")
    asked: list[str] = []
    faults: list[str] = []
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync"],
        )
        tab = browser.new_page(viewport={"width": 718, "height": 1000})
        tab.on("request", lambda request: asked.append(request.url))
        tab.on("pageerror", lambda error: faults.append(str(error)))
        tab.goto(file.as_uri())
        tab.wait_for_function("document.querySelectorAll('.main-svg').length > 0")
        figures = tab.locator("figure").count()
        assert tab.locator("figure .plot-container").count() == figures
        tab.emulate_media(media="print")
        assert tab.evaluate("document.documentElement.scrollWidth") <= 718
        browser.close()
    assert asked == [file.as_uri()]
    assert faults == []
