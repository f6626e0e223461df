"""`chillrig brew`: coffee as an ingredient, its strength and caffeine, and how long to let it rest."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, example
from rig.cli.printing import bullets, print_json, say, table

if TYPE_CHECKING:
    from rig.physics.brew import Cupful, ShortOrLong, Spread
    from rig.physics.cooling import Rested, RestTime

EXAMPLE = example(
    "chillrig brew --method espresso --dose-g 18 --yield-g 40",
    "chillrig brew --method capsule --dose-g 5.5 --yield-g 40 --wanted-g 75",
    "chillrig brew --method pressed --dose-g 20 --water-g 100 \\",
    "    --temp-c 78 --rest-to-c 45 --cup 'steel pitcher'",
)


def command(
    method: Annotated[
        str, typer.Option(help="espresso, capsule, stove-top, filter, pressed, steeped, cold brew.")
    ],
    dose_g: Annotated[float, typer.Option(help="Ground coffee of one brew [g].")],
    water_g: Annotated[float | None, typer.Option(help="All brew water [g].")] = None,
    yield_g: Annotated[float | None, typer.Option(help="In the cup [g], weighed.")] = None,
    tds_pct: Annotated[float | None, typer.Option(help="Strength by refractometer [% TDS].")] = None,
    count: Annotated[int, typer.Option(help="Brews that make the ingredient.")] = 1,
    bean: Annotated[str, typer.Option(help="arabica, blend, robusta or decaffeinated.")] = "arabica",
    wanted_g: Annotated[
        float | None, typer.Option(help="Compare several short brews with one long for this much [g].")
    ] = None,
    temp_c: Annotated[float | None, typer.Option(help="Out of the machine [°C]: asks for the rest.")] = None,
    rest_to_c: Annotated[float, typer.Option(help="Rest until it is no warmer than this [°C].")] = 45.0,
    cup: Annotated[str, typer.Option(help="What it rests in, such as 'mug'.")] = "espresso cup",
    cup_temp_c: Annotated[
        float | None, typer.Option(help="The cup, if not at room temperature [°C].")
    ] = None,
    room_temp_c: Annotated[float, typer.Option(help="The room [°C].")] = 21.0,
    covered: Annotated[bool, typer.Option("--covered", help="With a lid on.")] = False,
    as_json: AsJson = False,
) -> None:
    """Work out yield, strength, extraction and caffeine of a brew; with --temp-c also how long it rests.

    What is not measured is given with its usual range.
    """
    from rig.brewing import brew_method
    from rig.errors import NotFound
    from rig.physics.brew import Bean, Brew, brewed, several_short

    beans = {b.label: b for b in Bean}
    if bean not in beans:
        raise NotFound("bean", bean, beans)
    asked = Brew(brew_method(method), dose_g, water_g, yield_g, tds_pct, count, beans[bean])
    made = brewed(asked)
    choice = None if wanted_g is None else several_short(replace(asked, count=1), wanted_g)
    rested = None
    if temp_c is not None:
        rested = _rested(made, temp_c, rest_to_c, cup, cup_temp_c, room_temp_c, covered)
    if as_json:
        print_json(_as_json(made, choice, rested))
    else:
        _print(made, choice, rested, rest_to_c)


def _rested(
    made: Cupful,
    temp_c: float,
    rest_to_c: float,
    cup: str,
    cup_temp_c: float | None,
    room_temp_c: float,
    covered: bool,
) -> tuple[Rested, RestTime]:
    from rig.errors import NotFound
    from rig.physics.brew import coffee
    from rig.physics.cooling import rest, rest_time
    from rig.physics.cup import CUPS
    from rig.physics.room_air import Room

    if cup not in CUPS:
        raise NotFound("cup", cup, CUPS)
    liquid, room = coffee(made.yield_g.typical, made.tds_pct.typical), Room(room_temp_c)
    course = rest(
        liquid,
        temp_c,
        CUPS[cup],
        [0.0, 30.0, 60.0, 120.0, 300.0, 600.0],
        cup_temp_c=cup_temp_c,
        room=room,
        covered=covered,
    )
    time = rest_time(liquid, temp_c, rest_to_c, CUPS[cup], cup_temp_c=cup_temp_c, room=room, covered=covered)
    return course, time


def _as_json(
    made: Cupful, choice: ShortOrLong | None, rested: tuple[Rested, RestTime] | None
) -> dict[str, object]:
    from math import isfinite

    out = _cupful_json(made)
    if choice is not None:
        out["several_short"] = _cupful_json(choice.short)
        out["one_long"] = _cupful_json(choice.long)
    if rested is not None:
        course, time = rested
        temp = course.temp_c
        out["rest"] = {
            "time_s": course.time_s.tolist(),
            "temp_c": {k: getattr(temp, k).tolist() for k in ("low", "typical", "high")},
            "rest_s": {
                k: v if isfinite(v) else None
                for k, v in (
                    ("soonest", time.soonest_s), ("typical", time.typical_s), ("latest", time.latest_s)
                )
            },
        }  # fmt: skip
    return out


def _cupful_json(made: Cupful) -> dict[str, object]:
    out: dict[str, object] = {"method": made.brew.method.label, "brews": made.brew.count}
    out["dose_g"] = made.dose_g
    for name in ("yield_g", "volume_ml", "water_g", "kept_g", "tds_pct", "extraction_pct", "caffeine_mg"):
        out[name] = dict(vars(getattr(made, name)))
    out["notes"] = list(made.notes)
    return out


def _print(
    made: Cupful,
    choice: ShortOrLong | None,
    rested: tuple[Rested, RestTime] | None,
    rest_to_c: float,
) -> None:
    brews = f"{made.brew.count} × " if made.brew.count > 1 else ""
    say(f"{brews}{made.brew.method.label}, {made.dose_g:.1f} g of coffee", "", style="bold")
    table(
        ("", "usual", "range"),
        [
            ("in the cup [g]", *_figures(made.yield_g, ".0f")),
            ("in the cup [ml at 20 °C]", *_figures(made.volume_ml, ".0f")),
            ("brew water [g]", *_figures(made.water_g, ".0f")),
            ("kept by the grounds [g]", *_figures(made.kept_g, ".0f")),
            ("strength [% TDS]", *_figures(made.tds_pct, ".1f")),
            ("extraction [%]", *_figures(made.extraction_pct, ".1f")),
            ("caffeine [mg]", *_figures(made.caffeine_mg, ".0f")),
        ],
    )
    say("", "EFSA 2015: up to 200 mg of caffeine at once, 400 mg a day, 200 mg a day in pregnancy.")
    bullets(made.notes)
    if choice is not None:
        say("")
        rows = [(f"{c.brew.count} × {c.dose_g / c.brew.count:.1f} g", c) for c in (choice.short, choice.long)]
        table(
            ("brews", "in the cup [g]", "strength [% TDS]", "caffeine [mg]"),
            [
                (
                    label,
                    f"{c.yield_g.typical:.0f}",
                    f"{c.tds_pct.typical:.1f}",
                    f"{c.caffeine_mg.typical:.0f}",
                )
                for label, c in rows
            ],
        )
    if rested is not None:
        _print_rest(*rested, rest_to_c)


def _figures(s: Spread, shape: str) -> tuple[str, str]:
    return format(s.typical, shape), "measured" if s.is_known else f"{s.low:{shape}} to {s.high:{shape}}"


def _print_rest(course: Rested, time: RestTime, rest_to_c: float) -> None:
    say("")
    table(
        ("at rest", "temperature [°C]", "range"),
        [
            (f"{t:.0f} s", f"{course.temp_c.typical[k]:.0f}", "{:.0f} to {:.0f}".format(*course.temp_c.at(k)[::2]))
            for k, t in enumerate(course.time_s)
        ],
    )  # fmt: skip
    say("", f"No warmer than {rest_to_c:g} °C after about {_clock(time.typical_s)} "
        f"({_clock(time.soonest_s)} to {_clock(time.latest_s)}).")  # fmt: skip


def _clock(seconds: float) -> str:
    if seconds == float("inf"):
        return "over two hours"
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"
