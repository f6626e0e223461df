"""Rehearsal: how often a drink lands, why it does not, and what to practise."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.advice.call.calling import air_for, landing
from rig.advice.call.odds import RESULTS, lands, windows_of
from rig.advice.call.texture import overrun_of
from rig.advice.evidence.hit_rate import HitRate, IntervalKind, hit_rate
from rig.advice.evidence.statistics import Repeatability, repeatability
from rig.advice.rehearsal.by_feel import ByFeel, by_feel
from rig.advice.rehearsal.control_chart import FALSE_ALARM, ControlChart, control_chart
from rig.advice.rehearsal.control_chart import LEAST_RUNS as LEAST_FOR_CHART
from rig.advice.rehearsal.parts import LEAST_RUNS, Gain, Split, Spread, gains, split, spreads
from rig.advice.rehearsal.runs import Rehearsed, rehearsed
from rig.advice.rehearsal.series import as_if_no_plan, planned_s
from rig.advice.rehearsal.texture import notes_on_air, with_texture
from rig.advice.rehearsal.trend import Drift, Steadiness, drifts, steadiness
from rig.advice.rehearsal.words import miss_in_words, notes_on, practise
from rig.arrays import BoolArray, FloatArray
from rig.bench import Target
from rig.errors import NotEnoughData, NotFound
from rig.fitting.prediction import Basis, predict
from rig.fitting.priors import P
from rig.fitting.result import Fit, Verdict
from rig.runs import Run, SetUp

_SLIP = 6.0
_LEAST_SCALE_S = 0.5


@dataclass(frozen=True)
class PractisedRun:
    """One run of a rehearsal.

    `landed` None without a target. `room`: how far inside the target (negative: outside), in standard
    deviations of these runs, by its tightest limit. `why`: where it went wrong, empty where it did not.
    `overrun_pct`: of its foam, None where that was not read.
    """

    run: str
    session: str | None
    duration_s: float
    temp_c: float
    dilution_by_volume: float
    landed: bool | None
    room: float | None
    why: str
    overrun_pct: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "run": self.run,
            "session": self.session,
            "duration_s": round(self.duration_s, 2),
            "temp_c": round(self.temp_c, 3),
            "dilution_by_volume": round(self.dilution_by_volume, 4),
            "overrun_pct": None if self.overrun_pct is None else round(self.overrun_pct, 1),
            "landed": self.landed,
            "room": None if self.room is None else round(self.room, 3),
            "why": self.why,
        }


@dataclass(frozen=True)
class SessionSummary:
    """One session: its sound runs, how many landed, and the spread of those that were no slip."""

    session: str | None
    runs: int
    hits: int | None
    temp_sd_k: float | None
    dilution_sd: float | None

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "session": self.session,
            "runs": self.runs,
            "hits": self.hits,
            "temp_sd_k": None if self.temp_sd_k is None else round(self.temp_sd_k, 3),
            "dilution_sd": None if self.dilution_sd is None else round(self.dilution_sd, 5),
        }


@dataclass(frozen=True, eq=False)
class Practice:
    """What a rehearsal shows.

    `set_aside`: runs that count for nothing, with the reason; `slips`: runs that count as made but are too
    unlike the others to say anything of the usual spread. `foretold`: odds of such runs by the fit.
    `between_sessions`: ISO 5725-2 split of each result, where there are two sessions or more. `planned_s`: the
    durations of a series that was planned so, None where one duration was meant; spread, charts, drifts and gains are
    then told as if every run had been meant to last the usual time. `by_feel`: the blind ones against the guided.
    """

    set_up: SetUp
    recipe: str
    target: Target | None
    runs: tuple[PractisedRun, ...]
    set_aside: Mapping[str, str]
    slips: tuple[str, ...]
    sessions: tuple[SessionSummary, ...]
    capability: HitRate | None
    foretold: float | None
    spreads: tuple[Spread, ...]
    gains: tuple[Gain, ...]
    charts: tuple[ControlChart, ...]
    drifts: tuple[Drift, ...]
    cadence: Steadiness | None
    between_sessions: Mapping[str, Repeatability]
    best: str | None
    worst: str | None
    practise: tuple[str, ...]
    more_runs: int | None
    by_feel: ByFeel | None
    notes: tuple[str, ...]
    planned_s: tuple[float, ...] | None
    basis: Basis

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names; what `rehearse --json` prints."""
        return {
            "technique": self.set_up.technique,
            "vessel": self.set_up.vessel,
            "ice": self.set_up.ice,
            "recipe": self.recipe,
            "target": None if self.target is None else self.target.name,
            "runs": [r.to_dict() for r in self.runs],
            "set_aside": dict(self.set_aside),
            "slips": list(self.slips),
            "sessions": [s.to_dict() for s in self.sessions],
            "capability": None if self.capability is None else self.capability.to_dict(),
            "foretold_odds": None if self.foretold is None else round(self.foretold, 4),
            "spreads": [s.to_dict() for s in self.spreads],
            "gains": [g.to_dict() for g in self.gains],
            "charts": [c.to_dict() for c in self.charts],
            "drifts": [d.to_dict() for d in self.drifts],
            "cadence": None if self.cadence is None else self.cadence.to_dict(),
            "between_sessions": {
                name: {
                    "repeatability_sd": round(found.repeatability_sd, 5),
                    "between_sd": round(found.between_sd, 5),
                    "reproducibility_sd": round(found.reproducibility_sd, 5),
                    "p_value": round(found.p_value, 4),
                }
                for name, found in self.between_sessions.items()
            },
            "best": self.best,
            "worst": self.worst,
            "practise": list(self.practise),
            "more_runs": self.more_runs,
            "by_feel": None if self.by_feel is None else self.by_feel.to_dict(),
            "notes": list(self.notes),
            "planned_s": None if self.planned_s is None else list(self.planned_s),
            "basis": {"runs": self.basis.runs, "kind": self.basis.kind.value},
        }


def rehearse(
    fit: Fit,
    *,
    set_up: SetUp | None = None,
    recipe: str | None = None,
    sessions: Sequence[str | None] | None = None,
    operator: str | None = None,
    target: Target | None = None,
    interval: IntervalKind = IntervalKind.WILSON,
) -> Practice:
    """Judge runs of one drink on one set-up against a target.

    Parameters
    ----------
    set_up, recipe
        The ones with most runs among those chosen unless given.
    sessions, operator
        Only these runs; the session None is that of runs which name none.
    target
        Without one nothing lands or misses; spread, charts and drifts are told all the same.

    Raises
    ------
    NotFound
        A session, operator or recipe that has no run.
    NotEnoughData
        No sound run among those chosen.
    """
    chosen, set_up, recipe = _chosen(fit, set_up, recipe, sessions, operator)
    aside = {
        f.run: "; ".join(f.reasons) or f.verdict.value
        for f in fit.runs
        if f.run in {r.run for r in chosen} and f.verdict is not Verdict.GOOD
    }
    everyone = rehearsed(fit, chosen)
    planned = planned_s(everyone.duration_s)
    if planned is not None:
        everyone = replace(everyone, plan_s=planned)
    usual = ~_slips(everyone)
    usual_rows = np.flatnonzero(usual)
    # a plan of several durations is no spread of anybody's: what it does is taken out of all that follows
    level = as_if_no_plan(everyone)
    steady = level.take(usual_rows.tolist())
    parts = split(steady) if len(steady) >= LEAST_RUNS else None
    found = gains(steady, parts, target) if parts is not None and target is not None else ()
    spread = spreads(steady, parts)
    overruns = [overrun_of(fit, r) for r in everyone.runs]
    runs = tuple(_practised(everyone, k, target, spread, overruns) for k in range(len(everyone)))
    known = [r.landed for r in runs if r.landed is not None]
    hits = sum(known)
    rhythm = steadiness(everyone.runs, everyone.duration_s, everyone.departures[:, P.RATE])
    ranked = sorted((r for r in runs if r.room is not None), key=lambda r: r.room or 0.0)
    slips = tuple(r.run for k, r in enumerate(runs) if k not in usual_rows)
    words, more = practise(
        spread, parts, found, rhythm, len(steady), steady.usual_s, set_up.technique, hits / max(len(known), 1)
    )
    return Practice(
        set_up=set_up,
        recipe=recipe,
        target=target,
        runs=runs,
        set_aside=aside,
        slips=slips,
        sessions=_sessions(runs, slips),
        capability=hit_rate(hits, len(known), interval=interval) if known else None,
        foretold=None if target is None else _foretold(fit, steady, target),
        spreads=spread,
        gains=found,
        charts=_charts(level, usual, rhythm, overruns),
        drifts=_drifts(steady),
        cadence=rhythm,
        between_sessions=_between_sessions(steady),
        best=ranked[-1].run if ranked else None,
        worst=ranked[0].run if ranked else None,
        practise=words,
        more_runs=more,
        by_feel=by_feel(fit, everyone.runs, None if target is None else {r.run: r.landed for r in runs}),
        notes=(*notes_on(steady, spread, slips, aside), *notes_on_air(target, overruns)),
        planned_s=None if planned is None else tuple(sorted(set(np.round(planned, 1).tolist()))),
        basis=steady.usual.basis,
    )


def _chosen(
    fit: Fit,
    set_up: SetUp | None,
    recipe: str | None,
    sessions: Sequence[str | None] | None,
    operator: str | None,
) -> tuple[list[Run], SetUp, str]:
    runs = list(fit.book.used_runs())
    asked: tuple[tuple[str, Sequence[str | None] | None], ...] = (
        ("session", sessions),
        ("operator", None if operator is None else [operator]),
    )
    for kind, wanted in asked:
        if wanted is not None:
            there = {v for r in runs if (v := getattr(r, kind)) is not None}
            for name in wanted:
                if name is not None and name not in there:
                    raise NotFound(kind, name, sorted(there))
            runs = [r for r in runs if getattr(r, kind) in wanted]
    if recipe is not None:
        fit.bench.recipe(recipe)
        runs = [r for r in runs if r.recipe == recipe]
    if set_up is not None:
        runs = [r for r in runs if r.set_up == set_up]
    counts: dict[tuple[SetUp, str], int] = {}
    for r in runs:
        counts[r.set_up, r.recipe] = counts.get((r.set_up, r.recipe), 0) + 1
    if not counts:
        raise NotEnoughData("no run is among those asked for. Make six runs of the drink, or ask for others")
    most = max(counts, key=lambda key: counts[key])
    return [r for r in runs if (r.set_up, r.recipe) == most], *most


def _slips(r: Rehearsed) -> np.ndarray:
    """Runs whose duration is nowhere near the others' or the plan's: a slip, not the usual scatter."""
    away = np.abs(r.duration_s - r.plan_s)
    scale = max(1.4826 * float(np.median(away)), _LEAST_SCALE_S)
    return np.asarray(away > _SLIP * scale)


def _practised(
    r: Rehearsed,
    k: int,
    target: Target | None,
    spread: Sequence[Spread],
    overruns: Sequence[float | None],
) -> PractisedRun:
    landed, room, why = None, None, ""
    if target is not None:
        landed, rooms = bool(lands(r.results[k], target)), list[float]()
        for result, (low, high) in windows_of(target).items():
            at = RESULTS.index(result)
            sd = spread[at].sd
            value, scale = r.results[k, at], sd if np.isfinite(sd) and sd > 0 else 1.0
            rooms += [(value - low) / scale, (high - value) / scale]
        why = "" if landed else miss_in_words(r, k, target)
        landed, air_room, air_why = with_texture(landed, target, overruns[k], overruns)
        rooms += air_room
        room = float(min(rooms)) if rooms else None
        why = "; ".join(text for text in (why, air_why) if text)
    return PractisedRun(
        run=r.runs[k].run,
        session=r.runs[k].session,
        duration_s=float(r.duration_s[k]),
        temp_c=float(r.results[k, 0]),
        dilution_by_volume=float(r.results[k, 1]),
        landed=landed,
        room=room,
        why=why,
        overrun_pct=overruns[k],
    )


def _sessions(runs: Sequence[PractisedRun], slips: Sequence[str]) -> tuple[SessionSummary, ...]:
    out = []
    for name in dict.fromkeys(r.session for r in runs):
        mine = [r for r in runs if r.session == name]
        usual = [r for r in mine if r.run not in slips]
        tells = len(usual) > 1
        out.append(
            SessionSummary(
                session=name,
                runs=len(mine),
                hits=None if all(r.landed is None for r in mine) else sum(bool(r.landed) for r in mine),
                temp_sd_k=float(np.std([r.temp_c for r in usual], ddof=1)) if tells else None,
                dilution_sd=float(np.std([r.dilution_by_volume for r in usual], ddof=1)) if tells else None,
            )
        )
    return tuple(out)


def _foretold(fit: Fit, r: Rehearsed, target: Target) -> float | None:
    """Odds by the fit of runs like these, at their durations, from their usual start; None where none can be told."""
    times, count = np.unique(r.duration_s, return_counts=True)
    try:
        curve = landing(
            predict(fit, r.usual.situation, times), target, air_for(fit, r.usual.situation, target)
        ).curve
    except NotEnoughData:
        return None
    return float(np.average(curve.odds, weights=count))


_CHARTED: dict[str, Callable[[Rehearsed], FloatArray]] = {
    "temp_c": lambda r: r.results[:, 0],
    "dilution_by_volume": lambda r: r.results[:, 1],
    "duration_s": lambda r: r.duration_s,
    "chill_rate_log": lambda r: r.departures[:, P.RATE],
}


def _charted(r: Rehearsed) -> dict[str, FloatArray]:
    """What is looked at run by run; a planned duration is nobody's scatter."""
    return {n: values(r) for n, values in _CHARTED.items() if n != "duration_s" or not r.is_planned}


def _charts(
    r: Rehearsed, usual: BoolArray, rhythm: Steadiness | None, overruns: Sequence[float | None]
) -> tuple[ControlChart, ...]:
    """Slips are shown, but the limits come from the other runs; all charts share one false alarm."""
    if usual.sum() < LEAST_FOR_CHART:
        return ()
    row = {name: (r.names, values, usual) for name, values in _charted(r).items()}
    if rhythm is not None and len(rhythm.runs) >= LEAST_FOR_CHART:
        hz = np.array([c.mean_hz for c in rhythm.runs])
        row["cadence_hz"] = tuple(c.run for c in rhythm.runs), hz, np.ones(hz.size, dtype=bool)
    foamed = [(name, pct) for name, pct in zip(r.names, overruns, strict=True) if pct is not None]
    if len(foamed) >= LEAST_FOR_CHART:
        names, pct = zip(*foamed, strict=True)
        row["overrun_pct"] = names, np.array(pct), np.ones(len(pct), dtype=bool)
    return charts_of(row)


def charts_of(
    row: Mapping[str, tuple[Sequence[str], FloatArray, BoolArray]],
) -> tuple[ControlChart, ...]:
    """One chart a quantity from its runs, values and which runs its limits come from; one false alarm for all."""
    return tuple(
        control_chart(name, runs, values, limits_from=usual, false_alarm=FALSE_ALARM / len(row))
        for name, (runs, values, usual) in row.items()
    )


def _drifts(r: Rehearsed) -> tuple[Drift, ...]:
    def stated(name: str) -> FloatArray:
        return np.array([np.nan if (v := getattr(x, name)) is None else v for x in r.runs])

    quantities = {
        **_charted(r),
        "drink_temp_c": stated("drink_temp_c"),
        "ice_temp_c": stated("ice_temp_c"),
        "vessel_temp_c": stated("vessel_temp_c"),
    }
    return drifts(quantities, [x.session for x in r.runs])


def _between_sessions(r: Rehearsed) -> dict[str, Repeatability]:
    sessions = [x.session for x in r.runs]
    names = list(dict.fromkeys(sessions))
    out = {}
    for k, result in enumerate(RESULTS[:2]):
        groups = [r.as_read[[s == name for s in sessions], k] for name in names]
        if len(groups) > 1 and max(len(g) for g in groups) > 1:
            out[result.value] = repeatability(groups)
    return out


__all__ = ["Practice", "PractisedRun", "Split", "rehearse"]
