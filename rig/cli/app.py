"""The commands, in the order of a first day with them.

A command imports what it needs when it runs, so that help and completion answer at once.
"""

from __future__ import annotations

from typing import Annotated, Any

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
    plan,
    ports,
    recipe,
    record,
    rehearse,
    report,
    runs,
    screen,
    steps,
)
from rig.cli.faults import told
from rig.cli.typed_numbers import as_numbers


class Commands(TyperGroup):
    """The group of all commands, with the edge of the program around whichever runs."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take numbers as people type them, whichever command they are for."""
        return super().parse_args(ctx, as_numbers(self, args))

    def invoke(self, ctx: Any) -> Any:
        """Run the command; what a user can meet ends in one line and exit code 1."""
        with told():
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
    ("compare", compare, "Which set-up is colder, thinner or quicker."),
    ("advise", advise, "How long to shake to land in the target."),
    ("rehearse", rehearse, "How often it lands, and what to practise."),
    ("plan", plan, "Which runs to make next."),
    ("kit", kit, "What to measure with next, and what it brings."),
    ("brew", brew, "Coffee: yield, strength, caffeine, rest."),
    ("glass", glass, "A drink from first to last sip."),
    ("steps", steps, "A drink through all that is done to it."),
    ("report", report, "One page to keep, send and print."),
    ("export", export, "Runs in open formats."),
    ("dashboard", screen, "All of this in a browser."),
    ("doctor", doctor, "Whether this installation is whole."),
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
    foam.app,
    name="foam",
    short_help="Overrun, and how long a foam holds.",
    epilog=foam.EXAMPLE,
)
