"""One self-contained HTML page of what a bench's runs show: opens with no network, prints on paper."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from itertools import groupby
from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go
from jinja2 import Environment, StrictUndefined

from rig.advice.call.call import Advice
from rig.advice.compare.compare import Comparison, compare
from rig.answer_units import LAB_UNITS, AnswerUnits, true_minus
from rig.bench import Target
from rig.errors import RigError
from rig.fitting.result import Fit, Verdict
from rig.report import wording
from rig.report.calls import DrinkCalls, Foreseen, all_foreseen, drink_calls, in_full
from rig.report.courses import side_by_side
from rig.report.figures import chill_curves, chill_path, comparison_figure, dilution_curves, odds_figure
from rig.report.fit_summary import SetUpFit, set_up_fits
from rig.report.plotting import FiguresOfPage, plotting_script

if TYPE_CHECKING:
    from rig.runs import SetUp

MOST_CARDS = 6


@dataclass(frozen=True)
class Chapter:
    """One recipe's figures, by technique and vessel: the ices side by side."""

    recipe: str
    technique: str
    vessel: str
    chill: go.Figure
    dilution: go.Figure
    path: go.Figure


@dataclass(frozen=True)
class Card:
    """One call in full, to cut out and pin up."""

    call: Advice
    odds: go.Figure


@dataclass(frozen=True)
class Report:
    """Everything a page shows; `comparisons` one a recipe that was measured on two set-ups or more."""

    fit: Fit
    set_ups: tuple[SetUpFit, ...]
    chapters: tuple[Chapter, ...]
    comparisons: tuple[Comparison, ...]
    drinks: tuple[DrinkCalls, ...]
    cards: tuple[Card, ...]


def make_report(fit: Fit, progress: Callable[[float], None] = lambda share: None) -> Report:
    """Work out what a page shows of a fit; `progress` is called with the share done."""
    found = all_foreseen(fit, lambda share: progress(0.4 * share))
    drinks = drink_calls(fit, found)
    set_ups = set_up_fits(fit)
    progress(0.6)
    cards = []
    for done, drink in enumerate(drinks[:MOST_CARDS], 1):
        call = in_full(fit, drink.best)
        cards.append(Card(call, odds_figure(call)))
        progress(0.6 + 0.4 * done / min(len(drinks), MOST_CARDS))
    return Report(fit, set_ups, _chapters(fit, found), _comparisons(fit), drinks, tuple(cards))


def _chapters(fit: Fit, found: Mapping[tuple[SetUp, str], Foreseen]) -> tuple[Chapter, ...]:
    def kind(key: tuple[SetUp, str]) -> tuple[str, str, str]:
        return key[1], key[0].technique, key[0].vessel

    out = []
    for (recipe, technique, vessel), keys in groupby(sorted(sorted(found), key=kind), key=kind):
        courses = side_by_side(fit, [found[key].course for key in keys])
        target = _only_target(fit, recipe)
        out.append(
            Chapter(
                recipe,
                technique,
                vessel,
                chill_curves(courses, target=target),
                dilution_curves(courses, target=target),
                chill_path(courses, target=target),
            )
        )
    return tuple(out)


def _only_target(fit: Fit, recipe: str) -> Target | None:
    """The target to shade: the one its runs name, or the bench's only one."""
    named = {r.target for r in fit.book.runs if r.recipe == recipe and r.target in fit.bench.targets}
    known = [t for t in fit.bench.targets if t in named] or list(fit.bench.targets)
    return fit.bench.targets[known[0]] if len(known) == 1 else None


def _comparisons(fit: Fit) -> tuple[Comparison, ...]:
    out = []
    for recipe in dict.fromkeys(recipe for _, recipe in fit.measured):
        chosen = sorted(s for s, r in fit.measured if r == recipe)
        if len(chosen) < 2:
            continue
        try:
            out.append(compare(fit, set_ups=chosen, recipe=recipe, target=_only_target(fit, recipe)))
        except RigError:
            continue
    return tuple(out)


def render(report: Report, made_at: datetime, units: AnswerUnits = LAB_UNITS) -> str:
    """The page as HTML text; `made_at` is printed on it, all else follows from the fit."""
    units = units.beside(report.fit.bench.names)
    template = environment(units).from_string(asset("page.html"))
    fit = report.fit
    verdicts = Counter(r.verdict for r in fit.runs)
    return template.render(
        report=report,
        title=fit.bench.title,
        made_at=f"{made_at:%Y-%m-%d %H:%M}",
        runs=len(fit.runs),
        good=verdicts[Verdict.GOOD],
        doubtful=verdicts[Verdict.DOUBTFUL],
        aside=verdicts[Verdict.EXCLUDED] + verdicts[Verdict.NOT_FITTED],
        findings=sorted(fit.findings, key=lambda f: ("left out", "doubt", "note").index(f.gravity.value)),
        style=asset("page.css"),
        script=plotting_script(),
        figure=FiguresOfPage(units),
        everyone=fit.set_ups,
        comparison_figure=comparison_figure,
        words=wording,
        allergens=lambda recipe: fit.bench.recipe(recipe).allergens,
        facts=set_out,
    )


def environment(units: AnswerUnits = LAB_UNITS) -> Environment:
    """How pages are filled in: all escaped, nothing missing, in the reader's units, a true minus before numbers."""
    made = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: _for_people(value, units),
    )
    made.filters["fixed"] = fixed
    return made


def fixed(value: float, digits: int) -> str:
    """A number to so many digits; what rounds to zero has no minus."""
    return f"{value:z.{digits}f}"


def _for_people(value: Any, units: AnswerUnits) -> Any:
    """What goes into the page: in the reader's units, with minus signs; style and script go in as they are."""
    return true_minus(units.text(value)) if type(value) is str else value


def asset(name: str) -> str:
    """The text of a page's template or style."""
    return files("rig.report").joinpath(name).read_text(encoding="utf-8")


def set_out(call: Advice) -> Sequence[tuple[str, str, str]]:
    """What to set out before the first second, for a card: what, how much, and where that is from."""
    facts = [("vessel", call.situation.vessel, ""), ("ice", call.situation.ice, "")]
    for what, name, unit in (
        ("ice, weighed", "ice_mass_g", "g"),
        ("ice temperature", "ice_temp_c", "°C"),
        ("drink before the ice", "drink_temp_c", "°C"),
    ):
        assumed = call.filled.assumed[name]
        facts.append((what, f"{assumed.value:.0f} {unit}", assumed.origin.value))
    return facts
