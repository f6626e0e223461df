"""The guide: one text, for the screen and for the command line."""

from __future__ import annotations

from importlib.resources import files


def guide_text() -> str:
    """The whole guide, as Markdown (CommonMark, with tables)."""
    return files("rig").joinpath("guide.md").read_text(encoding="utf-8")


def chapters() -> dict[str, str]:
    """The chapters by their headings, in order; each without its heading."""
    parts = guide_text().split("\n## ")[1:]
    return {head: body.strip() for head, _, body in (p.partition("\n") for p in parts)}
