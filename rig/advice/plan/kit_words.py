"""What a part of a kit would do for a call, in sentences."""

from __future__ import annotations

from rig.advice.call.calling import USEFUL_ODDS
from rig.advice.call.words import percent, seconds
from rig.advice.plan.kit import KitWorth, PartWorth
from rig.advice.plan.kit_parts import Part
from rig.advice.plan.plan import WORTH_IT
from rig.signals.moments import Z90

HEADS = ("With", "One run", "Six", "Says stop", "Best moment", "Costs about")
WHAT = {
    Part.SCALE: "a scale",
    Part.THERMOMETER: "a thermometer for the end",
    Part.EAR: "a phone that hears start and stop",
    Part.PROBE: "a probe",
    Part.CALIBRATION: "a calibration",
}


def summary(w: KitWorth) -> str:
    """The one sentence: what to get next and what it brings, or that nothing more helps."""
    chosen = w.next_part
    if w.odds_at_most < USEFUL_ODDS:
        return (
            "Nothing you could measure with helps this drink into this target: even were all known, no duration would "
            "land often. Change the drink, the ice or the target (chillrig advise names the levers)."
        )
    if chosen is None:
        return _nothing_more(w)
    now, then = percent(w.call.odds), percent(chosen.best_odds)
    return f"For this drink the next thing worth having is {WHAT[chosen.kit.part]}: {now} → {then} {_when(chosen)}."


def _nothing_more(w: KitWorth) -> str:
    now, there = w.call.odds, w.odds_with_mine
    if w.mine is None or there - now < WORTH_IT:
        return (
            f"Nothing more to measure with would move this call: it lands {percent(now)}, and what is left is mostly "
            "that no two drinks are made alike. Practise instead (chillrig rehearse)."
        )
    return (
        f"You have what helps ({w.mine.kit.part.value}): {percent(now)} → {percent(there)} {_when(w.mine)}. "
        "Nothing beyond it would add to that."
    )


def _when(part: PartWorth) -> str:
    """Under which condition a part brings the most it can."""
    after = part.gains[-1]
    if part.live_odds is not None and part.live_odds > after.odds + WORTH_IT:
        return "once it has watched six runs and says stop itself"
    return f"after {after.runs} runs"


def rows(w: KitWorth) -> list[tuple[str, ...]]:
    """The parts as cells under HEADS."""
    return [_row(p, p is w.mine) for p in w.parts]


def _row(part: PartWorth, mine: bool) -> tuple[str, ...]:
    name = part.kit.part.value if part.kit.part is Part.SCALE else f"+ {part.kit.part.value}"
    one, six = (percent(g.odds) for g in part.gains)
    live = "" if part.live_odds is None else percent(part.live_odds)
    mark = " (yours)" if mine else ""
    return f"{name}{mark}", one, six, live, _off(part.gains[-1].off_s), part.kit.price


def _off(off_s: float) -> str:
    return f"± {Z90 * off_s:.1f} s"


def basis(w: KitWorth) -> str:
    """What is called, and from what it is told."""
    call = w.call
    window = " to ".join(seconds(x) for x in call.window_s)
    return (
        f"{call.situation.recipe} · {call.situation.set_up}, now called at {seconds(call.duration_s)} s "
        f"(window {window} s), lands {percent(call.odds)}, its best moment known to "
        f"{_off(w.off_s)}; at most {percent(w.odds_at_most)} were all known of this set-up and the seconds still "
        "called beforehand"
    )


def figures(w: KitWorth) -> list[str]:
    """How well each part measures, as it was taken here, each with its source."""
    told = dict.fromkeys(
        f"{f.what}: ± {f.std:.2g} {f.unit} ({f.source})" for p in w.parts for f in p.kit.figures
    )
    return list(told)


NOTES = (
    "Odds are of the next drink, called anew after one run or six made with the kit, or stopped by its own probe.",
    "The best moment is ± half a 90 % band after six runs; where a long window lands alike, it says little.",
    "Expected by the fit as it stands: linear around it, its spreads taken as known. Runs may surprise.",
    "Each line has all parts above it. A probe's stop is told from three quarters of the drink's own trace.",
    "Probes and electronics near water: low voltage, dry hands, nothing that can break or come loose in the drink.",
)
