"""`chillrig runs`: the list of runs, one run in full, and corrections by hand."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.cli.options import (
    AsJson,
    BenchFolder,
    BenchName,
    Ice,
    Logbook,
    OfRecipe,
    Technique,
    Vessel,
    example,
)
from rig.cli.printing import bullets, finding_json, heading, print_findings, print_json, say, table
from rig.cli.source import Source, fitted, open_source, quoted
from rig.errors import NotEnoughData, NotFound, RigError

if TYPE_CHECKING:
    from rig.fitting.result import Fit, RunFit
    from rig.logbook.edits import Change
    from rig.logbook.store import Logbook as OpenLogbook
    from rig.report.closure import Closure
    from rig.runs import Run

EXAMPLE = example(
    "chillrig runs --bench my-bar --ice 'freezer cube'",
    "chillrig runs r12 --bench-name my-bar",
    "chillrig runs r12 --bench-name my-bar --set strained_mass_g=118.5 \\",
    "    --why 'digits swapped'",
    "chillrig runs --bench-name my-bar --exclude r07 --why 'lid came off'",
    "chillrig runs r12 --bench-name my-bar --undo",
    "chillrig runs --bench-name my-bar --delete r07 --why 'a test'",
)


def command(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="One run, to see in full or set.")
    ] = None,
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    technique: Technique = None,
    vessel: Vessel = None,
    ice: Ice = None,
    recipe: OfRecipe = None,
    exclude: Annotated[str | None, typer.Option(metavar="NAME", help="Leave this run out of fits.")] = None,
    include: Annotated[str | None, typer.Option(metavar="NAME", help="Take an excluded run back.")] = None,
    delete: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Take this run out of every list; --restore brings it back."),
    ] = None,
    restore: Annotated[str | None, typer.Option(metavar="NAME", help="Bring a deleted run back.")] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take back the last change of run NAME.")] = False,
    deleted: Annotated[bool, typer.Option("--deleted", help="List the runs that were deleted.")] = False,
    changes: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="COLUMN=VALUE", help="Correct a value of run NAME; empty for unknown."),
    ] = None,
    why: Annotated[str | None, typer.Option(metavar="TEXT", help="Why; kept with every change.")] = None,
    judge: Annotated[bool, typer.Option("--judge", help="Fit first what no fit has judged yet.")] = False,
    as_json: AsJson = False,
) -> None:
    """List runs with their verdicts, show one with its fit, or correct one in the logbook."""
    asked = {"exclude": exclude, "include": include, "delete": delete, "restore": restore}
    editing = bool(undo or deleted or changes or any(asked.values()))
    source = open_source(bench, logbook, bench_name, with_traces=judge or not (editing or name is None))
    if deleted:
        _list_deleted(source, as_json)
    elif editing:
        _edit(source, name, {k: v for k, v in asked.items() if v}, changes or [], undo, why, as_json)
    elif name is None:
        wanted = {"technique": technique, "vessel": vessel, "ice": ice, "recipe": recipe}
        _list(source, _judged(source, judge, as_json), _chosen(source.book.runs, wanted), as_json)
    else:
        _show(source, _fit_or_none(source, as_json), name, as_json)


def _judged(source: Source, judge: bool, quiet: bool) -> dict[str, RunFit]:
    """Verdicts as the last fit left them: a list waits for a fresh one only where that is asked for."""
    from rig.fitting.kept_fit import kept_verdicts

    if judge:
        fit = _fit_or_none(source, quiet)
        return {} if fit is None else {r.run: r for r in fit.runs}
    return {} if source.logbook is None else kept_verdicts(source.logbook, source.name, source.book.runs)


def _fit_or_none(source: Source, quiet: bool) -> Fit | None:
    """The fit; None where these runs cannot be fitted: a list is still a list."""
    try:
        return fitted(source, quiet)
    except NotEnoughData:
        return None


def _chosen(runs: Sequence[Run], wanted: dict[str, str | None]) -> list[Run]:
    chosen = list(runs)
    for column, value in wanted.items():
        if value is not None:
            known = dict.fromkeys(getattr(r, column) for r in runs)
            if value not in known:
                raise NotFound(f"run with {column}", value, known)
            chosen = [r for r in chosen if getattr(r, column) == value]
    return chosen


def _list(source: Source, found: dict[str, RunFit], runs: list[Run], as_json: bool) -> None:
    if as_json:
        traced = {r.run for r in runs if r.trace is not None}
        if source.logbook is not None:
            traced = {r.run.run for r in source.logbook.list_runs(source.name) if r.has_trace}
        listed = [run_json(r, found.get(r.run), r.run in traced) for r in runs]
        print_json({"bench": source.book.bench.title, "runs": listed})
        return
    say(f"{source.book.bench.title}: {len(runs)} of {len(source.book.runs)} runs", style="bold")
    for set_up, members in groupby(sorted(runs, key=lambda r: r.set_up), key=lambda r: r.set_up):
        heading(str(set_up))
        table(
            ("run", "recipe", "verdict", "when", "time\n[s]", "strained\n[g]", "end\n[°C]", "dilution\n[%]"),
            [_row(r, found.get(r.run)) for r in members],
            words=4,
        )
    say("", "One run in full: chillrig runs NAME, with the same options.")
    waiting = sum(r.run not in found for r in runs)
    if waiting:
        say(f"{waiting} not judged yet: add --judge to fit them first.")


def _row(run: Run, found: RunFit | None) -> tuple[Any, ...]:
    return (
        run.run,
        run.recipe,
        found.verdict.value if found is not None else NOT_JUDGED,
        None if run.started_at is None else f"{run.started_at:%Y-%m-%d}",
        _shown(run.duration_s, ".1f"),
        _shown(run.strained_mass_g, ".1f"),
        _shown(None if found is None else found.temp_c, "z.1f"),
        _shown(
            None if found is None or found.dilution_by_volume is None else 100 * found.dilution_by_volume,
            ".0f",
        ),
    )


def _shown(value: float | None, shape: str) -> str | None:
    return None if value is None else format(value, shape)


_LISTED = (
    "operator", "session", "technique", "vessel", "ice", "ice_mass_g", "ice_temp_c", "recipe", "drink_mass_g",
    "drink_temp_c", "vessel_temp_c", "room_temp_c", "duration_s", "strained_mass_g", "gross_before_g",
    "gross_after_g", "foam_ml", "foam_half_life_s", "probe_std_k", "scale_std_g", "target", "notes",
    "excluded_because",
)  # fmt: skip
_FOUND = (
    "start_temp_c", "temp_c", "added_g", "dilution_by_volume", "expected_added_g", "strained_residual_g",
    "strained_z", "trace_z",
)  # fmt: skip


NOT_JUDGED = "not judged"


def run_json(run: Run, found: RunFit | None, has_trace: bool) -> dict[str, Any]:
    """A run with stable keys: what the sheet says, and under `fit` what the fit makes of it."""
    return {
        "run": run.run,
        "started_at": None if run.started_at is None else run.started_at.isoformat(),
        **{k: getattr(run, k) for k in _LISTED},
        "has_trace": has_trace,
        "verdict": NOT_JUDGED if found is None else found.verdict.value,
        "reasons": [] if found is None else list(found.reasons),
        "fit": None if found is None else {k: getattr(found, k) for k in _FOUND},
    }


def _show(source: Source, fit: Fit | None, name: str, as_json: bool) -> None:
    known = {r.run: r for r in source.book.runs}
    if name not in known:
        raise NotFound("run", name, known)
    from rig.logbook.edits import disputed

    run = known[name]
    found = None if fit is None else next(r for r in fit.runs if r.run == name)
    balance = _closure(fit, found)
    findings = [f for f in source.book.findings if f.place.run == name]
    history = () if source.logbook is None else source.logbook.history(source.name, name)
    sides = disputed(history)
    if as_json:
        print_json(
            run_json(run, found, run.trace is not None)
            | {
                "heat_closure": None if balance is None else balance.to_dict(),
                "findings": [finding_json(f) for f in findings],
                "history": [_change_json(c) for c in history],
                "side_by_side": {f: [_change_json(c) for c in both] for f, both in sides.items()},
            }
        )
        return
    say(f"run {name}: {run.recipe} · {run.set_up}", style="bold")
    say("")
    facts = [(k, getattr(run, k)) for k in _LISTED if getattr(run, k) is not None]
    if run.started_at is not None:
        facts.insert(0, ("started_at", f"{run.started_at:%Y-%m-%d %H:%M}"))
    if run.trace is not None:
        facts.append(("trace", f"{run.trace.time_s.size} readings of {', '.join(run.trace.channels())}"))
    table(("noted", ""), [(k, f"{v:g}" if isinstance(v, float) else v) for k, v in facts], words=2)
    _say_fit(found)
    if balance is not None:
        say("", balance.sentence())
    if findings:
        heading("Found at import")
        bullets([str(f) for f in findings])
    if history:
        heading("Changed by hand or by a later import")
        bullets([f"{c.changed_at:%Y-%m-%d}: {', '.join(c.changes)}; {c.why}" for c in history])
    if sides:
        heading("Corrected by two people side by side")
        bullets([f"{field}: {_side_by_side(field, both)}" for field, both in sides.items()])
        say(
            "What is named last stands. Settle it: --set COLUMN=VALUE with the right value, whichever that is."
        )


def _side_by_side(field: str, both: Sequence[Change]) -> str:
    said = []
    for change in both:
        value = change.changes[field][1]
        shown = "nothing" if value is None else f"{value:g}" if isinstance(value, float) else value
        said.append(f"{shown} ({change.why}, {change.changed_at.astimezone():%Y-%m-%d %H:%M})")
    return " beside ".join(said)


def _closure(fit: Fit | None, found: RunFit | None) -> Closure | None:
    from rig.report.closure import closure

    if fit is None or found is None or found.temp_c is None:
        return None
    return closure(fit, found.run)


def _say_fit(found: RunFit | None) -> None:
    if found is None:
        say("", "Not fitted: these runs are too few to fit.")
        return
    reasons = f": {'; '.join(found.reasons)}" if found.reasons else ""
    say("", f"Verdict: {found.verdict.value}{reasons}.")
    if found.temp_c is None or found.dilution_by_volume is None or found.added_g is None:
        return
    text = (
        f"By the fit it ended at {found.temp_c:z.1f} °C with {found.added_g:.0f} g of water added, "
        f"dilution {100 * found.dilution_by_volume:.0f} %."
    )
    if found.strained_residual_g is not None and found.strained_z is not None:
        text += (
            f" Weighed against expected: {found.strained_residual_g:+.1f} g, "
            f"{abs(found.strained_z):.1f} times the usual spread."
        )
    if found.trace_z is not None:
        text += f" Its trace departs by {found.trace_z:.1f} times the usual spread."
    say(text)


def _change_json(change: Change) -> dict[str, Any]:
    return {
        "rev": change.rev,
        "changed_at": change.changed_at.isoformat(),
        "why": change.why,
        "changes": {field: {"before": old, "after": new} for field, (old, new) in change.changes.items()},
    }


def _list_deleted(source: Source, as_json: bool) -> None:
    gone = _logbook(source).deleted_runs(source.name)
    if as_json:
        listed = [{"run": d.run, "deleted_at": d.deleted_at.isoformat(), "why": d.why} for d in gone]
        print_json({"bench": source.book.bench.title, "deleted": listed})
    elif gone:
        table(
            ("run", "deleted", "why"),
            [(d.run, f"{d.deleted_at:%Y-%m-%d %H:%M}", d.why) for d in gone],
            words=3,
        )
        say("", "Bring one back: chillrig runs --restore NAME --why TEXT")
    else:
        say("No run was deleted.")


def _logbook(source: Source) -> OpenLogbook:
    if source.logbook is None:
        raise RigError(
            "corrections go to the logbook: import the folder (chillrig import DIR) and name it with "
            "--bench-name, or correct the folder's run_sheet.csv itself"
        )
    return source.logbook


def _edit(
    source: Source,
    name: str | None,
    asked: dict[str, str],
    changes: list[str],
    undo: bool,
    why: str | None,
    as_json: bool,
) -> None:
    logbook = _logbook(source)
    if not undo and not (why and why.strip()):
        raise typer.BadParameter("say why, for whoever reads the logbook next: --why TEXT")
    if len(asked) + bool(changes) + undo > 1:
        raise typer.BadParameter(
            "one of --exclude, --include, --delete, --restore, --undo and --set at a time"
        )
    if not asked and name is None:
        option = "--undo" if undo else "--set COLUMN=VALUE"
        raise typer.BadParameter(f"{option.split()[0]} needs the run's name: chillrig runs NAME {option}")
    said, run = why or "", name or ""
    if undo:
        change = logbook.undo(source.name, run)
        rev, said = logbook.history(source.name, run)[-1].rev, undoes_words(change)
    elif asked:
        ((what, run),) = asked.items()
        do = {
            "exclude": logbook.exclude,
            "include": logbook.include,
            "delete": logbook.delete_run,
            "restore": logbook.restore_run,
        }[what]
        rev = do(source.name, run, said)
    else:
        rev = logbook.edit_run(source.name, run, dict(_change(c) for c in changes), said)
    if as_json:
        print_json({"run": run, "rev": rev, "why": said})
        return
    if undo:
        say(f"Taken back: {said}.")
    say(f"Run {run} is now at revision {rev}; what it was is kept. See: chillrig runs {quoted(run)}")
    doubts = [f for f in logbook.book(source.name, with_traces=False).findings if f.place.run == run]
    print_findings([f for f in doubts if f.gravity.value == "doubt"])


def undoes_words(change: Change) -> str:
    """What an undo takes back."""
    fields = ", ".join(f.replace("_", " ") for f in change.changes)
    return f"revision {change.rev} ({fields}: {change.why})"


def _change(text: str) -> tuple[str, Any]:
    """COLUMN=VALUE as the field of a run and its value."""
    from rig.importing.run_sheet import FIELD
    from rig.logbook.edits import typed_value

    column, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not column:
        raise typer.BadParameter(f"--set takes COLUMN=VALUE, found {text!r}")
    field = FIELD.get(column, column)
    return field, typed_value(field, value)
