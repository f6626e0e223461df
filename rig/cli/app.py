"""The commands, in the order of a first day with them.

A command imports what it needs when it runs, so that help and completion answer at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from rig.cli import (
    advise,
    backup,
    bench,
    brew,
    bring_in,
    calibrate,
    compare,
    demo,
    doctor,
    export,
    fit,
    foam,
    glass,
    guide,
    hear,
    kit,
    learn,
    logbook,
    overview,
    plan,
    ports,
    rank,
    recipe,
    record,
    rehearse,
    report,
    runs,
    screen,
    shares,
    steps,
    sync,
)
from rig.cli import units as units_command
from rig.cli.faults import told
from rig.cli.printing import for_reader
from rig.cli.typed_numbers import as_numbers

if TYPE_CHECKING:
    from rig.answer_units import AnswerUnits

UNITS_VARIABLE = "CHILLRIG_UNITS"


def units_first(arguments: Sequence[str]) -> list[str]:
    """The arguments with `--units`, which is of all commands, before the command's name."""
    first: list[str] = []
    rest = list(arguments)
    for at, word in enumerate(arguments):
        if word == "--":
            break
        if word == "--units" or word.startswith("--units="):
            taken = 1 if "=" in word else 2
            first, rest = rest[at : at + taken], rest[:at] + rest[at + taken :]
            break
    return first + rest


def _wanted(units: str | None) -> AnswerUnits | None:
    if units is None:
        return None
    from rig.answer_units import answer_units

    with told():
        return answer_units(units)


class Commands(TyperGroup):
    """The group of all commands, with the edge of the program around whichever runs."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take numbers as people type them, and `--units` wherever it stands, whichever command they are for."""
        return super().parse_args(ctx, as_numbers(self, units_first(args)))

    def invoke(self, ctx: Any) -> Any:
        """Run the command; what a user can meet ends in one line and exit code 1."""
        with for_reader(_wanted(ctx.params.get("units"))), told():
            return super().invoke(ctx)


app = typer.Typer(
    name="chillrig",
    cls=Commands,
    help="Log a drink while it is shaken, stirred or blended; learn how it chills and dilutes; know when "
    "to stop.\n\nStart with: chillrig demo",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"chillrig {version('chillrig')}")
        raise typer.Exit


@app.callback()
def _start(
    units: Annotated[
        str | None,
        typer.Option(
            envvar=UNITS_VARIABLE,
            show_envvar=True,
            metavar="UNITS",
            help="Answers in these units: C or F, g or oz, ml or floz; us for all three. Stands anywhere.",
        ),
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


for _name, _module, _short in (
    ("demo", demo, "See what this is for, on sample benches."),
    ("guide", guide, "The first run, weighing, and what the words mean."),
    ("import", bring_in, "Bring in benches, exports or any logger's tables."),
    ("ports", ports, "Which probes and scales are heard, saying what."),
    ("record", record, "One drink, live from probe and scale."),
    ("hear", hear, "A shake by its sound: start, stop, cadence."),
    ("runs", runs, "List runs, see one in full, correct one."),
    ("fit", fit, "How each set-up chills and dilutes."),
    ("learn", learn, "What all benches know becomes where each begins."),
    ("compare", compare, "Which set-up is colder, thinner or quicker."),
    ("rank", rank, "Which ice, vessel or recipe serves a target."),
    ("overview", overview, "Every bench of the logbook: who drifts, which ice differs where."),
    ("shares", shares, "How much is ice, how much vessel, how much hand."),
    ("advise", advise, "How long to shake to land in the target."),
    ("rehearse", rehearse, "How often it lands, and what to practise."),
    ("plan", plan, "Which runs to make next."),
    ("kit", kit, "What to measure with next, and what it brings."),
    ("brew", brew, "Coffee: yield, strength, caffeine, rest."),
    ("glass", glass, "A drink from first to last sip."),
    ("steps", steps, "A drink through all that is done to it."),
    ("report", report, "One page to keep, send and print."),
    ("export", export, "Runs in open formats."),
    ("sync", sync, "Send to a shared logbook what is new, and take in."),
    ("dashboard", screen, "All of this in a browser."),
    ("doctor", doctor, "Whether this installation is whole."),
    ("units", units_command, "Answers in °C or °F, g or oz, ml or fl oz."),
):
    app.command(_name, short_help=_short, epilog=_module.EXAMPLE)(_module.command)

app.command("backup", short_help="A checked copy of the logbook.", epilog=backup.BACKUP_EXAMPLE)(
    backup.backup
)
app.command("restore", short_help="Bring a copy of the logbook back.", epilog=backup.RESTORE_EXAMPLE)(
    backup.restore
)

app.add_typer(
    bench.app,
    name="bench",
    short_help="Recipes, targets, vessels, ices: change and undo.",
    epilog=bench.EXAMPLE,
)
app.add_typer(
    calibrate.app,
    name="calibrate",
    short_help="How far to believe probe and scale.",
    epilog=calibrate.EXAMPLE,
)
app.add_typer(
    recipe.app,
    name="recipe",
    short_help="Before and after the water; scale, strengthen, batch.",
    epilog=recipe.EXAMPLE,
)

app.add_typer(
    logbook.app,
    name="logbook",
    short_help="One logbook for many venues; its schema.",
    epilog=logbook.EXAMPLE,
)
app.add_typer(
    foam.app,
    name="foam",
    short_help="Overrun, and how long a foam holds.",
    epilog=foam.EXAMPLE,
)
