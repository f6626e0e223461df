"""The README's pictures are there, small, and of the screens as they are."""

from __future__ import annotations

from tests.browser.pictures import FOLDER, PICTURES, ROOT, TAKEN_OF, sources_digest

MOST_BYTES = 150_000


def test_the_pictures_are_small_and_all_are_shown() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name in PICTURES:
        assert (FOLDER / name).stat().st_size < MOST_BYTES
        assert f"dashboard/pictures/{name}" in readme


def test_the_pictures_are_of_the_screens_as_they_are() -> None:
    stale = "styles, scripts or figures have changed: python -m tests.browser.pictures"
    assert TAKEN_OF.read_text(encoding="utf-8").strip() == sources_digest(), stale
