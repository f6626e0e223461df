"""`chillrig bench`: what is on a bench, changed from here with a reason, and the last step taken back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from inspect import Signature, signature
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.cli.options import AsJson, BenchName, Logbook, example
from rig.cli.printing import bullets, heading, print_json, say, table
from rig.cli.source import existing_logbook, quoted, the_bench
from rig.errors import NotFound

if TYPE_CHECKING:
    from rig.logbook.store import Logbook as OpenLogbook

EXAMPLE = example(
    "chillrig bench new my-bar --title 'The small bar'",
    "chillrig bench set vessel tin mass_g=235 held_back_g=2,5",
    "chillrig bench set ice cube shape=cube edge_mm=25 temp_c=-16",
    "chillrig bench pour 'my drink' 'dark spirit' volume_ml='1.5 oz' abv_pct=42",
    "chillrig bench set target coupe serve_temp_c_max=-2 \\",
    "    dilution_by_volume=0.30:0.36",
    "chillrig bench rename vessel tin 'small tin' --why 'two tins now'",
    "chillrig bench undo",
)

app = typer.Typer(
    help="The recipes, targets, vessels, ices and techniques of a bench in the logbook: begun, changed, "
    "taken back. Every change needs a reason and is kept.",
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Kind = Annotated[str, typer.Argument(metavar="KIND", help="recipe, target, vessel, ice or technique.")]
Name = Annotated[str, typer.Argument(metavar="NAME", help="Its name.")]
Values = Annotated[
    list[str] | None,
    typer.Argument(metavar="KEY=VALUE", help="As in bench.toml; FROM:TO for a window; empty takes it out."),
]
Why = Annotated[str | None, typer.Option(metavar="TEXT", help="Why; kept with the change.")]


@dataclass(frozen=True)
class OnBench:
    """The bench that a command is on, and whether its answer is wanted as JSON."""

    logbook: OpenLogbook
    name: str
    as_json: bool


def on_a_bench(command: Callable[..., None]) -> Callable[..., None]:
    """A command on a bench of the logbook: it takes the options that say which, and is handed the bench opened."""

    def asked(
        logbook: Logbook = None, bench_name: BenchName = None, as_json: AsJson = False, **told: Any
    ) -> None:
        opened = existing_logbook(logbook)
        name = the_bench(tuple(b.name for b in opened.benches()), bench_name)
        command(OnBench(opened, name, as_json), **told)

    _, *own = signature(command, eval_str=True).parameters.values()
    common = [p for p in signature(asked, eval_str=True).parameters.values() if p.kind is not p.VAR_KEYWORD]
    parameters = [p.replace(kind=p.KEYWORD_ONLY) for p in (*own, *common)]
    asked.__signature__ = Signature(parameters)  # type: ignore[attr-defined]
    asked.__annotations__ = {p.name: p.annotation for p in parameters}
    asked.__name__, asked.__doc__ = command.__name__, command.__doc__
    return asked


@app.command("new", short_help="Begin a bench with nothing on it.")
def new_command(
    name: Name,
    title: Annotated[str, typer.Option(help="What it is called in full.")] = "",
    logbook: Logbook = None,
    as_json: AsJson = False,
) -> None:
    """Begin a bench with nothing on it; a logbook of your own is begun where there is none."""
    from rig.logbook.editing import begin_bench
    from rig.logbook.store import open_logbook
    from rig.session.places import new_logbook_at

    begin_bench(open_logbook(new_logbook_at(logbook)), name, title)
    if as_json:
        print_json({"bench": name})
        return
    say(f"Bench {name} is begun. Next, what is on it:")
    bullets([f"chillrig bench set vessel tin mass_g=235 --bench-name {quoted(name)}"])


@app.command("show", short_help="All that is on it.")
@on_a_bench
def show_command(on: OnBench) -> None:
    """List the recipes, targets, vessels, ices and techniques of a bench as they are described."""
    from rig.bench_fields import SHELVES, summary
    from rig.bench_text import tables_of
    from rig.logbook.editing import bench_text

    text = bench_text(on.logbook, on.name)
    tables = tables_of(text)
    if on.as_json:
        print_json({"bench": on.name, "title": on.logbook.bench(on.name).title, **tables})
        return
    say(f"{on.name}: {on.logbook.bench(on.name).title}", style="bold")
    for section, shelf in SHELVES.items():
        heading(shelf.several)
        listed = [f"{entry}: {summary(shelf, told)}" for entry, told in tables[section].items()]
        bullets(
            listed or [f"none yet: chillrig bench {'pour' if shelf.parts else 'set ' + shelf.one} NAME …"]
        )


@app.command("set", short_help="Say what a thing is; a new name adds it.", epilog=EXAMPLE)
@on_a_bench
def set_command(
    on: OnBench,
    kind: Kind,
    name: Name,
    values: Values = None,
    why: Why = None,
) -> None:
    """Say what a vessel, ice, target or technique is, or add one; numbers may carry a unit and a decimal comma."""
    from rig.bench_fields import changed_table, shelf_of
    from rig.bench_text import tables_of
    from rig.logbook.editing import bench_text, describe

    shelf = shelf_of(kind)
    if shelf.parts:
        raise typer.BadParameter("a recipe is made of ingredients: chillrig bench pour RECIPE INGREDIENT …")
    stands = tables_of(bench_text(on.logbook, on.name))[shelf.section].get(name)
    said = _said(values, [f.key for f in shelf.fields])
    told = changed_table(shelf.fields, stands or {}, said)
    reason = _reason(why, stands is None)
    _tell(on, describe(on.logbook, on.name, shelf.section, name, told, reason))


@app.command("pour", short_help="Say what a drink is made of.")
@on_a_bench
def pour_command(
    on: OnBench,
    recipe: Annotated[str, typer.Argument(metavar="RECIPE", help="The drink; a new name adds it.")],
    ingredient: Annotated[str, typer.Argument(metavar="INGREDIENT", help="One of its ingredients.")],
    values: Values = None,
    out: Annotated[bool, typer.Option("--out", help="Leave the ingredient out.")] = False,
    why: Why = None,
) -> None:
    """Say how much of an ingredient is in a drink and what it is; a new drink or ingredient is added."""
    from rig.bench_fields import SHELVES, changed_table
    from rig.bench_text import tables_of
    from rig.logbook.editing import bench_text, describe

    fields = SHELVES["recipes"].parts
    stands = tables_of(bench_text(on.logbook, on.name))["recipes"].get(recipe)
    table = dict(stands or {})
    listed = list(table.get("ingredients", ()))
    at = next((n for n, i in enumerate(listed) if i.get("name") == ingredient), None)
    if out:
        if at is None:
            raise NotFound("ingredient", ingredient, [i.get("name", "") for i in listed])
        del listed[at]
    else:
        poured = changed_table(
            fields, {"name": ingredient} if at is None else listed[at], _said(values, [f.key for f in fields])
        )
        listed[len(listed) if at is None else at : len(listed) if at is None else at + 1] = [poured]
    reason = _reason(why, stands is None)
    changed = describe(on.logbook, on.name, "recipes", recipe, table | {"ingredients": listed}, reason)
    _tell(on, changed)


@app.command("rename", short_help="Another name, in its runs as well.")
@on_a_bench
def rename_command(
    on: OnBench,
    kind: Kind,
    old: Annotated[str, typer.Argument(metavar="OLD", help="The name it has.")],
    new: Annotated[str, typer.Argument(metavar="NEW", help="The name it gets.")],
    why: Why = None,
) -> None:
    """Give a thing another name, on the bench and in every run that names it."""
    from rig.bench_fields import shelf_of
    from rig.logbook.editing import rename

    rename(on.logbook, on.name, shelf_of(kind).section, old, new, _reason(why))
    _tell(on, True)


@app.command("remove", short_help="Take a thing off the bench.")
@on_a_bench
def remove_command(
    on: OnBench,
    kind: Kind,
    name: Name,
    why: Why = None,
) -> None:
    """Take a thing off the bench; not while runs name it."""
    from rig.bench_fields import shelf_of
    from rig.logbook.editing import remove

    remove(on.logbook, on.name, shelf_of(kind).section, name, _reason(why))
    _tell(on, True)


@app.command("title", short_help="What the bench is called in full.")
@on_a_bench
def title_command(
    on: OnBench,
    title: Annotated[str, typer.Argument(metavar="TITLE", help="The new title.")],
    why: Why = None,
) -> None:
    """Give a bench another title."""
    from rig.logbook.editing import entitle

    _tell(on, entitle(on.logbook, on.name, title, _reason(why)))


@app.command("undo", short_help="Take back the last step, whatever it was.")
@on_a_bench
def undo_command(on: OnBench) -> None:
    """Take back the last step on a bench and its runs: a change, a sheet of changes, an import."""
    from rig.logbook.editing import undo_step

    taken = undo_step(on.logbook, on.name)
    if on.as_json:
        print_json({"bench": on.name, "step": taken.number, "undone": taken.words, "why": taken.why})
    else:
        say(f"Taken back: {taken.words} ({taken.why}).")


@app.command("history", short_help="Every step, the last first.")
@on_a_bench
def history_command(
    on: OnBench,
    most: Annotated[int, typer.Option(min=1, help="How many steps to list.")] = 30,
) -> None:
    """List what was done to a bench and its runs, and what was taken back."""
    from rig.logbook.steps import steps

    found = steps(on.logbook, on.name, most)
    if on.as_json:
        listed = [
            {
                "step": s.number,
                "changed_at": s.changed_at.isoformat(),
                "why": s.why,
                "what": s.words,
                "stands": s.stands,
                "is_undo": s.is_undo,
                "changes": [
                    {"of": w.of, "field": w.field, "before": w.before, "after": w.after} for w in s.described
                ],
            }
            for s in found
        ]
        print_json({"bench": on.name, "steps": listed})
        return
    rows = [
        (f"{s.changed_at:%Y-%m-%d %H:%M}", s.words, s.why, "" if s.stands or s.is_undo else "taken back")
        for s in found
    ]
    table(("when", "what", "why", ""), rows, words=4)
    say("", "Take back the last: chillrig bench undo")


def _reason(why: str | None, is_new: bool = False) -> str:
    if why and why.strip():
        return why.strip()
    if is_new:
        return "added"
    raise typer.BadParameter("say why, for whoever reads the logbook next: --why TEXT")


def _said(values: Sequence[str] | None, known: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """KEY=VALUE by key, a window parted at its colon."""
    said: dict[str, tuple[str, ...]] = {}
    for text in values or ():
        key, equals, value = (part.strip() for part in text.partition("="))
        if not equals:
            raise typer.BadParameter(f"write KEY=VALUE, found {text!r}")
        if key not in known:
            raise NotFound("key", key, known)
        said[key] = tuple(v.strip() for v in value.split(":"))
    return said


def _tell(on: OnBench, changed: bool) -> None:
    from rig.logbook.steps import last_step

    last: Any = last_step(on.logbook, on.name) if changed else None
    if on.as_json:
        print_json({"bench": on.name, "changed": changed, "what": "" if last is None else last.words})
    elif last is None:
        say("Nothing to change: it says so already.")
    else:
        say(
            f"{last.words[0].upper()}{last.words[1:]}. What it was is kept; take it back: chillrig bench undo"
        )
