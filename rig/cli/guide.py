"""`chillrig guide`: the first run, probe and scale, weighing, the words, and how the call comes about."""

from __future__ import annotations

from typing import Annotated

import typer

from rig.cli.options import AsJson, example
from rig.cli.printing import print_json, reader_units

EXAMPLE = example("chillrig guide", "chillrig guide weigh")


def command(
    about: Annotated[
        str | None, typer.Argument(metavar="[WORD]", help="Only the chapters whose heading has this word.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Print the guide that the dashboard shows, from this installation; no network is asked."""
    from rich.console import Console
    from rich.markdown import Markdown

    from rig.errors import NotFound
    from rig.guide import chapters

    told = chapters()
    if about is not None:
        told = {head: text for head, text in told.items() if about.casefold() in head.casefold()}
        if not told:
            raise NotFound("chapter with the word", about, chapters())
    if as_json:
        print_json({"chapters": [{"heading": head, "text": text} for head, text in told.items()]})
        return
    shown = reader_units().text("\n\n".join(f"## {head}\n\n{text}" for head, text in told.items()))
    Console().print(Markdown(shown))
