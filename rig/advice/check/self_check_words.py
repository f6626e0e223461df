"""A check on one's own runs, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.advice.check.reliability import DOUBT_P, Reliability
from rig.advice.check.residual_bias import Leaning, MeanResidual, Observation
from rig.answer_units import true_minus

if TYPE_CHECKING:
    from rig.advice.check.call_log import ScoredCalls
    from rig.advice.check.self_check import Coverage, SelfCheck

LANDED_BY = (
    "Landed is by measurement: the run's own weighing (strained mass and what was held back, less the drink before "
    "the ice) and the end temperature of its own trace. A run is scored against the target it was made for; where "
    "none was noted, against the one that it was likeliest to land in by what the other runs say."
)
NOTHING = (
    "There is nothing to check yet: it needs a run with a strained mass, or a trace, and others to foretell it "
    "from."
)


def sentence(check: SelfCheck) -> str:
    """Band and odds in one sentence."""
    if check.together is None:
        return NOTHING
    band = check.together
    parts = [f"Of {_runs(band.runs)}, {band.inside} {'lies' if band.inside == 1 else 'lie'} in the 90 % band"]
    if check.odds is not None:
        parts.append(f"calls of {_quoted(check.odds)}")
    return f"{'; '.join(parts)}."


def warnings(check: SelfCheck) -> list[str]:
    """What of band and odds does not hold; nothing where both do."""
    out = []
    if check.together is not None and not check.together.holds:
        out.append(f"The 90 % band held {coverage_sentence(check.together)}")
    if check.odds is not None and check.odds.p_promised <= DOUBT_P:
        out.append(odds_sentence(check.odds))
    return out


def calls_sentence(calls: ScoredCalls) -> str:
    """What became of the calls that the logbook keeps; empty where it keeps none."""
    if not calls.kept:
        return ""
    kept = f"{calls.kept} {'call is' if calls.kept == 1 else 'calls are'} kept in the logbook"
    found = calls.score
    if found is None:
        return f"{kept}; none of them has a run yet that says whether it landed."
    return f"{kept}, followed by {_runs(found.runs)}: calls of {_quoted(found)}."


def _quoted(found: Reliability) -> str:
    most = found.quoted
    return f"{most.about} landed {most.landed.hits} of {most.landed.runs} times"


def coverage_sentence(found: Coverage) -> str:
    """Whether the band holds."""
    share = (
        f"{found.inside} of {found.runs} (95 % interval {100 * found.low:.0f} to {100 * found.high:.0f} %)"
    )
    if found.holds:
        return f"{share}, as a 90 % band gives."
    if found.inside < 0.9 * found.runs:
        return f"{share}: the band is too narrow for these runs. Take the odds for a little less sure."
    return f"{share}: the band is wider than it need be. The odds are modest."


def odds_sentence(found: Reliability) -> str:
    """Whether the odds come true, with the Brier score and what it would be were they true."""
    text = f"The odds promised {found.promised:.1f} landings; {found.landed} of {_runs(found.runs)} landed"
    if found.p_promised > DOUBT_P:
        text += ", as the odds have it"
    else:
        text += (
            ": fewer than promised, the odds are too high"
            if found.landed < found.promised
            else ": more than promised, the odds are too low"
        )
    true = found.brier_if_true
    return f"{text}. Brier score {found.brier:.3f} (0 is best); odds that are true would score {true:.3f}."


def leaning_sentence(leaning: Leaning) -> str:
    """Which set-up leans, how far, and what would explain it."""
    who = "All set-ups together" if leaning.set_up is None else str(leaning.set_up)
    if leaning.recipe is not None:
        who += f", {leaning.recipe}:"
    told = [_side(m) for m in (leaning.weighing, leaning.temperature) if m is not None and m.sign]
    text = f"{who} {' and '.join(told)}. Would explain it: {'; '.join(leaning.causes)}."
    if leaning.shared and leaning.set_up is not None:
        part = leaning.shared[0]
        text += f" So do the other set-ups with {getattr(leaning.set_up, part)}: look at the {part} first."
    return true_minus(text)


def _side(m: MeanResidual) -> str:
    count = f"{m.same_side} of {_runs(m.runs)}" if m.set_up is not None else f"{m.same_side} set-ups"
    if m.observation is Observation.WEIGHING:
        return (
            f"weighs {abs(m.mean):.1f} g ({abs(m.points):.1f} ml of water to 100 ml of drink) "
            f"{'more' if m.mean > 0 else 'less'} than foretold ({count})"
        )
    return f"ends {abs(m.mean):.1f} K {'warmer' if m.mean > 0 else 'colder'} than foretold ({count})"


def _runs(count: int) -> str:
    return f"{count} run" if count == 1 else f"{count} runs"
