"""The guide is one text: on the page and in the package; what it names is there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import PAGES, page
from dashboard.pages.guide import place_of
from dashboard.service import Service
from rig.guide import chapters, guide_text
from tests.dashboard.benches import HeldSource
from tests.dashboard.reading import ids, parts, text

ROOT = Path(__file__).parents[2]


def test_the_page_needs_no_bench_and_shows_every_chapter() -> None:
    shown = page(Service(HeldSource({})), "/guide", None)
    told = [p["props"]["children"] for p in parts(shown.content) if p["type"] == "Markdown"]
    assert told == list(chapters().values())
    for heading in chapters():
        assert heading in text(shown.content)
        assert place_of(heading) in ids(shown.content)


@pytest.mark.parametrize("word", ["first run", "probe", "weigh", "words", "call comes about"])
def test_there_is_a_chapter_on_what_a_newcomer_asks(word: str) -> None:
    assert any(word in heading.casefold() for heading in chapters())


def test_the_pages_and_benches_that_it_names_are_there() -> None:
    words = {p.words for p in PAGES} | {
        "Next runs",
        "Start",
        "Stop",
        "What would help",
        "Edit as a run sheet",
        "Undo",
    }
    named = re.findall(r"(?<!\*)\*([A-Z][A-Za-z ]+)\*(?!\*)", guide_text().replace("\n", " "))
    assert named
    assert {
        n
        for n in named
        if not n.startswith(("A run", "The call", "No device", "Anything", "Something", "Two"))
    } <= words
    for path in re.findall(r"`(sample_logs/[a-z_]+)`", guide_text()):
        assert (ROOT / path).is_dir()


def test_it_warns_where_work_can_hurt() -> None:
    whole = guide_text()
    for word in ("pressure", "Glass", "mains", "alcohol", "caffeine", "allergens"):
        assert word in whole


def test_the_text_is_shipped() -> None:
    told: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert "guide.md" in told["tool"]["setuptools"]["package-data"]["rig"]
