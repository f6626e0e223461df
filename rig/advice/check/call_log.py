"""Calls made are kept in the logbook, and scored when their run comes in.

A run scores the latest call before it for its set-up and recipe (and for its target, where one is noted) whose
question it answers: it lasted about as long as was called, from about the same start on about as much ice. It must
have come into the logbook after the call was made, so that nothing the call rests on scores it. Many runs may
score one call. Landed is by measurement, as in `landed`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

import numpy as np

from rig.advice.call.call import Advice
from rig.advice.check.landed import landed
from rig.advice.check.left_out import LeftOut
from rig.advice.check.reliability import Reliability, score
from rig.advice.live.live import LiveCall
from rig.arrays import FloatArray
from rig.bench import Target
from rig.errors import RigError
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.logbook.calls import CallMade, KeptCall, arrivals, calls_made, keep_call
from rig.logbook.store import Logbook
from rig.runs import Run, RunBook

NEAR_S = 0.5
"""A run that stopped so much outside the durations that will do still followed the call: as a clock is read."""
NEAR_TEMP_K, NEAR_MASS_SHARE = 6.0, 0.3
"""How far the start and the ice may lie from what was asked about, as for what counts as measured."""


class AskedFrom(StrEnum):
    """Where a call was asked for."""

    ADVISE = "advise"
    SHAKE_TIME = "Shake time"
    LIVE = "Live"
    RECORD = "record"


@dataclass(frozen=True)
class ScoredCall:
    """A call and a run that followed it; `landed` None where the run does not tell."""

    call: CallMade
    run: str
    duration_s: float
    landed: bool | None

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        return {
            "run": self.run,
            "asked_at": self.call.asked_at.isoformat(),
            "asked_from": self.call.asked_from,
            "called_s": round(self.call.duration_s, 2),
            "odds_said": round(self.call.odds, 4),
            "duration_s": round(self.duration_s, 2),
            "landed": self.landed,
        }


@dataclass(frozen=True)
class ScoredCalls:
    """The runs that followed calls, in the order they came in; `kept`: how many calls the logbook keeps."""

    kept: int
    scored: tuple[ScoredCall, ...]

    @property
    def said(self) -> FloatArray:
        """Odds said, (scored,)."""
        return np.array([s.call.odds for s in self.scored])

    @property
    def landed(self) -> FloatArray:
        """1 landed, 0 missed, NaN unknown; (scored,)."""
        return np.array([np.nan if s.landed is None else float(s.landed) for s in self.scored])

    @property
    def score(self) -> Reliability | None:
        """How what was said compares with what happened; None where no run tells yet."""
        return score(self.said, self.landed)

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        found = self.score
        return {
            "kept": self.kept,
            "score": None if found is None else found.to_dict(),
            "followed": [s.to_dict() for s in self.scored],
        }


NO_CALLS = ScoredCalls(0, ())


def call_of_advice(advice: Advice, fit: Fit, asked_from: AskedFrom, asked_at: datetime) -> CallMade:
    """What is kept of a call."""
    return _call(
        advice.situation,
        advice.target,
        (advice.duration_s, advice.window_s, advice.odds, advice.basis.kind.value),
        fit,
        asked_from,
        asked_at,
    )


def call_of_live(call: LiveCall, fit: Fit, asked_from: AskedFrom, asked_at: datetime) -> CallMade | None:
    """What is kept of a live call as it stood before the start; None where it had no target."""
    before = call.before
    if before is None or call.target is None:
        return None
    answer = before.duration_s, before.window_s, before.odds, before.basis.kind.value
    return _call(call.rehearsal.prediction.situation, call.target, answer, fit, asked_from, asked_at)


def _call(
    situation: Situation,
    target: Target,
    answer: tuple[float, tuple[float, float], float, str],
    fit: Fit,
    asked_from: AskedFrom,
    asked_at: datetime,
) -> CallMade:
    duration_s, window_s, odds, basis = answer
    conditions = {k: float(v) for k, v in situation.asked.items() if isinstance(v, int | float)}
    return CallMade(
        technique=situation.technique,
        vessel=situation.vessel,
        ice=situation.ice,
        recipe=situation.recipe,
        conditions=conditions,
        target=target,
        duration_s=duration_s,
        window_s=window_s,
        odds=odds,
        basis=basis,
        fit=fit.fingerprint,
        asked_from=asked_from.value,
        asked_at=asked_at.astimezone(UTC),
    )


def keep(logbook: Logbook, bench_name: str, call: CallMade) -> bool:
    """Keep a call; whether the logbook took it. One that cannot be written to costs nobody an answer."""
    try:
        keep_call(logbook, bench_name, call)
    except RigError:
        return False
    return True


def keep_live(
    logbook: Logbook, bench_name: str, call: LiveCall, fit: Fit, asked_from: AskedFrom, asked_at: datetime
) -> bool:
    """Keep a live call as it stands before the start; whether it was kept: not where it has no target."""
    made = call_of_live(call, fit, asked_from, asked_at)
    return made is not None and keep(logbook, bench_name, made)


def scored_calls(logbook: Logbook, bench_name: str, left: LeftOut, book: RunBook) -> ScoredCalls:
    """The calls kept on a bench, held against the runs of a fit that followed them."""
    kept = calls_made(logbook, bench_name)
    if not kept:
        return NO_CALLS
    position, by_name = arrivals(logbook, bench_name), {r.run: r for r in book.runs}
    asked = _asked_of(kept)
    followed: list[tuple[int, KeptCall]] = []
    for row in sorted(range(len(left)), key=lambda row: position.get(left.runs[row], 0)):
        run = by_name[left.runs[row]]
        of_drink = asked.get((run.technique, run.vessel, run.ice, run.recipe), ())
        found = _followed(of_drink, run, float(left.duration_s[row]), position.get(run.run, 0))
        if found is not None:
            followed.append((row, found))
    did = _landed(left, book, followed)
    return ScoredCalls(
        len(kept),
        tuple(
            ScoredCall(k.call, left.runs[row], float(left.duration_s[row]), landed_)
            for (row, k), landed_ in zip(followed, did, strict=True)
        ),
    )


Asked = tuple[datetime, KeptCall]
"""A moment at which a call was asked for."""


def _asked_of(kept: Sequence[KeptCall]) -> dict[tuple[str, ...], list[Asked]]:
    """When each drink on each set-up was asked about, the latest first."""
    out: dict[tuple[str, ...], list[Asked]] = {}
    for k in kept:
        of_drink = out.setdefault((k.call.technique, k.call.vessel, k.call.ice, k.call.recipe), [])
        of_drink += [(at, k) for at in {k.call.asked_at, k.last_asked_at}]
    for of_drink in out.values():
        of_drink.sort(key=lambda asked: asked[0], reverse=True)
    return out


def _followed(asked: Sequence[Asked], run: Run, duration_s: float, position: int) -> KeptCall | None:
    """The latest call that a run followed; a start without a zone is in this computer's, none is after all."""
    start = None if run.started_at is None else run.started_at.astimezone(UTC)
    for at, k in asked:
        low, high = k.call.window_s
        if (
            (start is None or at <= start)
            and position > k.after_position
            and run.target in (None, k.call.target.name)
            and low - NEAR_S <= duration_s <= high + NEAR_S
            and _alike(k.call, run)
        ):
            return k
    return None


def _alike(call: CallMade, run: Run) -> bool:
    """Whether a run was made from about what was asked about, as far as both say."""
    asked = call.conditions
    for name in ("drink_temp_c", "ice_temp_c"):
        had = getattr(run, name)
        if had is not None and name in asked and abs(had - asked[name]) > NEAR_TEMP_K:
            return False
    for name in ("drink_mass_g", "ice_mass_g"):
        had = getattr(run, name)
        if had is not None and name in asked and abs(had / asked[name] - 1.0) > NEAR_MASS_SHARE:
            return False
    return True


def _landed(left: LeftOut, book: RunBook, followed: Sequence[tuple[int, KeptCall]]) -> list[bool | None]:
    """Whether each run landed in what its call was for."""
    rows: dict[Target, list[int]] = {}
    for k, (_, kept) in enumerate(followed):
        if kept.call.target.overrun_window is None:
            rows.setdefault(kept.call.target, []).append(k)
    out: list[bool | None] = [None] * len(followed)
    for target, mine in rows.items():
        for k, did in zip(
            mine, landed(left.take([followed[k][0] for k in mine]), book.bench, target), strict=True
        ):
            out[k] = None if np.isnan(did) else bool(did)
    return out
