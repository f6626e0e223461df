"""Every page in both themes: nothing that axe finds, and text that is read with two kinds of cones as with three."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import axe_and_texts, axe_script
from tests.browser.test_dashboard import PAGES
from tests.browser.test_layout import SETTLED
from tests.eyes import SEEN, contrast, linear

OpenPage = Callable[..., Any]
LOOKED_AT = SETTLED | PAGES
"""Every page, some of them asked for something too."""


def test_contrast_is_that_of_the_guidelines() -> None:
    """WCAG 2.2: 21:1 is black on white; #767676 is the lightest grey that has 4.5:1 on white (common practice)."""
    white = linear("#ffffff")
    assert contrast(linear("#000000"), white) == pytest.approx(21.0)
    assert contrast(white, linear("#767676")) >= 4.5 > contrast(white, linear("#777777"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", LOOKED_AT)
def test_axe_finds_nothing_and_text_is_read_by_every_eye(open_page: OpenPage, path: str, scheme: str) -> None:
    if axe_script() is None:
        pytest.skip("axe-core is not here: npm install axe-core, then AXE_CORE_JS=.../axe-core/axe.min.js")
    page = open_page(path, scheme=scheme)
    page.wait_for_selector(LOOKED_AT[path])
    faults, texts = axe_and_texts(page)
    assert faults == []
    assert texts
    faint = {
        (seen, ink, paper, round(ratio, 2), needs): html[:120]
        for ink, paper, needs, html in texts
        for seen, cones in SEEN.items()
        if (ratio := contrast(cones @ linear(ink), cones @ linear(paper))) < needs
    }
    assert faint == {}
