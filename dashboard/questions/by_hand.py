"""A drink made by hand, as its phone tells of it: what is on the bench, what was typed, how long it was moved."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from dashboard.live.question import LONGEST_NAME, techniques
from dashboard.params import named, one, params_of_store
from rig.advice.call.calling import air_for
from rig.advice.call.texture import half_life_of
from rig.advice.call.words import assumptions, headline
from rig.advice.live.live import REACTION_S, live_call
from rig.advice.live.verdict import Landing, landing_of, with_landing
from rig.bench import Bench, Target
from rig.consistency.judging import judged
from rig.errors import ModelRangeError, NotFound, Place, RigError
from rig.fitting.result import Fit
from rig.logbook.store import Logbook
from rig.plausible import RUN as PLAUSIBLE
from rig.report.wording import target_words
from rig.runs import Run, RunBook
from rig.session.by_hand import (
    MADE_BY_HAND,
    ByHand,
    Typed,
    asked_after,
    asked_before,
    read_typed,
    whole_drink,
)

LONGEST_AGE_S = 24 * 3600.0
_NUMBER = re.compile(r"[0-9a-f-]{16,36}")
_UNDONE = "taken back on the phone that it was made with"


@dataclass(frozen=True)
class HandQuestion:
    """One drink of one phone: `number` is its own, so that it is stored once however often it is sent."""

    bench: str
    made: ByHand
    known: Typed
    number: str

    @classmethod
    def of(cls, bench_name: str, bench: Bench, told: Mapping[str, Any]) -> HandQuestion:
        """What a phone sent.

        Raises
        ------
        NotFound, ModelRangeError
            A name that is not on the bench; nothing that can be read.
        """
        asked, texts, number = told.get("asked"), told.get("typed"), str(told.get("number", ""))
        if not isinstance(texts, Mapping) or not _NUMBER.fullmatch(number):
            raise ModelRangeError("the page sent nothing that can be read; load it again")
        params = params_of_store(asked)
        names = {
            "technique": techniques(bench),
            "vessel": tuple(bench.vessels),
            "ice": tuple(bench.ice),
            "recipe": tuple(bench.recipes),
        }
        chosen = {k: named(params, k, known, "", k) for k, known in names.items()}
        for kind, name in chosen.items():
            if not name:
                raise ModelRangeError(f"choose a {kind} first")
        target = named(params, "target", ("", *bench.targets), "", "target")
        made = ByHand(
            **chosen,
            target=target or None,
            operator=_line(one(params, "operator")),
            session=_line(one(params, "session")),
            blind=one(params, "blind") == "yes",
        )
        plain = {str(k): str(v)[:60] for k, v in texts.items()}
        return cls(bench_name, made, read_typed(bench, made.recipe, plain), number)

    def goal(self, bench: Bench) -> Target | None:
        """Where it should land."""
        return None if self.made.target is None else bench.target(self.made.target)

    def call(self, fit: Fit) -> dict[str, Any] | None:
        """How long to move it, as JSON values; None without a target."""
        target = self.goal(fit.bench)
        if target is None:
            return None
        call = live_call(fit, self.made.situation(fit.bench, self.known), target).before
        assert call is not None
        return {
            "duration_s": round(call.duration_s, 2),
            "cue_s": round(max(call.duration_s - REACTION_S, 0.5), 2),
            "window_s": [round(t, 2) for t in call.window_s],
            "headline": headline(call),
            "assumes": assumptions(call.filled),
        }

    def foam_half_life_s(self, fit: Fit) -> tuple[float, float, float] | None:
        """When half of the foam should be gone [s], where the target asks for air and such drinks were timed."""
        target = self.goal(fit.bench)
        air = None if target is None else air_for(fit, self.made.situation(fit.bench, self.known), target)
        return None if air is None else half_life_of(air)

    def read(self) -> dict[str, Any]:
        """What the numbers typed were taken for, and what is wrong with the others, by name."""
        return {"values": dict(self.known.values), "wrong": dict(self.known.wrong)}

    def keep(self, logbook: Logbook, fit: Fit, told: Mapping[str, Any], now: datetime) -> Kept:
        """Store it as a run; what is there already under this number is told again.

        Raises
        ------
        ModelRangeError, RigError
            No time of motion; a number that cannot be read; the logbook does not take it.
        """
        if self.known.wrong:
            raise ModelRangeError("; ".join(self.known.wrong.values()))
        moved_s, age_s = _seconds(told, "moved_s"), _seconds(told, "age_s")
        there = stored(logbook, self.bench, self.number)
        if there is not None:
            return Kept(logbook.run(self.bench, there), landing_of(fit, logbook.run(self.bench, there)), ())
        if (doubt := PLAUSIBLE["duration_s"].doubt(moved_s)) is not None:
            raise ModelRangeError(f"the time of motion: {doubt[0]}. {doubt[1]}")
        began = now - timedelta(seconds=min(age_s, LONGEST_AGE_S))
        bench = logbook.bench(self.bench)
        name = f"{began.astimezone():%y%m%d-%H%M%S}-{self.number[:4]}"
        (one_run,) = judged(bench, [self.made.run(bench, self.known, name, self.number, began, moved_s)])
        landing = landing_of(fit, one_run.run)
        run = with_landing(one_run.run, landing)
        findings = one_run.findings(Place())
        logbook.add(RunBook(bench, (run,), findings), self.bench, f"made by hand {self.number}")
        return Kept(run, landing, tuple(f"{f.what}. {f.cure}" if f.cure else f.what for f in findings))


@dataclass(frozen=True)
class Kept:
    """A run made by hand, how it landed, and what was found odd in it or set aside."""

    run: Run
    landing: Landing | None
    odd: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """For the phone: the words, and the figures behind them."""
        found = self.landing
        return {
            "run": self.run.run,
            "odd": list(self.odd),
            "landing": None
            if found is None
            else found.to_dict() | {"headline": found.headline, "why": found.why},
        }


def stored(logbook: Logbook, bench: str, number: str) -> str | None:
    """The run that was stored under a phone's number; None where there is none."""
    runs = logbook.list_runs(bench)
    return next((r.run.run for r in runs if r.run.extra.get(MADE_BY_HAND) == number), None)


def take_back(logbook: Logbook, bench: str, number: str) -> str:
    """Delete the run of a phone's number, as any run is deleted: it can be brought back on the page Runs.

    Raises
    ------
    NotFound, RigError
        There is none; the logbook does not take it.
    """
    run = stored(logbook, bench, number)
    if run is None:
        raise NotFound("run of this phone", number[:8], [])
    logbook.delete_run(bench, run, _UNDONE)
    return run


def facts_of(bench: Bench) -> dict[str, Any]:
    """All that a phone must know of a bench to go on without an answer: what each drink asks for, step by step."""
    return {
        "recipes": {
            name: {
                "before": [vars(a) for a in asked_before(bench, name)],
                "whole": vars(whole_drink(bench, name)),
            }
            for name in bench.recipes
            if _can_be_weighed(bench, name)
        },
        "targets": {
            name: {"words": target_words(t), "after": [vars(a) for a in asked_after(t)]}
            for name, t in bench.targets.items()
        },
        "after": [vars(a) for a in asked_after(None)],
    }


def _can_be_weighed(bench: Bench, recipe: str) -> bool:
    try:
        asked_before(bench, recipe)
    except RigError:
        return False
    return True


def _line(text: str | None) -> str | None:
    return " ".join((text or "").split())[:LONGEST_NAME] or None


def _seconds(told: Mapping[str, Any], name: str) -> float:
    value = told.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value < 0:
        raise ModelRangeError("the drink has not been shaken or stirred yet: start and stop the timer")
    return float(value)
