"""`chillrig fit`: how each set-up chills and dilutes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.cli.every import check_every, fit_every, refuse_one_bench
from rig.cli.options import AsJson, BenchFolder, BenchName, Ice, Logbook, On, Technique, Vessel, example
from rig.cli.printing import bullets, finding_json, heading, print_json, say, table, two_lines
from rig.cli.source import chosen_set_ups, fitted, open_source

if TYPE_CHECKING:
    from rig.fitting.result import Fit
    from rig.report.fit_summary import HandFit, Percentiles, SetUpFit

EXAMPLE = example(
    "chillrig fit --bench my-bar",
    "chillrig fit --bench-name my-bar --ice 'freezer cube' --json",
    "chillrig fit --bench-name my-bar --check",
    "chillrig fit --every --on processes",
    "chillrig fit --every --check",
)


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    technique: Technique = None,
    vessel: Vessel = None,
    ice: Ice = None,
    check: Annotated[
        bool,
        typer.Option("--check", help="Hold the fit against its own runs, each foretold without itself."),
    ] = False,
    every: Annotated[
        bool, typer.Option("--every", help="Every bench of the logbook; its fit is kept there.")
    ] = False,
    on: On = "here",
    as_json: AsJson = False,
) -> None:
    """Fit all runs and show how each set-up chills and dilutes, and which runs to doubt."""
    from rig.report.fit_summary import hand_fits, set_up_fits

    refuse_one_bench(every, on, bench, bench_name, technique, vessel, ice)
    if every:
        (check_every if check else fit_every)(logbook, on, as_json)
        return
    source = open_source(bench, logbook, bench_name)
    fit = fitted(source, as_json)
    chosen = chosen_set_ups(fit, technique, vessel, ice)
    if check:
        from rig.advice.check.self_check import check_own_runs
        from rig.cli.fit_check import check_json, print_check

        found = check_own_runs(fit, source.logbook, source.name, chosen)
        if as_json:
            print_json(check_json(source.book.bench.title, fit.fingerprint, found))
        else:
            print_check(source.book.bench.title, found)
        return
    summaries = [s for s in set_up_fits(fit) if s.set_up in chosen]
    if as_json:
        print_json(fit_json(fit, summaries, hand_fits(fit)))
        return
    say(f"{source.book.bench.title}: {len(fit.runs)} runs on {len(fit.set_ups)} set-ups", style="bold")
    say("")
    print_set_ups(summaries)
    print_hands(hand_fits(fit))
    print_doubts(fit, summaries)
    if not fit.posterior.converged:
        say("", "The fit has not settled: take the numbers with care, and look at the doubtful runs first.")


def fit_json(fit: Fit, summaries: list[SetUpFit], hands: Sequence[HandFit]) -> dict[str, Any]:
    """What `fit --json` prints; stable keys, units in the names."""
    verdicts = Counter(r.verdict.value for r in fit.runs)
    return {
        "bench": fit.bench.title,
        "fingerprint": fit.fingerprint,
        "converged": fit.posterior.converged,
        "runs": {
            "all": len(fit.runs),
            **{
                word.replace(" ", "_"): verdicts[word]
                for word in ("good", "doubtful", "excluded", "not fitted")
            },
        },
        "set_ups": [s.to_dict() for s in summaries],
        "hands": [h.to_dict() for h in hands],
        "findings": [finding_json(f) for f in fit.findings],
    }


def print_set_ups(summaries: list[SetUpFit]) -> None:
    """One row a set-up."""
    table(
        (
            "set-up",
            "runs",
            "chilled\nafter [s]",
            "rate\n[watts a\ndegree]",
            "wet\n[% of ice]",
            "held\nback [g]",
            "run to run\n[ml/100 ml]",
            "probe\nlag [s]",
        ),
        [
            (
                two_lines(s.set_up),
                f"{s.runs}" + (f" +{len(s.doubtful)}?" if s.doubtful else ""),
                _with_range(s.chill_time_s, 0 if s.chill_time_s.p50 > 20 else 1),
                f"{s.ice_w_per_k.p50:.0f}",
                f"{s.surface_water_pct.p50:.1f}",
                f"{s.held_back_g.p50:.1f}",
                f"±{100 * s.spread_dilution:.1f}",
                "" if s.probe_lag_s is None else f"{s.probe_lag_s.p50:.1f}",
            )
            for s in summaries
        ],
    )
    say(
        "",
        "Chilled: nine tenths of the chill its longest run reaches, 90 % range below. Rate: heat from drink "
        "to ice per degree, at the start. Wet: water on the ice before it melts. Run to run: one standard "
        "deviation of dilution, in ml of water to 100 ml of drink before the ice.",
    )


def print_hands(hands: Sequence[HandFit]) -> None:
    """A line a technique whose strokes were counted."""
    for h in hands:
        say("", f"{h.technique}: {h.sentence()}.")


def _with_range(p: Percentiles, digits: int) -> str:
    return f"{p.p50:.{digits}f}\n{p.p05:.{digits}f}–{p.p95:.{digits}f}"


def print_doubts(fit: Fit, summaries: list[SetUpFit]) -> None:
    """Doubtful runs, and runs set aside, with reasons."""
    doubtful = [r for s in summaries for r in s.doubtful]
    if doubtful:
        heading(f"{len(doubtful)} doubtful (kept, but counting for little)")
        bullets([f"run {r.run}: {'; '.join(r.reasons)}." for r in doubtful])
    aside = [r for r in fit.runs if r.verdict.value in ("excluded", "not fitted")]
    if aside:
        heading(f"{len(aside)} not in the fit")
        bullets([f"run {r.run}: {'; '.join(r.reasons)}." for r in aside])
