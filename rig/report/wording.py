"""A call, its basis and its conditions in the words that screen, print and page share."""

from __future__ import annotations

from rig.advice.call import Advice
from rig.advice.compare import Comparison, PairComparison
from rig.advice.compare_words import true_minus
from rig.advice.texture import overrun_words
from rig.bench import Target
from rig.fitting.prediction import Basis, BasisKind
from rig.fitting.situation import Situation
from rig.report.calls import Call


def basis_sentence(basis: Basis) -> str:
    """What a call rests on, and how far to trust it."""
    if basis.kind is BasisKind.PRIOR_ONLY:
        return (
            "Rests on no run at all, only on what is known of such vessels and ice: "
            "make three runs before trusting it."
        )
    if basis.kind is BasisKind.MEASURED:
        return f"Rests on {_runs(basis.runs)} of this very drink on this set-up."
    text = f"Transferred from {_runs(basis.related_runs)} on related set-ups"
    if basis.runs:
        text = f"Transferred from {_runs(basis.runs)} of this drink on this set-up"
    if basis.extrapolated:
        text += f": {'; '.join(basis.extrapolated)}"
    return text + ". Make two runs like this to firm it up."


def _runs(count: int) -> str:
    return f"{count} run" if count == 1 else f"{count} runs"


def headline(advice: Advice | Call) -> str:
    """The call in one line."""
    best = seconds(advice.duration_s)
    if not advice.feasible:
        return f"No duration lands this: at best {odds_words(advice.odds)}, at {best} s"
    verb = advice.situation.technique.capitalize()
    return f"{verb} {best} s ({span(advice.window_s)} s will do): lands {odds_words(advice.odds)}"


def landing(advice: Advice) -> str:
    """Where the drink will be at the called duration, with 90 % ranges."""
    temp, water = advice.at_call["temp_c"], advice.at_call["dilution_by_volume"]
    abv, volume = advice.at_call["abv_pct"], advice.at_call["volume_ml"]
    text = (
        f"After {seconds(advice.duration_s)} s: {temp[1]:.1f} °C ({temp[0]:.1f} to {temp[2]:.1f}), "
        f"dilution {percent(water[1])} ({percent(water[0])} to {percent(water[2])})"
    )
    if abv[1] >= 0.5:
        text += f", {abv[1]:.1f} % ABV"
    return true_minus(f"{text}, {volume[1]:.0f} ml in the glass")


def limits(advice: Advice) -> str:
    """What ends the window on each side."""
    return f"Stopped early: {advice.limited_by['early']}. Stopped late: {advice.limited_by['late']}."


def target_words(target: Target) -> str:
    """A target in words."""
    parts = []
    if target.serve_temp_c_min is not None:
        parts.append(f"at {target.serve_temp_c_min:g} °C or warmer")
    if target.serve_temp_c_max is not None:
        parts.append(f"at {target.serve_temp_c_max:g} °C or colder")
    if target.dilution_by_volume is not None:
        low, high = target.dilution_by_volume
        parts.append(f"dilution {percent(low)} to {percent(high)}")
    if target.abv_pct is not None:
        parts.append(f"{target.abv_pct[0]:g} to {target.abv_pct[1]:g} % ABV")
    if target.volume_ml is not None:
        parts.append(f"{target.volume_ml[0]:g} to {target.volume_ml[1]:g} ml in the glass")
    if air := overrun_words(target):
        parts.append(air)
    text = ", ".join(parts)
    return true_minus(f"{target.name}: {text}" if target.name else text)


def conditions(situation: Situation) -> str:
    """What is given of a drink and its ice, in words."""
    parts = []
    if situation.drink_temp_c is not None:
        parts.append(f"drink at {situation.drink_temp_c:.0f} °C")
    if situation.drink_mass_g is not None:
        parts.append(f"{situation.drink_mass_g:.0f} g of it")
    ice = [] if situation.ice_mass_g is None else [f"{situation.ice_mass_g:.0f} g of ice"]
    if situation.ice_temp_c is not None:
        ice = [f"{ice[0] if ice else 'ice'} at {situation.ice_temp_c:.0f} °C"]
    parts += ice
    if situation.vessel_temp_c is not None:
        parts.append(f"vessel at {situation.vessel_temp_c:.0f} °C")
    if situation.room_temp_c is not None:
        parts.append(f"room at {situation.room_temp_c:.0f} °C")
    return true_minus(", ".join(parts))


def seconds(time_s: float) -> str:
    """A duration as one can keep it by the clock: whole seconds, half ones where it is short."""
    return f"{round(2 * time_s) / 2:g}" if time_s < 6.0 else f"{time_s:.0f}"


def span(window_s: tuple[float, float]) -> str:
    """A window of durations."""
    low, high = (seconds(t) for t in window_s)
    return low if low == high else f"{low}–{high}"


def pairs_in_words(comparison: Comparison) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Sentences of pairs that differ in one part only, and of all others; what can be told comes first."""
    ranked = sorted(comparison.pairs, key=lambda p: (p.not_comparable is not None, len(_apart(p))))
    close = tuple(_named(p, comparison) for p in ranked if len(_apart(p)) == 1)
    return close, tuple(_named(p, comparison) for p in ranked if len(_apart(p)) > 1)


_PARTS = ("technique", "vessel", "ice")


def _apart(pair: PairComparison) -> list[str]:
    return [n for n in _PARTS if getattr(pair.a, n) != getattr(pair.b, n)]


def _named(pair: PairComparison, comparison: Comparison) -> str:
    """The pair's sentence, which names what tells the two apart, after what both share and others do not."""
    shared = [n for n in _PARTS if n not in _apart(pair)]
    telling = [n for n in shared if len({getattr(s.set_up, n) for s in comparison.summaries}) > 1]
    prefix = " · ".join(getattr(pair.a, n) for n in telling)
    return f"{prefix}: {pair.sentence[0].lower()}{pair.sentence[1:]}" if prefix else pair.sentence


def odds_words(odds: float) -> str:
    """Odds as whole percent; never certain, never impossible."""
    if odds > 0.99:
        return "over 99 %"
    return "under 1 %" if odds < 0.01 else percent(odds)


def percent(share: float) -> str:
    """A share as whole percent."""
    return f"{100.0 * share:.0f} %"
