"""What to practise, and where a run went wrong, in plain sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.stats import norm

from rig.advice.odds import ENDS, RESULTS, Result, windows_of
from rig.advice.rehearsal_parts import (
    LEAST_RUNS,
    PARTS,
    SURE,
    Gain,
    Part,
    Split,
    Spread,
    contributions,
    runs_more,
)
from rig.advice.rehearsal_runs import Rehearsed
from rig.advice.rehearsal_trend import Drift, Steadiness
from rig.bench import Target


def percent(share: float) -> str:
    """A share as whole percent."""
    return f"{100.0 * share:.0f} %"


_LEAST_GAIN = 0.03
_LIKE_RUNS = 12
"""Where even many runs would hardly tell parts of like size apart, a first look after so many."""
_DO = {
    Part.WEIGHING: "weigh every drink in to the gram",
    Part.TIMING: "stop by the clock, not by feel",
    Part.START: "bring every drink to the same temperature before the ice, by thermometer",
    Part.ICE: "weigh the ice, and take it from the same place at the same temperature each time",
    Part.HAND: "keep one rhythm and one stroke from the first second to the last",
}
_SHAPE = {
    Result.TEMP_C: lambda x: f"{x:z.1f} K",
    Result.DILUTION: lambda x: f"{100 * x:.1f} points",
    Result.ABV_PCT: lambda x: f"{x:.1f} points",
    Result.VOLUME_ML: lambda x: f"{x:.0f} ml",
}


def practise(
    spread: Sequence[Spread],
    parts: Split | None,
    found: Sequence[Gain],
    rhythm: Steadiness | None,
    drifts: Sequence[Drift],
    runs: int,
    usual_s: float,
    technique: str,
) -> tuple[tuple[str, ...], int | None]:
    """One or two sentences, and how many more runs would make them surer; None where none are needed."""
    more: int | None
    if parts is None:
        more = LEAST_RUNS + 1 - runs
        return (
            f"{runs} usable run{'s are' if runs != 1 else ' is'} too few to say what to practise: make {more} more "
            "the same way.",
        ), more
    if found:
        first, second = found[0], found[1]
        if first.gain < _LEAST_GAIN:
            return (_nothing_stands_out(first),), None
        lead = _sentence(first, usual_s, technique, rhythm, runs)
        sure, more = first.best_share >= SURE, None
        out = [lead]
        part = next(g for g in found if g.part is not None)
        if first.part is None and part.gain >= _LEAST_GAIN:
            out.append(f"Then practise {_NAMED[part.part or Part.HAND]}: {_DO[part.part or Part.HAND]}.")
        elif not sure and second.gain >= _LEAST_GAIN:
            out.append(
                f"Close behind: {_what(second, technique)} (to {percent(second.odds)}); "
                f"{runs} runs cannot tell which of the two matters more."
            )
            more = runs_more(runs, float(norm.ppf(min(first.best_share, 0.99)))) or _LIKE_RUNS
    else:
        out, more = _by_share(spread, runs)
    return (*out, *_of_drift(drifts))[:2], more


def _by_share(spread: Sequence[Spread], runs: int) -> tuple[list[str], int | None]:
    """Without a target: by the mean share of the variance of temperature and dilution."""
    told = [s for s in spread if s.result in (Result.TEMP_C, Result.DILUTION) and s.parts]
    share = np.mean([[p.share for p in s.parts] for s in told], axis=0)
    low, high = (np.mean([[getattr(p, e) for p in s.parts] for s in told], axis=0) for e in ("low", "high"))
    order = [int(k) for k in np.argsort(-share) if PARTS[int(k)] in _DO]
    first, second = order[0], order[1]
    text = f"Most of the spread ({percent(share[first])}) is {PARTS[first].value}: {_DO[PARTS[first]]}."
    if low[first] > share[second] and high[second] < share[first]:
        return [text], None
    text += f" {PARTS[second].value.capitalize()} is close behind ({percent(share[second])})."
    return [text], max(_LIKE_RUNS - runs, 0) or None


def _nothing_stands_out(first: Gain) -> str:
    return (
        f"No single part stands out: steadying the largest would take the odds from {percent(first.odds_now)} to "
        f"{percent(first.odds)}. Keep doing what you do"
        + ("." if first.odds_now >= 0.8 else ", and widen the target or change the set-up for better odds.")
    )


def _what(g: Gain, technique: str) -> str:
    if g.part is None:
        return f"{technique} for {g.duration_s:.1f} s"
    return _DO[g.part]


def _sentence(g: Gain, usual_s: float, technique: str, rhythm: Steadiness | None, runs: int) -> str:
    rests = f"a gain of {100 * max(g.low, 0.0):.0f} to {100 * g.high:.0f} points, from {runs} runs"
    if g.part is None:
        word = "longer" if (g.duration_s or 0.0) > usual_s else "shorter"
        return (
            f"Aim: {technique} {word}, {g.duration_s:.1f} s instead of {usual_s:.1f} s; "
            f"that alone would take the odds from {percent(g.odds_now)} to {percent(g.odds)} ({rests})."
        )
    text = (
        f"Practise {_NAMED[g.part]}: {_DO[g.part]}; held steady, the odds would go from {percent(g.odds_now)} to "
        f"{percent(g.odds)} ({rests})"
    )
    if g.part is Part.HAND and rhythm is not None and rhythm.between_cv is not None:
        text += f"; your rhythm differs by {percent(rhythm.between_cv)} from run to run"
    return text + "."


_NAMED = {
    Part.WEIGHING: "weighing",
    Part.TIMING: "timing",
    Part.START: "the start",
    Part.ICE: "handling the ice",
    Part.HAND: "the hand",
}
_DRIFTING = {
    "ice_temp_c": ("the ice gets {more} by {size:.2f} K a run", "warmer", "colder"),
    "drink_temp_c": ("the drink starts {more} by {size:.2f} K a run", "warmer", "colder"),
    "vessel_temp_c": ("the vessel gets {more} by {size:.2f} K a run", "warmer", "colder"),
    "duration_s": ("you go on {more} by {size:.2f} s a run", "longer", "shorter"),
    "chill_rate_log": ("runs chill {more} by {percent:.1f} % a run", "faster", "slower"),
}


def _of_drift(drifts: Sequence[Drift]) -> list[str]:
    clear = [d for d in drifts if d.is_clear and d.quantity in _DRIFTING]
    told = []
    for d in clear:
        text, up, down = _DRIFTING[d.quantity]
        told.append(
            text.format(more=up if d.per_run > 0 else down, size=abs(d.per_run), percent=100 * abs(d.per_run))
        )
    return [f"Within a session {' and '.join(told)}."] if told else []


def miss_in_words(r: Rehearsed, k: int, target: Target) -> str:
    """How run `k` missed, and what took it furthest that way."""
    worst, by, side = 0, 0.0, 1
    for result, (low, high) in windows_of(target).items():
        at = RESULTS.index(result)
        sd = float(np.std(r.results[:, at])) or 1.0
        for distance, which in ((low - r.results[k, at], -1), (r.results[k, at] - high, 1)):
            if distance / sd > by:
                worst, by, side = at, distance / sd, which
    missed = RESULTS[worst]
    sd = float(np.std(r.results[:, worst])) or 1.0
    text = f"{ENDS[missed][side > 0].value} by {_SHAPE[missed](by * sd)}"
    made = side * contributions(r, r.departures)[k, :, worst]
    main = int(np.argmax(made))
    if made[main] <= 0.25 * by * sd:
        return text
    return f"{text}, mostly {PARTS[main].value}{_detail(r, k, PARTS[main])}"


def _detail(r: Rehearsed, k: int, part: Part) -> str:
    if part is Part.TIMING:
        return f" ({r.duration_s[k]:.1f} s, usually {r.usual_s:.1f} s)"
    if part is Part.WEIGHING:
        return f" ({r.drink_mass_g[k]:.0f} g, usually {np.median(r.drink_mass_g):.0f} g)"
    return ""


_VARIED = 0.25


def notes_on(
    r: Rehearsed, spread: Sequence[Spread], slips: Sequence[str], aside: Mapping[str, str]
) -> tuple[str, ...]:
    """What to keep in mind."""
    out = []
    if slips:
        out.append(
            f"{', '.join(slips)}: the duration is nowhere near the others'. Counted as made, but left out of the "
            "spread and its parts."
        )
    if aside:
        out.append(f"{len(aside)} run{'s' if len(aside) > 1 else ''} set aside: {', '.join(aside)}.")
    if len(r) > 1 and np.std(r.duration_s) > _VARIED * np.mean(r.duration_s):
        out.append(
            "Durations differ a good deal. Where that was on purpose, the timing part is the plan's, not yours."
        )
    for s in spread[:2]:
        if s.parts and not 0.6 <= s.together <= 1.5:
            how = "partly made up for each other" if s.together < 1 else "added up"
            out.append(f"In {_RESULT_NAMED[s.result]} the parts {how}: they did not vary on their own.")
    if any(f.trace_z is None for f in r.fits):
        out.append("Runs without a trace tell hand and ice apart less well.")
    return tuple(out)


_RESULT_NAMED = {Result.TEMP_C: "temperature", Result.DILUTION: "dilution"}
