"""What to practise, and where a run went wrong, in plain sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.stats import norm

from rig.advice.call.odds import ENDS, RESULTS, Result, windows_of
from rig.advice.rehearsal.parts import (
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
from rig.advice.rehearsal.runs import Rehearsed
from rig.advice.rehearsal.trend import Steadiness
from rig.bench import Target


def percent(share: float) -> str:
    """A share as whole percent."""
    return f"{100.0 * share:.0f} %"


_LEAST_GAIN = 0.03
_LIKE_RUNS = 12
"""Where even many runs would hardly tell parts of like size apart, a first look after so many."""
_MOST_ASKED = 24
"""More runs than this nobody makes to be told the same thing a little surer."""
_DO = {
    Part.WEIGHING: "weigh every drink in to the gram",
    Part.TIMING: "stop by the clock, not by feel",
    Part.START: "bring every drink to the same temperature before the ice, by thermometer",
    Part.ICE: "weigh the ice, and take it from the same place at the same temperature each time",
    Part.HAND: "keep one rhythm and one stroke from the first second to the last",
}
_SHAPE = {
    Result.TEMP_C: lambda x: f"{x:z.1f} K",
    Result.DILUTION: lambda x: f"{100 * x:.1f} % dilution",
    Result.ABV_PCT: lambda x: f"{x:.1f} % vol",
    Result.VOLUME_ML: lambda x: f"{x:.0f} ml",
}


FALSE_ALARMS = (
    "Where nothing changes, at most one page in twenty calls a run odd or a drift clear: half of that is shared by the "
    "charts, half by the drifts."
)
"""How the control charts and the trend hold false alarms down (Bonferroni; Holm)."""


def practise(
    spread: Sequence[Spread],
    parts: Split | None,
    found: Sequence[Gain],
    rhythm: Steadiness | None,
    runs: int,
    usual_s: float,
    technique: str,
    rate: float,
) -> tuple[tuple[str, ...], int | None]:
    """The one sentence, and how many more runs would make it surer; None where none are needed or no few would.

    `rate`: the share of the runs that landed, which every promise is told against.
    """
    if parts is None:
        more = LEAST_RUNS + 1 - runs
        return (
            f"{runs} usable run{'s are' if runs != 1 else ' is'} too few to say what to practise: make {more} more "
            "the same way.",
        ), more
    if not found:
        text, more_needed = _by_share(spread, runs)
        return (text,), _within_reach(more_needed)
    first, second = found[0], found[1]
    if first.gain < _LEAST_GAIN:
        return (_nothing_stands_out(first, rate),), None
    close = first.best_share < SURE and second.gain >= _LEAST_GAIN
    needed = (runs_more(runs, float(norm.ppf(min(first.best_share, 0.99)))) or _LIKE_RUNS) if close else None
    return (
        _sentence(first, second if close else None, usual_s, technique, rhythm, runs, rate),
    ), _within_reach(needed)


def _within_reach(more: int | None) -> int | None:
    return more if more is not None and more <= _MOST_ASKED else None


def _by_share(spread: Sequence[Spread], runs: int) -> tuple[str, int | None]:
    """Without a target: by the mean share of the variance of temperature and dilution."""
    told = [s for s in spread if s.result in (Result.TEMP_C, Result.DILUTION) and s.parts]
    share = np.mean([[p.share for p in s.parts] for s in told], axis=0)
    low, high = (np.mean([[getattr(p, e) for p in s.parts] for s in told], axis=0) for e in ("low", "high"))
    order = [int(k) for k in np.argsort(-share) if PARTS[int(k)] in _DO]
    first, second = order[0], order[1]
    text = f"Most of the spread ({percent(share[first])}) is {PARTS[first].value}: {_DO[PARTS[first]]}"
    if low[first] > share[second] and high[second] < share[first]:
        return f"{text}.", None
    text += f"; {PARTS[second].value} may matter as much ({percent(share[second])})."
    return text, max(_LIKE_RUNS - runs, 0) or None


def more_of_hundred(odds: float, rate: float) -> str:
    """How many more of a hundred drinks would land at these odds than do."""
    count = round(100.0 * (odds - rate))
    return f"{count} more of 100" if count > 0 else "hardly one more of 100"


def _nothing_stands_out(first: Gain, rate: float) -> str:
    return (
        f"No single part stands out: steadying the largest would land {more_of_hundred(first.odds, rate)}; keep doing "
        "what you do" + ("." if rate >= 0.8 else ", and widen the target or change the set-up to land more.")
    )


def _sentence(
    g: Gain,
    close: Gain | None,
    usual_s: float,
    technique: str,
    rhythm: Steadiness | None,
    runs: int,
    rate: float,
) -> str:
    low, high = (max(min(g.odds_now + gain, 1.0) - rate, 0.0) for gain in (g.low, g.high))
    if g.part is None:
        word = "longer" if (g.duration_s or 0.0) > usual_s else "shorter"
        text = f"Aim: {technique} {word}, {g.duration_s:.1f} s instead of {usual_s:.1f} s"
    else:
        text = f"Practise {_NAMED[g.part]}: {_DO[g.part]}"
        if g.part is Part.HAND and rhythm is not None and rhythm.between_cv is not None:
            text += f" (your rhythm differs by {percent(rhythm.between_cv)} from run to run)"
    text += f"; that would land {more_of_hundred(g.odds, rate)} ({100 * low:.0f} to {100 * high:.0f}, from {runs} runs)"
    if close is not None:
        other = f"going for {close.duration_s:.1f} s" if close.part is None else _NAMED[close.part]
        text += f", though {other} may matter as much"
    return text + "."


_NAMED = {
    Part.WEIGHING: "weighing",
    Part.TIMING: "timing",
    Part.START: "the start",
    Part.ICE: "handling the ice",
    Part.HAND: "the hand",
}


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
    if r.is_planned:
        out.append(
            f"The durations, {r.plan_s.min():.0f} to {r.plan_s.max():.0f} s, are taken for a planned series: spread, "
            f"charts and what to practise are told as if every run had been meant to last {r.usual_s:.0f} s; what "
            "landed is told as it was made."
        )
    for s in spread[:2]:
        if s.parts and not 0.6 <= s.together <= 1.5:
            how = "partly made up for each other" if s.together < 1 else "added up"
            out.append(f"In {_RESULT_NAMED[s.result]} the parts {how}: they did not vary on their own.")
    if any(f.trace_z is None for f in r.fits):
        out.append("Runs without a trace tell hand and ice apart less well.")
    return tuple(out)


_RESULT_NAMED = {Result.TEMP_C: "temperature", Result.DILUTION: "dilution"}
