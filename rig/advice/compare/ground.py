"""On what ground set-ups can be compared: their sound runs, common conditions, a common duration and goal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.advice.call.assumed import filled
from rig.advice.compare.courses import AverageCourses
from rig.errors import ModelRangeError, NotEnoughData
from rig.fitting.prediction import basis
from rig.fitting.result import Fit, Verdict
from rig.fitting.situation import Situation, nominals
from rig.runs import Run, SetUp

LEAST_RUNS = 3
"""Sound runs that a set-up needs: with fewer, its own scatter cannot be told from a difference."""
_EDGE = 1.1
"""How far beyond the durations of its runs a course may be read, as a factor."""
BEYOND_RUNS = 1.3
"""How far beyond the longest run a course is followed to see when it gets to a temperature, as a factor."""
_LATE = 0.75
_SURE = 95.0
"""A goal nobody named: what the slowest gets to at this share of its longest run, in this % of its draws."""


@dataclass(frozen=True)
class Conditions:
    """What is the same for all set-ups compared."""

    drink_temp_c: float
    drink_mass_g: float | None
    room_temp_c: float | None


@dataclass(frozen=True)
class Ground:
    """What one set-up has to be compared on.

    `range_s`: shortest and longest of its sound runs of the recipe, NaN where it has none; `lacking`: why
    it cannot be compared and which runs would help, None where it can; `traced`: a probe was in some run, so
    that its temperature is known from the start on.
    """

    set_up: SetUp
    situation: Situation
    sound_runs: int
    doubtful_runs: int
    range_s: tuple[float, float]
    lacking: str | None
    traced: bool
    notes: tuple[str, ...]

    def covers(self, duration_s: float) -> bool:
        """Whether its runs say what happens at this duration [s]."""
        return self.range_s[0] / _EDGE <= duration_s <= self.range_s[1] * _EDGE


def chosen_set_ups(fit: Fit, set_ups: Sequence[SetUp] | None) -> tuple[SetUp, ...]:
    """The set-ups asked for, each once, or all that have runs.

    Raises
    ------
    NotFound, NotEnoughData
        A vessel or ice that is not on the bench; fewer than two set-ups.
    """
    chosen = fit.set_ups if set_ups is None else tuple(dict.fromkeys(set_ups))
    for s in chosen:
        fit.bench.vessel(s.vessel)
        fit.bench.ice_type(s.ice)
    if len(chosen) < 2:
        have = f"only {chosen[0]} is there" if chosen else "none is there"
        raise NotEnoughData(
            f"a comparison needs two set-ups, {have}. Make {LEAST_RUNS} runs of the same drink on another"
        )
    return chosen


def most_measured_recipe(fit: Fit, set_ups: Sequence[SetUp]) -> str:
    """The recipe with enough sound runs on most of the set-ups; of several the one with most runs.

    Raises
    ------
    NotEnoughData
        None of the set-ups has a run.
    """
    counts: dict[str, list[int]] = {}
    for r in fit.runs:
        if r.set_up in set_ups and r.verdict in (Verdict.GOOD, Verdict.DOUBTFUL):
            per_set_up = counts.setdefault(r.recipe, [0] * len(set_ups))
            per_set_up[set_ups.index(r.set_up)] += r.verdict is Verdict.GOOD
    if not counts:
        raise NotEnoughData("none of these set-ups has a run that was fitted. Make three runs on each of two")
    return max(counts, key=lambda name: (sum(n >= LEAST_RUNS for n in counts[name]), sum(counts[name])))


def common_conditions(
    fit: Fit, set_ups: Sequence[SetUp], recipe: str, drink_temp_c: float | None
) -> Conditions:
    """The drink's temperature, mass and room temperature to compare at.

    Unless given, the drink starts within the temperatures that all set-ups have been measured at, as far as
    there are such. A set-up with too few sound runs has no say: it is not compared.
    """
    enough = [s for s in set_ups if _sound(fit, s, recipe) >= LEAST_RUNS]
    set_ups = enough or set_ups
    runs = [r for r in fit.book.used_runs() if r.recipe == recipe and r.set_up in set_ups]
    if drink_temp_c is None:
        spans = [fit.measured[s, recipe].start_temp_c for s in set_ups if (s, recipe) in fit.measured]
        middle = _median(runs, "drink_temp_c")
        if middle is None:
            middle = float(np.median([0.5 * (low + high) for low, high in spans])) if spans else 20.0
        low, high = max((s[0] for s in spans), default=middle), min((s[1] for s in spans), default=middle)
        drink_temp_c = round(float(np.clip(middle, low, high)) if low <= high else middle, 1)
    return Conditions(drink_temp_c, _median(runs, "drink_mass_g"), _median(runs, "room_temp_c"))


def ground_of(fit: Fit, set_up: SetUp, recipe: str, conditions: Conditions) -> Ground:
    """What a set-up has to be compared on; its ice and vessel are as its own runs usually had them."""
    fitted = fit.runs_of(set_up, recipe)
    sound = [r for r in fitted if r.verdict is Verdict.GOOD]
    durations = [r.duration_s for r in sound if r.duration_s is not None]
    kept = [r for r in fit.book.used_runs() if r.set_up == set_up]
    kept = [r for r in kept if r.recipe == recipe] or kept
    asked = Situation(
        set_up.technique,
        set_up.vessel,
        set_up.ice,
        recipe,
        drink_temp_c=conditions.drink_temp_c,
        drink_mass_g=conditions.drink_mass_g,
        room_temp_c=conditions.room_temp_c,
    )
    situation = filled(fit, asked).situation
    return Ground(
        set_up=set_up,
        situation=situation,
        sound_runs=len(sound),
        doubtful_runs=len(fitted) - len(sound),
        range_s=(min(durations), max(durations)) if durations else (math.nan, math.nan),
        lacking=_lacking(fit, situation, len(sound), len(fitted) - len(sound)),
        traced=any(_traced(r) for r in kept),
        notes=_notes(kept, len(fitted) - len(sound)),
    )


def _sound(fit: Fit, set_up: SetUp, recipe: str) -> int:
    return sum(r.verdict is Verdict.GOOD for r in fit.runs_of(set_up, recipe))


def _median(runs: Sequence[Run], name: str) -> float | None:
    values = [v for r in runs if (v := getattr(r, name)) is not None]
    return float(np.median(values)) if values else None


def _traced(run: Run) -> bool:
    return run.trace is not None and run.trace.probe_c is not None


def _lacking(fit: Fit, s: Situation, sound: int, doubtful: int) -> str | None:
    if sound == 0 and doubtful == 0:
        return f"no run of {s.recipe}: make {LEAST_RUNS}, short, usual and long"
    if sound == 0:
        return f"only doubtful runs of {s.recipe}: check them, or make {LEAST_RUNS} new ones"
    if sound < LEAST_RUNS:
        more = LEAST_RUNS - sound
        return (
            f"only {sound} sound run{'s' if sound > 1 else ''} of {s.recipe} where {LEAST_RUNS} are needed: "
            f"make {more} more"
        )
    beyond = basis(fit, s, nominals(fit.bench, [s]), np.array([1.0])).extrapolated
    if beyond:
        return f"not measured like that: {'; '.join(beyond)}. Make {LEAST_RUNS} runs like that"
    return None


def _notes(runs: Sequence[Run], doubtful: int) -> tuple[str, ...]:
    out = []
    if doubtful:
        is_are = "run is doubtful and counts" if doubtful == 1 else "runs are doubtful and count"
        out.append(f"{doubtful} {is_are} for little")
    if runs and not any(_traced(r) for r in runs):
        out.append("no trace: its temperature is inferred from the strained mass")
    if runs and all(r.strained_mass_g is None and r.gross_after_g is None for r in runs):
        out.append("nothing strained was weighed: its dilution is inferred from the chill")
    return tuple(out)


def common_duration(able: Sequence[Ground]) -> float | None:
    """The duration [s] that most of these set-ups were measured at, in the middle of where they overlap.

    None where no two of them overlap.
    """
    ranges = [g.range_s for g in able]
    if len(ranges) < 2:
        return None
    starts = [low for low, _ in ranges]
    covering = [[r for r in ranges if r[0] <= s <= r[1]] for s in starts]
    most = max(covering, key=len)
    if len(most) < 2:
        return None
    low, high = max(r[0] for r in most), min(r[1] for r in most)
    middle = math.sqrt(low * high)
    whole = float(round(middle))
    return whole if low <= whole <= high else round(middle, 1)


def common_goal_c(courses: AverageCourses, able: Sequence[Ground]) -> float:
    """A temperature [°C] that every set-up surely gets to before its longest run ends."""
    there = [courses.at(_LATE * g.range_s[1])[0][k] for k, g in enumerate(able)]
    return math.ceil(2.0 * max(float(np.percentile(t, _SURE)) for t in there)) / 2.0


def gap_at_duration(a: Ground, b: Ground, duration_s: float | None) -> str | None:
    """Why two set-ups cannot be compared at this duration and which runs would help; None where they can."""
    if duration_s is not None and a.covers(duration_s) and b.covers(duration_s):
        return None
    spans = " and ".join(f"{g.set_up} from {g.range_s[0]:.0f} to {g.range_s[1]:.0f} s" for g in (a, b))
    low, high = max(a.range_s[0], b.range_s[0]), min(a.range_s[1], b.range_s[1])
    if low <= high:
        wanting = [g for g in (a, b) if duration_s is not None and not g.covers(duration_s)]
        names = " and ".join(str(g.set_up) for g in wanting)
        return (
            f"at {duration_s:.0f} s: measured are {spans}. Make {LEAST_RUNS} runs of {names} "
            f"near {duration_s:.0f} s, or compare between {low:.0f} and {high:.0f} s"
        )
    shorter, longer = (a, b) if a.range_s[1] < b.range_s[0] else (b, a)
    return (
        f"at equal duration: measured are {spans}, which do not overlap. Make {LEAST_RUNS} runs of "
        f"{longer.set_up} near {shorter.range_s[1]:.0f} s, or of {shorter.set_up} near "
        f"{longer.range_s[0]:.0f} s"
    )


def require_sensible(duration_s: float | None, drink_temp_c: float | None, margins: Sequence[float]) -> None:
    """Raise ModelRangeError for a duration, temperature or margin that cannot be meant."""
    if duration_s is not None and not 0.0 < duration_s <= 3600.0:
        raise ModelRangeError(f"duration_s must be above 0 and at most 3600 s, found {duration_s:g}")
    if drink_temp_c is not None and not -5.0 <= drink_temp_c <= 95.0:
        raise ModelRangeError(f"drink_temp_c {drink_temp_c:g} °C is outside the model's range, -5 to 95 °C")
    if not all(0.0 < m < math.inf for m in margins):
        raise ModelRangeError("margins say how much matters and must be above zero")
