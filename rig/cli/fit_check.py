"""`chillrig fit --check`: the fit held against its own runs, and calls against the runs that followed them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rig.cli.printing import bullets, heading, say, table, two_lines

if TYPE_CHECKING:
    from rig.advice.check.reliability import Reliability
    from rig.advice.check.residual_bias import MeanResidual
    from rig.advice.check.self_check import SelfCheck


def check_json(title: str, fingerprint: str | None, check: SelfCheck) -> dict[str, Any]:
    """What `fit --check --json` prints; stable keys, units in the names."""
    from rig.advice.check.self_check_words import LANDED_BY, sentence

    return {
        "bench": title,
        "fingerprint": fingerprint,
        "sentence": sentence(check),
        "landed_by": LANDED_BY,
        "check": check.to_dict(),
    }


def print_check(title: str, check: SelfCheck) -> None:
    """The sentence first, then what it rests on."""
    from rig.advice.check.self_check_words import (
        LANDED_BY,
        calls_sentence,
        coverage_sentence,
        leaning_sentence,
        odds_sentence,
        sentence,
        warnings,
    )

    say(f"{title}: the fit held against its own runs, each foretold without itself", style="bold")
    say("", sentence(check))
    if calls := calls_sentence(check.calls):
        say(calls)
    for text in warnings(check):
        say("", text)
    if check.leanings:
        heading("Runs lie to one side")
        bullets([leaning_sentence(x) for x in check.leanings])
    elif check.together is not None:
        say("", "No set-up's runs lie to one side by more than chance.")
    _print_set_ups(check)
    for name, found in (("Weighings", check.weighing), ("End temperatures", check.temperature)):
        if found is not None:
            say(f"{name} in the 90 % band: {coverage_sentence(found)}")
    if check.odds is not None:
        heading("Odds said without the run, and what happened")
        _print_odds(check.odds)
        say("", odds_sentence(check.odds))
    if check.calls.score is not None:
        heading("Calls kept in the logbook, and the runs that followed")
        _print_odds(check.calls.score)
        say("", odds_sentence(check.calls.score))
    if check.odds is not None or check.calls.score is not None:
        say("", LANDED_BY)


def _print_set_ups(check: SelfCheck) -> None:
    """Mean residuals, one row a set-up, and one below it for each drink where it makes several."""
    rows: dict[tuple[Any, str | None], dict[str, MeanResidual]] = {}
    for m in check.means:
        rows.setdefault((m.set_up, m.recipe), {})[m.observation.value] = m
    if not rows:
        return
    say("")
    table(
        ("measured less foretold", "runs", "weighing\n[g]", "[ml/100 ml]", "end temperature\n[K]"),
        [
            (
                "all set-ups" if set_up is None else two_lines(set_up) if recipe is None else f"  {recipe}",
                max(m.runs for m in both.values()),
                _mean(both.get("weighing")),
                "" if "weighing" not in both else signed(both["weighing"].points, 1),
                _mean(both.get("temperature")),
            )
            for (set_up, recipe), both in rows.items()
        ],
    )
    say(
        "",
        "± is one standard error; * lies to one side. In ml/100 ml: water to 100 ml of drink before the ice.",
    )


def _mean(m: MeanResidual | None) -> str:
    if m is None:
        return ""
    error = "" if m.standard_error != m.standard_error else f" ± {m.standard_error:.1f}"
    return f"{signed(m.mean, 1)}{error}{' *' if m.leans else ''}"


def signed(value: float, digits: int) -> str:
    """A number with its sign, a true minus; nought has none."""
    text = f"{value:+.{digits}f}"
    return text.lstrip("+-") if float(text) == 0.0 else text.replace("-", "−")


def _print_odds(found: Reliability) -> None:
    table(
        ("odds said", "on average", "landed", "of", "in the long run, 95 %"),
        [
            (
                b.about,
                f"{100 * b.said:.0f} %",
                b.landed.hits,
                b.landed.runs,
                f"{100 * b.landed.low:.0f}–{100 * b.landed.high:.0f} %",
            )
            for b in found.bins
        ],
    )
