"""Ices, vessels, techniques or recipes ranked for one target, all else held, with how sure the order is.

Every alternative gets the very call that `advise` gives it. How well it is known, and whether one is better than
another, comes from joint draws: the bench is drawn again and again from the fit, in each draw all alternatives are
made many times, and who does better is counted within the draw, so that what they share cancels.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.advice.call.assumed import SPREAD_OF, Filled
from rig.advice.call.calling import Call, air_for, answerable, call_at, landing, predict_drink
from rig.advice.call.joint_draws import JointDraws, joint_draws
from rig.advice.call.odds import OddsCurve, odds_curve
from rig.advice.call.search import Span, best_moment, run_span_s, widened
from rig.advice.compare.rank_words import sentences
from rig.advice.compare.ranking import SURE, Beats, Interval, Ranked, Ranking
from rig.arrays import FloatArray
from rig.bench import Bench, Target
from rig.errors import ModelRangeError, NotEnoughData
from rig.fitting.prediction import BasisKind, Prediction
from rig.fitting.result import Fit
from rig.fitting.situation import Situation

BENCHES, RUNS_EACH = 64, 64
HARDLY = 0.01
"""Odds below this are as good as none."""
_TIMES = 28
"""Durations at which odds are looked at in every draw, from shortest to longest that will nearly do."""
VARIED = ("ice", "vessel", "technique", "recipe")
_HELD = ("drink_temp_c", "ice_temp_c", "ice_mass_g", "vessel_temp_c", "room_temp_c")
_OF = {
    "ice": ("ice_temp_c", "ice_mass_g"),
    "vessel": ("vessel_temp_c",),
    "technique": ("vessel_temp_c", "ice_mass_g"),
    "recipe": ("drink_temp_c",),
}
"""What belongs to what is varied, and so is as usual for each alternative unless asked."""


def rank(
    fit: Fit,
    *,
    target: Target,
    vary: str = "ice",
    technique: str | None = None,
    vessel: str | None = None,
    ice: str | None = None,
    recipe: str | None = None,
    among: Sequence[str] | None = None,
    drinks_a_night: float | None = None,
    drink_temp_c: float | None = None,
    drink_mass_g: float | None = None,
    ice_mass_g: float | None = None,
    ice_temp_c: float | None = None,
    vessel_temp_c: float | None = None,
    room_temp_c: float | None = None,
) -> Ranking:
    """Rank alternatives to one part of a drink for a target.

    What is left open is filled as for `advise`, and held alike for all but for what belongs to the part that varies:
    an ice has its own usual temperature and mass.

    Parameters
    ----------
    vary
        `ice`, `vessel`, `technique` or `recipe`; the other three must be named.
    among
        Names of alternatives; all that have a run unless given.
    drinks_a_night
        For the cost of ice a night.

    Raises
    ------
    NotFound, ModelRangeError
        A name that is not on the bench or not given; a value that cannot be meant.
    NotEnoughData
        Fewer than two alternatives.
    """
    said = {"technique": technique, "vessel": vessel, "ice": ice, "recipe": recipe}
    if vary not in VARIED:
        raise ModelRangeError(f"vary is one of {', '.join(VARIED)}, found {vary!r}")
    if drinks_a_night is not None and not 0.0 < drinks_a_night <= 1e5:
        raise ModelRangeError(f"drinks a night must be above 0, found {drinks_a_night:g}")
    missing = [part for part, name in said.items() if part != vary and name is None]
    if missing:
        raise ModelRangeError(f"what is held must be named: {', '.join(missing)}")
    names = alternatives(fit, technique, vary, among)
    named = {part: name or "" for part, name in said.items()} | {vary: names[0] if names else ""}
    asked = Situation(
        named["technique"],
        named["vessel"],
        named["ice"],
        named["recipe"],
        drink_temp_c=drink_temp_c,
        drink_mass_g=drink_mass_g,
        ice_mass_g=ice_mass_g,
        ice_temp_c=ice_temp_c,
        vessel_temp_c=vessel_temp_c,
        room_temp_c=room_temp_c,
    )
    held = _held(fit, asked, vary, names)
    able: list[tuple[str, Call, Prediction]] = []
    left_out: list[tuple[str, str]] = []
    for name in names:
        situation = _with(held, vary, name)
        try:
            drink = predict_drink(fit, situation)
            curve = landing(drink.prediction, target, air_for(fit, situation, target)).curve
            able.append((name, call_at(drink, target, curve), drink.prediction))
        except (ModelRangeError, NotEnoughData) as error:
            left_out.append((name, str(error)))
    if len(able) < 2:
        refusal = (
            f"Nothing to rank: here this drink can be made with {'one' if able else 'no'} {vary}, of two at least.",
            *(why for _, why in left_out),
            f"Rank another part, or make runs with another {vary}.",
        )
        raise NotEnoughData(" ".join(refusal))
    times = [_looked_at(call, p) for _, call, p in able]
    drawn = joint_draws(fit, [c.situation for _, c, _ in able], times, BENCHES, RUNS_EACH)
    seen = [
        _seen(fit, call, t, k, drawn, target)
        for k, ((_, call, _), t) in enumerate(zip(able, times, strict=True))
    ]
    order = sorted(range(len(able)), key=lambda k: -able[k][1].odds)
    ranked = tuple(_ranked(fit.bench, able[k][0], able[k][1], seen[k], drinks_a_night) for k in order)
    pairs = tuple(
        _beats(fit, [able[a][1], able[b][1]], [able[a][0], able[b][0]], [seen[a].odds, seen[b].odds])
        for i, a in enumerate(order)
        for b in order[i + 1 :]
    )
    notes = _notes(fit.bench, held, ranked, drinks_a_night)
    found = Ranking(vary, target, held, ranked, pairs, tuple(left_out), drinks_a_night, notes)
    return replace(found, sentences=sentences(found))


def alternatives(
    fit: Fit, technique: str | None, vary: str, among: Sequence[str] | None = None
) -> tuple[str, ...]:
    """Names to rank: those asked for, or those with a run, on the same technique where there are two such."""
    if among is not None:
        look_up: dict[str, Callable[[str], object]] = {
            "ice": fit.bench.ice_type,
            "vessel": fit.bench.vessel,
            "recipe": fit.bench.recipe,
            "technique": lambda name: name,
        }
        for name in among:
            look_up[vary](name)
        return tuple(dict.fromkeys(among))
    made = [(s, r) for s, r in sorted(fit.measured)]
    alike = [(s, r) for s, r in made if vary == "technique" or s.technique == technique]
    named = [r if vary == "recipe" else str(getattr(s, vary)) for s, r in alike or made]
    return tuple(dict.fromkeys(named))


def _held(fit: Fit, asked: Situation, vary: str, names: Sequence[str]) -> Situation:
    """The question with everything held alike for all alternatives but what belongs to each: their middle values.

    Each is as unsure as it usually is, as in a call that nobody has stated it for.
    """
    each = [answerable(fit, _with(asked, vary, name)) for name in names]
    held: dict[str, Any] = {}
    for name in _HELD:
        if (
            name not in _OF[vary]
            and getattr(asked, name) is None
            and len({_value(f, name) for f in each}) > 1
        ):
            held[name] = round(float(np.median([_value(f, name) for f in each])), 1)
            if name in SPREAD_OF:
                held[SPREAD_OF[name]] = float(np.median([_value(f, SPREAD_OF[name]) for f in each]))
    return replace(asked, **held)


def _with(drink: Situation, part: str, name: str) -> Situation:
    """The drink with another of one part."""
    changed: dict[str, Any] = {part: name}
    return replace(drink, **changed)


def _value(filled: Filled, name: str) -> float:
    return float(getattr(filled.situation, name))


def _looked_at(call: Call, p: Prediction) -> FloatArray:
    """Durations around the call at which a draw's own best may lie, and the called one among them, rising."""
    low, high = call.window_s
    first, last = max(float(p.duration_s[0]), 0.5 * low), min(float(p.duration_s[-1]), 1.6 * high)
    return np.unique([*np.linspace(first, max(last, first + 0.25), _TIMES), call.duration_s])


@dataclass(frozen=True, eq=False)
class _Seen:
    """What the draws of the bench say of one alternative, (benches,) each."""

    odds: FloatArray
    duration_s: FloatArray
    temp_c: FloatArray
    dilution_by_volume: FloatArray


def _seen(fit: Fit, call: Call, times: FloatArray, k: int, drawn: JointDraws, target: Target) -> _Seen:
    span_s = run_span_s(fit, call.asked)
    p = widened(drawn.predictions[k], span_s)
    at = int(np.argmin(np.abs(times - call.duration_s)))
    temp, water = drawn.by_bench(p.temp_c), drawn.by_bench(p.dilution_by_volume)
    curves = [odds_curve(_bench(p, drawn, b), target) for b in range(drawn.benches)]
    # air is known apart from cold and water: its share of the odds is the call's
    plain = np.mean([c.odds[at] for c in curves])
    air = call.odds / plain if target.overrun_window is not None and plain > 0.0 else 1.0
    return _Seen(
        odds=np.clip(air * np.array([c.odds[at] for c in curves]), 0.0, 1.0),
        duration_s=np.array([_best(times, c, call.duration_s, span_s) for c in curves]),
        temp_c=temp[:, :, at].mean(axis=1),
        dilution_by_volume=water[:, :, at].mean(axis=1),
    )


def _bench(p: Prediction, drawn: JointDraws, b: int) -> Prediction:
    mine = slice(b * drawn.runs, (b + 1) * drawn.runs)
    return replace(
        p,
        temp_c=p.temp_c[mine],
        added_g=p.added_g[mine],
        dilution_by_volume=p.dilution_by_volume[mine],
        held_back_g=p.held_back_g[mine],
    )


def _best(times: FloatArray, curve: OddsCurve, otherwise: float, span_s: Span | None) -> float:
    return best_moment(times, curve, span_s).duration_s if curve.odds.max() > 0.0 else otherwise


def _ranked(bench: Bench, name: str, call: Call, seen: _Seen, drinks: float | None) -> Ranked:
    ice = call.filled.assumed["ice_mass_g"]
    ice_g = tuple(max(ice.value + z * ice.std, 0.0) for z in (-1.645, 0.0, 1.645))
    price_per_kg = bench.ice_type(call.situation.ice).price_per_kg
    poured = bench.recipe(call.situation.recipe).price
    of_ice = None if price_per_kg is None else tuple(price_per_kg * g / 1000.0 for g in ice_g)
    return Ranked(
        name=name,
        call=call,
        odds=_percentiles(seen.odds),
        duration_s=_percentiles(seen.duration_s),
        temp_c=_percentiles(seen.temp_c),
        dilution_by_volume=_percentiles(seen.dilution_by_volume),
        ice_g=_three(ice_g),
        cost=None if of_ice is None or poured is None else _three([poured + c for c in of_ice]),
        ice_cost_a_night=None if of_ice is None or drinks is None else _three(_a_night(of_ice, drinks)),
    )


def _a_night(of_ice: Sequence[float], drinks: float) -> list[float]:
    """Drinks average out how much ice each gets."""
    return [drinks * of_ice[1] + np.sqrt(drinks) * (c - of_ice[1]) for c in of_ice]


def _three(values: Sequence[float]) -> Interval:
    low, middle, high = (float(v) for v in values)
    return low, middle, high


def _percentiles(draws: FloatArray) -> Interval:
    return _three(np.percentile(draws, [5.0, 50.0, 95.0]).tolist())


def _beats(fit: Fit, calls: Sequence[Call], names: Sequence[str], odds: Sequence[FloatArray]) -> Beats:
    apart = odds[0] - odds[1]
    share = float(np.mean(apart > 0.0) + 0.5 * np.mean(apart == 0.0))
    first = 0 if share >= 0.5 else 1
    wide = int(np.argmax([o.std() for o in odds]))
    sure = max(share, 1.0 - share)
    return Beats(
        better=names[first],
        worse=names[1 - first],
        probability=sure,
        less_known=names[wide],
        neither=max(c.odds for c in calls) < HARDLY,
        more_runs=None if sure >= SURE else _more_runs(apart, calls[wide].basis.runs),
    )


MOST_MORE = 60


def _more_runs(apart: FloatArray, runs: int) -> int | None:
    """How many more runs of the less known would, by how spreads shrink with runs, tell two apart of this difference.

    As if its runs so far, one at least, were what its spread rests on; None beyond what anyone would make.
    """
    middle, spread = float(np.abs(np.mean(apart))), float(np.std(apart))
    if middle <= 0.0 or spread <= 0.0:
        return None
    wanted = (1.645 * spread / middle) ** 2
    more = int(np.ceil(max(runs, 1) * (wanted - 1.0)))
    return max(more, 1) if more <= MOST_MORE else None


_SAID = (
    ("drink_temp_c", "drink at", "°C"),
    ("ice_temp_c", "ice at", "°C"),
    ("ice_mass_g", "ice", "g"),
    ("vessel_temp_c", "vessel at", "°C"),
    ("room_temp_c", "room at", "°C"),
)


def _notes(bench: Bench, held: Situation, ranked: Sequence[Ranked], drinks: float | None) -> tuple[str, ...]:
    out = [
        "Odds, time and the drink at each one's own best time; ranges are 90 % of what the runs leave open of the "
        "average, ice as it usually scatters.",
    ]
    if alike := [
        f"{words} {value:.1f} {unit}"
        for name, words, unit in _SAID
        if (value := getattr(held, name)) is not None
    ]:
        out.append(f"Alike for all: {', '.join(alike)}.")
    if any(r.call.basis.kind is not BasisKind.MEASURED for r in ranked):
        out.append(
            "What was never measured is carried over from other set-ups; two runs of it would firm it up."
        )
    if missing := _without_price(bench, ranked, asked=drinks is not None):
        out.append(f"No cost where a price is missing in bench.toml: {'; '.join(missing)}.")
    return tuple(out)


def _without_price(bench: Bench, ranked: Sequence[Ranked], *, asked: bool) -> list[str]:
    """What lacks a price, where anything has one or a cost was asked for."""
    ices = sorted({r.call.situation.ice for r in ranked})
    poured = {i.name: i.price for r in ranked for i in bench.recipe(r.call.situation.recipe).ingredients}
    ice_prices = {name: bench.ice_type(name).price_per_kg for name in ices}
    if not asked and all(p is None for p in (*poured.values(), *ice_prices.values())):
        return []
    return [
        *(
            f"price_per_l or price_per_kg of {name}"
            for name, price in sorted(poured.items())
            if price is None
        ),
        *(f"price_per_kg of the ice {name}" for name, price in ice_prices.items() if price is None),
    ]
