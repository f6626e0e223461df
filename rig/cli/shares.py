"""`chillrig shares`: how much of what differs is ice, vessel, technique, drink and hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Logbook, example
from rig.cli.printing import bullets, print_json, say, table
from rig.cli.source import fitted, open_source

if TYPE_CHECKING:
    from rig.advice.compare.shares_result import Shares

EXAMPLE = example(
    "chillrig shares --bench my-bar", "chillrig shares --technique shake --all-recipes --duration-s 12"
)
_BAR = 24


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    technique: Annotated[
        str | None, typer.Option(help="The technique; default: the one with most runs.")
    ] = None,
    recipe: Annotated[str | None, typer.Option(help="The drink; default: the one measured most.")] = None,
    duration_s: Annotated[float | None, typer.Option(help="After this long [s].")] = None,
    all_techniques: Annotated[
        bool, typer.Option("--all-techniques", help="Techniques as a part, too.")
    ] = False,
    all_recipes: Annotated[bool, typer.Option("--all-recipes", help="Drinks as a part, too.")] = False,
    as_json: AsJson = False,
) -> None:
    """Split what differs between drinks at one time: how much is ice, how much vessel, how much hand."""
    from rig.advice.compare.shares import shares

    source = open_source(bench, logbook, bench_name)
    found = shares(
        fitted(source, as_json),
        technique=technique,
        recipe=recipe,
        duration_s=duration_s,
        all_techniques=all_techniques,
        all_recipes=all_recipes,
    )
    if as_json:
        print_json(found.to_dict())
    else:
        print_shares(found)


def print_shares(found: Shares) -> None:
    """A bar for each part, then a sentence for each quantity."""
    for title, parts, scale, spread in (
        ("End temperature", found.temp_c, 1.0, "spread\n[K]"),
        ("Dilution", found.dilution_by_volume, 100.0, "spread\n[% dilution]"),
    ):
        say(f"{title} after {found.duration_s:.3g} s", style="bold")
        table(
            ("of what differs is", "", "share\n[%]", spread),
            [
                (
                    p.part.words,
                    "█" * round(_BAR * p.share[1]) or "▏",
                    f"{100.0 * p.share[1]:.0f}\n{100.0 * p.share[0]:.0f} to {100.0 * p.share[2]:.0f}",
                    f"{scale * p.sd[1]:.1f}\n{scale * p.sd[0]:.1f} to {scale * p.sd[2]:.1f}",
                )
                for p in parts
            ],
            words=2,
        )
        say("")
    bullets(found.sentences)
    bullets(found.notes)
