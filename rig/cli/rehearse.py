"""`chillrig rehearse`: how often a drink lands, why it does not, and what to practise."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Ice, Logbook, OfRecipe, Technique, Vessel, example
from rig.cli.printing import bullets, heading, print_json, say, table
from rig.cli.source import chosen_set_ups, fitted, fitted_or_prior, open_source
from rig.errors import BenchError, NotFound, Place

if TYPE_CHECKING:
    from rig.advice.process.routine import Routine
    from rig.advice.rehearsal.rehearsal import Practice
    from rig.bench import Target
    from rig.fitting.result import Fit
    from rig.runs import Run, SetUp

EXAMPLE = example(
    "chillrig rehearse --bench my-bar --target coupe",
    "chillrig rehearse --bench my-bar --session 'session 3' --operator Juno",
    "chillrig rehearse --bench my-bar --routine final.toml",
    "",
    "# final.toml",
    "limit_s = 480",
    "[[drinks]]",
    "recipe = 'quayside black'",
    "technique = 'shake'",
    "vessel = 'two-piece steel'",
    "ice = 'freezer cube'",
    "target = 'coupe'",
    "count = 3",
)


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    technique: Technique = None,
    vessel: Vessel = None,
    ice: Ice = None,
    recipe: OfRecipe = None,
    session: Annotated[
        list[str] | None, typer.Option(help="Only this session; may be given several times.")
    ] = None,
    operator: Annotated[str | None, typer.Option(help="Only this person's runs.")] = None,
    target: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="A target of the bench; default: the one the runs name."),
    ] = None,
    jeffreys: Annotated[
        bool, typer.Option("--jeffreys", help="Jeffreys' interval of the hit rate instead of Wilson's.")
    ] = False,
    routine: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Put the drinks of this TOML file on the clock instead."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say how often a drink lands, where its spread comes from, and what to practise.

    Of several drinks the one with most runs is taken. With --routine, several drinks are put on the clock:
    what to do when, the slack, and the odds that all land.
    """
    source = open_source(bench, logbook, bench_name)
    if routine is not None:
        _routine(fitted_or_prior(source, as_json), routine, as_json)
        return
    from rig.advice.evidence.hit_rate import IntervalKind
    from rig.advice.rehearsal.rehearsal import rehearse

    targets = source.book.bench.targets
    if target is not None and target not in targets:
        raise NotFound("target", target, targets)
    fit = fitted(source, as_json)
    set_up = _set_up(fit, technique, vessel, ice, recipe)
    runs = [r for r in fit.book.used_runs() if set_up is None or r.set_up == set_up]
    found = rehearse(
        fit,
        set_up=set_up,
        recipe=recipe,
        sessions=session,
        operator=operator,
        target=targets[target] if target is not None else named_target(targets, runs),
        interval=IntervalKind.JEFFREYS if jeffreys else IntervalKind.WILSON,
    )
    if as_json:
        print_json(found.to_dict())
    else:
        print_practice(found)


def _set_up(
    fit: Fit, technique: str | None, vessel: str | None, ice: str | None, recipe: str | None
) -> SetUp | None:
    """The set-up asked for; of several the one with most runs."""
    if technique is None and vessel is None and ice is None:
        return None
    chosen = chosen_set_ups(fit, technique, vessel, ice)
    return max(chosen, key=lambda s: len(fit.runs_of(s, recipe)), default=None)


def named_target(targets: Mapping[str, Target], runs: list[Run]) -> Target | None:
    """The target that most of these runs name, else the bench's only one."""
    named = [r.target for r in runs if r.target in targets]
    if named:
        return targets[max(named, key=named.count) or ""]
    return next(iter(targets.values())) if len(targets) == 1 else None


def print_practice(found: Practice) -> None:
    """A rehearsal as a bartender reads it: how often, why not, what to practise; then what it rests on."""
    from rig.report.wording import percent, target_words

    say(f"{found.recipe} · {found.set_up}", style="bold")
    if found.target is None:
        say("No target is named, so nothing lands or misses: give --target NAME.", "")
    else:
        say(f"Target: {target_words(found.target)}.", "")
    c = found.capability
    if c is not None:
        say(
            f"  Lands {c.hits} of {c.runs} ({percent(c.rate)}; in the long run {percent(c.low)} to "
            f"{percent(c.high)}, {c.interval.value} {percent(c.confidence)})",
            style="bold",
        )
    say("", *found.practise)
    if found.by_feel is not None:
        say("", f"By feel: {found.by_feel.practise}", found.by_feel.rate_words)
        say(f"{found.by_feel.timing_words}; {found.by_feel.missed_words}.")
    if found.more_runs is not None:
        say(f"{found.more_runs} more runs would make this surer.")
    _print_parts(found)
    heading("Runs")
    table(
        ("run", "why it missed", "session", "[s]", "[°C]", "dilution", "room"),
        [
            (
                r.run + _marks(found, r.run),
                "not known" if r.landed is None and found.target else r.why or ("landed" if r.landed else ""),
                r.session or "",
                f"{r.duration_s:.1f}",
                f"{r.temp_c:.1f}",
                percent(r.dilution_by_volume),
                "" if r.room is None else f"{r.room:+.1f}",
            )
            for r in found.runs
        ],
        words=2,
    )
    if found.best is not None:
        say("", "Room: how far inside the target, in standard deviations of these runs; minus is outside.")
    heading("Control charts")
    bullets(charts_in_words(found))
    if found.notes:
        heading("Mind")
        bullets(found.notes)


def _marks(found: Practice, run: str) -> str:
    return " (best)" if run == found.best else " (worst)" if run == found.worst else ""


def _print_parts(found: Practice) -> None:
    from rig.advice.rehearsal.words import more_of_hundred
    from rig.report.wording import percent

    temp, dilution = found.spreads[0], found.spreads[1]
    heading("Spread")
    if temp.runs < 2:
        say("One run has no spread.")
        return
    say(
        f"Temperature {temp.mean:z.1f} °C ± {temp.sd:.2f} K (standard deviation; {temp.sd_low:.2f} to "
        f"{temp.sd_high:.2f}), dilution {percent(dilution.mean)} ± {100 * dilution.sd:.1f} % "
        f"({100 * dilution.sd_low:.1f} to {100 * dilution.sd_high:.1f}), from {temp.runs} runs."
    )
    if not temp.parts:
        return
    say("")
    gains = {g.part: g for g in found.gains}
    rate = 0.0 if found.capability is None else found.capability.rate
    table(
        ("part", "what it covers", "of\ntemperature", "of\ndilution", "were it steady,\nwould land"),
        [
            (
                t.part.value,
                t.part.covers,
                f"{percent(t.share)}\n{100 * t.low:.0f}–{100 * t.high:.0f}",
                f"{percent(d.share)}\n{100 * d.low:.0f}–{100 * d.high:.0f}",
                "" if t.part not in gains else more_of_hundred(gains[t.part].odds, rate),
            )
            for t, d in zip(temp.parts, dilution.parts, strict=True)
        ],
        words=2,
    )


_NAMED = {
    "temp_c": "temperature",
    "dilution_by_volume": "dilution",
    "overrun_pct": "overrun",
    "duration_s": "duration",
    "chill_rate_log": "rate of chilling",
    "cadence_hz": "rhythm",
    "drink_temp_c": "start temperature",
    "ice_temp_c": "ice temperature",
    "vessel_temp_c": "vessel temperature",
}


def charts_in_words(found: Practice) -> list[str]:
    """What the charts and the drifts say, a sentence each."""
    from rig.advice.rehearsal.words import FALSE_ALARMS

    if not found.charts:
        return ["Too few runs for a chart: four or more."]
    out = [
        f"{_NAMED[c.quantity].capitalize()}: {', '.join(c.odd)} lies further out than scatter takes a run: look for "
        "what was different about it."
        for c in found.charts
        if c.odd
    ]
    calm = [_NAMED[c.quantity] for c in found.charts if not c.odd]
    if calm:
        out.append(f"Nothing beyond scatter in {', '.join(calm)}.")
    if found.charts[0].provisional:
        out.append("Limits are provisional below 20 runs.")
    clear = [d for d in found.drifts if d.is_clear]
    out += [
        f"{_NAMED[d.quantity].capitalize()} drifts from run to run: {d.per_run:+.3g} a run "
        f"({d.low:+.3g} to {d.high:+.3g}, 90 %)."
        for d in clear
    ]
    if found.drifts and not clear:
        out.append("No clear drift from run to run.")
    out.append(FALSE_ALARMS)
    if found.cadence is not None:
        k = found.cadence
        between = "" if k.between_cv is None else f", {100 * k.between_cv:.0f} % from run to run"
        out.append(
            f"Rhythm {k.mean_hz:.1f} strokes a second: it wavers by {100 * k.within_cv:.0f} % within a run"
            f"{between}, and changes by {100 * k.change:+.0f} % from start to end."
        )
    return out


def _routine(fit: Fit, file: Path, as_json: bool) -> None:
    from rig.advice.process.routine import plan_routine
    from rig.advice.process.routine_file import parse_routine

    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise BenchError(f"the routine cannot be read: {why}", Place(str(file))) from error
    orders, limit_s = parse_routine(text, fit.bench, str(file))
    found = plan_routine(fit, orders, limit_s)
    if as_json:
        print_json(found.to_dict())
    else:
        print_routine(found)


def print_routine(found: Routine) -> None:
    """A routine as one reads it off a card: the clock, then time and odds."""
    from rig.report.wording import odds_words

    table(
        ("at", "do", "drink", "for [s]"),
        [(_clock(s.start_s), s.does, s.drink, f"{s.duration_s:.0f}") for s in found.steps],
        words=2,
    )
    say("", f"Done at {_clock(found.total_s)} (± {found.total_sd_s:.0f} s).")
    if found.slack_s is not None and found.odds_in_time is not None:
        say(f"Slack {found.slack_s:.0f} s; in time {odds_words(found.odds_in_time)} of the time.")
    all_land = f"All {len(found.drinks)} land" if len(found.drinks) > 1 else "It lands"
    say(
        f"{all_land} {odds_words(found.odds_all)} of the time; on average {found.expected:.1f} do.",
        style="bold",
    )
    say("")
    bullets(found.notes)


def _clock(time_s: float) -> str:
    minutes, seconds = divmod(round(time_s), 60)
    return f"{minutes}:{seconds:02d}"
