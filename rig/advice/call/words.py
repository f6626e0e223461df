"""A call in the words that command line, JSON, screen and print share: the answer, what it assumes, why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rig.advice.call.assumed import Filled, Origin
from rig.advice.call.calling import Call
from rig.advice.call.levers import Lever
from rig.answer_units import true_minus
from rig.fitting.prediction import Basis, BasisKind


def headline(call: Call) -> str:
    """The call in one line."""
    technique, best = call.situation.technique, seconds(call.duration_s)
    if not call.feasible:
        return f"No {technique} lands this · at best {of_hundred(call.odds)}, at {best} s"
    return f"{technique.capitalize()} {best} s · {window_words(call)} · lands {of_hundred(call.odds)}"


def window_words(call: Call) -> str:
    """How exactly the call is to be kept."""
    return will_do(call.window_s)


def will_do(window_s: tuple[float, float]) -> str:
    """The durations that will do [s], in words."""
    low, high = (seconds(t) for t in window_s)
    return "to the second" if low == high else f"{low} to {high} will do"


def top_lever(feasible: bool, levers: Sequence[Lever]) -> str:
    """A sentence on what would help most, where the call does not land often; else nothing."""
    if feasible or not levers:
        return ""
    return f" What would help most: {levers[0].what} ({odds_words(levers[0].odds)})."


def assumptions(filled: Filled) -> str:
    """Start, ice temperature and ice mass that a call is for, each with where it is from; then what else was asked."""
    told = filled.assumed
    start, ice_temp, ice_mass = (told[n] for n in ("drink_temp_c", "ice_temp_c", "ice_mass_g"))
    parts = [f"drink at {start.value:z.0f} °C ({start.origin.value})"]
    temp, mass = f"ice at {ice_temp.value:z.0f} °C", f"{ice_mass.value:.0f} g of it"
    if ice_temp.origin is ice_mass.origin:
        parts.append(f"{temp}, {mass} ({ice_mass.origin.value})")
    else:
        parts.append(f"{temp} ({ice_temp.origin.value}), {mass} ({ice_mass.origin.value})")
    if filled.asked.drink_mass_g is not None:
        parts[0] = f"{filled.asked.drink_mass_g:.0f} g of {parts[0]}"
    parts += [
        f"{name} at {told[key].value:z.0f} °C ({told[key].origin.value})"
        for name, key in (("vessel", "vessel_temp_c"), ("room", "room_temp_c"))
        if told[key].origin is Origin.ASKED
    ]
    text = " · ".join(parts)
    return true_minus(f"{text[0].upper()}{text[1:]}")


def basis_sentence(basis: Basis) -> str:
    """What a call rests on, and how far to trust it."""
    if basis.kind is BasisKind.PRIOR_ONLY and basis.others:
        return (
            f"Rests on no run of this bench, but on what others know of such vessels and ice, {basis.others}: "
            "make three runs before trusting it."
        )
    if basis.kind is BasisKind.PRIOR_ONLY:
        return (
            "Rests on no run at all, only on what is known of such vessels and ice: "
            "make three runs before trusting it."
        )
    if basis.kind is BasisKind.MEASURED:
        text = f"Rests on {_runs(basis.runs)} of this very drink on this set-up"
        return f"{text}{_beyond(basis)}{begun(basis)}."
    text = f"Transferred from {_runs(basis.related_runs)} on related set-ups"
    if basis.runs:
        text = f"Carried on from {_runs(basis.runs)} of this drink on this set-up"
    return f"{text}{_beyond(basis)}{begun(basis)}. Make two runs like this to firm it up."


def begun(basis: Basis) -> str:
    """What a call was begun from besides the bench's own runs; empty where from published priors."""
    return f"; begun {basis.others}" if basis.others else ""


def _beyond(basis: Basis) -> str:
    if not basis.extrapolated:
        return ""
    return f"{', extrapolated' if basis.runs else ''}: {'; '.join(basis.extrapolated)}"


def basis_label(basis: Basis) -> str:
    """What a call rests on in a word, with a mark of its own."""
    if basis.kind is BasisKind.TRANSFERRED and basis.runs:
        return "◐ extrapolated"
    if basis.kind is BasisKind.MEASURED and basis.extrapolated:
        return "◕ measured, just beyond the runs"
    if basis.kind is BasisKind.PRIOR_ONLY and basis.others:
        return "○ others' runs only"
    return _LABELS[basis.kind]


_LABELS: Mapping[BasisKind, str] = {
    BasisKind.MEASURED: "● measured",
    BasisKind.TRANSFERRED: "◐ transferred",
    BasisKind.PRIOR_ONLY: "○ prior only",
}


def _runs(count: int) -> str:
    return f"{count} run" if count == 1 else f"{count} runs"


def seconds(time_s: float) -> str:
    """A duration as one can keep it by the clock: whole seconds, half ones where it is short."""
    return f"{round(2 * time_s) / 2:g}" if time_s < 6.0 else f"{time_s:.0f}"


def span(window_s: tuple[float, float]) -> str:
    """A window of durations."""
    low, high = (seconds(t) for t in window_s)
    return low if low == high else f"{low}–{high}"


def of_hundred(odds: float) -> str:
    """Odds as one counts them at the bar; never certain, never impossible."""
    if odds > 0.99:
        return "over 99 of 100"
    return "under 1 of 100" if odds < 0.01 else f"{100.0 * odds:.0f} of 100"


def odds_words(odds: float) -> str:
    """Odds as whole percent; never certain, never impossible."""
    if odds > 0.99:
        return "over 99 %"
    return "under 1 %" if odds < 0.01 else percent(odds)


def percent(share: float) -> str:
    """A share as whole percent."""
    return f"{100.0 * share:.0f} %"
