"""A call, its basis and its conditions in the words that screen, print and page share."""

from __future__ import annotations

from rig.advice.call import Advice
from rig.bench import Target
from rig.fitting.prediction import Basis, BasisKind
from rig.fitting.situation import Situation


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


def headline(advice: Advice) -> str:
    """The call in one line."""
    low, high = advice.window_s
    if not advice.feasible:
        return f"No duration lands this: at best {odds_words(advice.odds)}, at {advice.duration_s:.0f} s"
    verb = advice.situation.technique.capitalize()
    return f"{verb} {advice.duration_s:.0f} s ({low:.0f}–{high:.0f} s will do): lands {odds_words(advice.odds)}"


def landing(advice: Advice) -> str:
    """Where the drink will be at the called duration, with 90 % ranges."""
    temp, water = advice.at_call["temp_c"], advice.at_call["dilution_by_volume"]
    abv, volume = advice.at_call["abv_pct"], advice.at_call["volume_ml"]
    text = (
        f"After {advice.duration_s:.0f} s: {temp[1]:.1f} °C ({temp[0]:.1f} to {temp[2]:.1f}), "
        f"dilution {percent(water[1])} ({percent(water[0])} to {percent(water[2])})"
    )
    if abv[1] >= 0.5:
        text += f", {abv[1]:.1f} % ABV"
    return f"{text}, {volume[1]:.0f} ml in the glass"


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
    text = ", ".join(parts)
    return f"{target.name}: {text}" if target.name else text


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
    return ", ".join(parts)


def odds_words(odds: float) -> str:
    """Odds as whole percent; never certain, never impossible."""
    if odds > 0.99:
        return "over 99 %"
    return "under 1 %" if odds < 0.01 else percent(odds)


def percent(share: float) -> str:
    """A share as whole percent."""
    return f"{100.0 * share:.0f} %"
