"""`chillrig rank`: which ice, vessel, technique or recipe serves a target best, and how surely."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Logbook, example
from rig.cli.printing import bullets, print_json, say, table
from rig.cli.source import fitted, open_source

if TYPE_CHECKING:
    from rig.advice.compare.ranking import Interval, Ranking

EXAMPLE = example(
    "chillrig rank --technique shake --vessel tin --recipe 'my drink'",
    "chillrig rank --vary vessel --technique shake --ice cube --recipe 'my drink'",
)
_HEADS = ("time\n[s]", "at the stop\n[°C]", "dilution\n[%]", "ice\n[g]")


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    vary: Annotated[str, typer.Option(help="What to rank: ice, vessel, technique or recipe.")] = "ice",
    technique: Annotated[str | None, typer.Option(help="Held: the technique.")] = None,
    vessel: Annotated[str | None, typer.Option(help="Held: in what.")] = None,
    ice: Annotated[str | None, typer.Option(help="Held: on which ice.")] = None,
    recipe: Annotated[str | None, typer.Option(help="Held: the drink.")] = None,
    target: Annotated[str | None, typer.Option(metavar="NAME", help="A target of the bench.")] = None,
    among: Annotated[list[str] | None, typer.Option(help="Only these; may be given several times.")] = None,
    drinks_a_night: Annotated[float | None, typer.Option(help="For what ice costs a night.")] = None,
    drink_temp_c: Annotated[float | None, typer.Option(help="The drink before the ice [°C].")] = None,
    ice_mass_g: Annotated[float | None, typer.Option(help="Ice put in [g], the same for all.")] = None,
    ice_temp_c: Annotated[float | None, typer.Option(help="Ice temperature [°C], the same for all.")] = None,
    room_temp_c: Annotated[float | None, typer.Option(help="Room [°C].")] = None,
    as_json: AsJson = False,
) -> None:
    """Rank what could be used for one target, everything else held: odds, time, dilution, ice and cost.

    Each gets the call that `chillrig advise` gives it. Costs need price_per_l or price_per_kg of every ingredient and
    price_per_kg of the ice in bench.toml.
    """
    from rig.advice.compare.rank import rank
    from rig.cli.advise import wanted_target

    source = open_source(bench, logbook, bench_name)
    wanted = wanted_target(source.book.bench.targets, target, {})
    found = rank(
        fitted(source, as_json),
        target=wanted,
        vary=vary,
        technique=technique,
        vessel=vessel,
        ice=ice,
        recipe=recipe,
        among=among,
        drinks_a_night=drinks_a_night,
        drink_temp_c=drink_temp_c,
        ice_mass_g=ice_mass_g,
        ice_temp_c=ice_temp_c,
        room_temp_c=room_temp_c,
    )
    if as_json:
        print_json(found.to_dict())
    else:
        print_ranking(found)


def print_ranking(found: Ranking) -> None:
    """A table, best first, then what is sure of the order."""
    from rig.advice.compare.rank_words import money_heads, money_of
    from rig.report.wording import basis_label, of_hundred, seconds, target_words

    say(f"{found.varied.capitalize()} for {target_words(found.target)}", "", style="bold")
    table(
        (
            found.varied,
            "rests on",
            "lands",
            "time\n[s]",
            "at the stop\n[°C]",
            "dilution\n[%]",
            "ice\n[g]",
            *money_heads(found),
        ),
        [
            (
                r.name,
                basis_label(r.call.basis).replace(" ", "\n", 1),
                f"{of_hundred(r.call.odds)}\n{_range(r.odds, 100.0, 0)}",
                f"{seconds(r.call.duration_s)}\n{_range(r.duration_s, 1.0, 0)}",
                f"{r.temp_c[1]:z.1f}\n{_range(r.temp_c, 1.0, 1)}",
                f"{100.0 * r.dilution_by_volume[1]:.0f}\n{_range(r.dilution_by_volume, 100.0, 0)}",
                f"{r.ice_g[1]:.0f}\n{_range(r.ice_g, 1.0, 0)}",
                *("–" if c is None else f"{c[1]:.2f}\n{_range(c, 1.0, 2)}" for c in money_of(found, r)),
            )
            for r in found.ranked
        ],
        words=2,
    )
    say("")
    bullets(found.sentences)
    say("")
    bullets(found.notes)


def _range(values: Interval, scale: float, digits: int) -> str:
    low, _, high = (scale * v for v in values)
    return f"{low:z.{digits}f} to {high:z.{digits}f}"
