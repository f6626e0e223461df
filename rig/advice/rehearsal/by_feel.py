"""Drinks stopped by feel, with the call and all numbers hidden: how near to the best moment, and what to practise.

Each is judged by the verdict that it was kept with: the durations that would have done, and the limits it missed. A
drink that was corrected since, or was kept before verdicts carried their window, is judged anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from rig.advice.call.odds import ENDS, Limit, Result
from rig.advice.evidence.hit_rate import HitRate, hit_rate
from rig.advice.live.verdict import kept_landed, kept_missed, kept_window_s, told_anew
from rig.advice.rehearsal.words import percent
from rig.fitting.result import Fit
from rig.runs import Run

LEAST_STOPS = 3
"""Fewer stops than this say nothing of a hand."""
_CONFIDENCE = 0.90
_OF_TEMPERATURE = frozenset(ENDS[Result.TEMP_C])
_NEARLY_S = 0.5


@dataclass(frozen=True)
class Stop:
    """One stop: how long [s], before (−) or after (+) the middle of the window, and beyond which end of it [s].

    `beyond_s` is 0 inside the window. `landed` None where that is not known.
    """

    run: str
    duration_s: float
    window_s: tuple[float, float]
    landed: bool | None
    missed: tuple[Limit, ...]

    @property
    def beyond_s(self) -> float:
        """How far before (−) or after (+) the durations that would have done [s]."""
        low, high = self.window_s
        return min(self.duration_s - low, 0.0) + max(self.duration_s - high, 0.0)

    @property
    def off_s(self) -> float:
        """From the middle of those durations [s]."""
        return self.duration_s - 0.5 * sum(self.window_s)

    @property
    def words(self) -> str:
        """Early, late or in time."""
        beyond_s = round(self.beyond_s, 1)
        if beyond_s == 0.0:
            return "in the window"
        return f"{abs(beyond_s):.1f} s {'early' if beyond_s < 0.0 else 'late'}"

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "run": self.run,
            "duration_s": round(self.duration_s, 2),
            "window_s": [round(t, 2) for t in self.window_s],
            "beyond_s": round(self.beyond_s, 2),
            "landed": self.landed,
            "missed": [limit.value for limit in self.missed],
        }


@dataclass(frozen=True)
class ByFeel:
    """Stops by feel, their hit rate, and that of the guided ones beside them; None where there is none.

    `mean_s`: how far off they are on average, with its 90 % interval; None below three stops. `practise`: the one
    sentence.
    """

    stops: tuple[Stop, ...]
    rate: HitRate | None
    guided: HitRate | None
    mean_s: tuple[float, float, float] | None
    sd_s: float | None
    practise: str

    @property
    def timing_words(self) -> str:
        """How many were early, in time and late."""
        early = sum(s.beyond_s < 0.0 for s in self.stops)
        late = sum(s.beyond_s > 0.0 for s in self.stops)
        return f"{early} early, {len(self.stops) - early - late} in the window, {late} late"

    @property
    def missed_words(self) -> str:
        """How many missed their temperature, and how many what they weigh."""
        temp = sum(any(limit in _OF_TEMPERATURE for limit in s.missed) for s in self.stops)
        water = sum(any(limit not in _OF_TEMPERATURE for limit in s.missed) for s in self.stops)
        return f"temperature missed {_times(temp)}, dilution {_times(water)}"

    @property
    def rate_words(self) -> str:
        """How often they landed, and how often the guided ones did."""
        if self.rate is None:
            return (
                "Not known yet how often they land: it wants a target, a temperature at the end and a weight."
            )
        said = f"Blind {_rate_words(self.rate)}."
        return said if self.guided is None else f"{said} Guided {_rate_words(self.guided)}."

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        mean = self.mean_s
        return {
            "stops": [s.to_dict() for s in self.stops],
            "blind": None if self.rate is None else self.rate.to_dict(),
            "guided": None if self.guided is None else self.guided.to_dict(),
            "mean_off_s": None
            if mean is None
            else dict(zip(("low", "mean", "high"), (round(t, 2) for t in mean), strict=True)),
            "sd_s": None if self.sd_s is None else round(self.sd_s, 2),
            "practise": self.practise,
        }


def by_feel(fit: Fit, runs: Sequence[Run], landed: Mapping[str, bool | None] | None = None) -> ByFeel | None:
    """The stops by feel among these runs, beside those that were guided; None where none was by feel.

    `landed`: whether each landed, by name, where that has been judged for all alike; else as each was told when it
    was made.
    """
    stops = tuple(s for r in runs if r.is_blind and (s := _stop(told_anew(fit, r))) is not None)
    if not stops:
        return None
    off = np.array([s.off_s for s in stops])
    mean, sd = None, None
    if len(stops) >= LEAST_STOPS:
        sd = float(off.std(ddof=1))
        half = float(stats.t.ppf(0.5 + 0.5 * _CONFIDENCE, len(stops) - 1)) * sd / np.sqrt(len(stops))
        mean = (float(off.mean() - half), float(off.mean()), float(off.mean() + half))
    guided = [r for r in runs if not r.is_blind]
    return ByFeel(
        stops,
        _rate([s.landed if landed is None else landed.get(s.run) for s in stops]),
        _rate([kept_landed(r) if landed is None else landed.get(r.run) for r in guided]),
        mean,
        sd,
        _practise(stops, mean, sd),
    )


def _stop(run: Run) -> Stop | None:
    window_s = kept_window_s(run)
    if window_s is None or not run.duration_s:
        return None
    return Stop(run.run, run.duration_s, window_s, kept_landed(run), kept_missed(run))


def _rate(landed: Sequence[bool | None]) -> HitRate | None:
    known = [did for did in landed if did is not None]
    return hit_rate(sum(known), len(known)) if known else None


def _rate_words(rate: HitRate) -> str:
    share = f"{rate.hits} of {rate.runs} landed"
    return f"{share} ({percent(rate.low)} to {percent(rate.high)} in the long run)"


def _times(count: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def _practise(stops: Sequence[Stop], mean: tuple[float, float, float] | None, sd_s: float | None) -> str:
    if mean is None or sd_s is None:
        more = LEAST_STOPS - len(stops)
        return (
            f"{more} more blind stop{'' if more == 1 else 's'}, and there is something to say of your hand."
        )
    low, middle, high = mean
    half_window_s = float(np.mean([0.5 * (s.window_s[1] - s.window_s[0]) for s in stops]))
    side, cure = ("late", "earlier") if middle > 0.0 else ("early", "later")
    if (low > 0.0 or high < 0.0) and abs(middle) > max(_NEARLY_S, 0.5 * half_window_s):
        bounds = sorted((abs(low), abs(high)))
        return (
            f"Practise stopping {cure}: you stop {abs(middle):.1f} s {side} on average ({bounds[0]:.1f} to "
            f"{bounds[1]:.1f}, from {len(stops)} stops)."
        )
    if sd_s > max(half_window_s, _NEARLY_S):
        return (
            f"Practise an even count: your stops scatter by {sd_s:.1f} s, and {2.0 * half_window_s:.1f} s of window "
            "are all there is. The metronome helps."
        )
    missed = [limit for s in stops for limit in s.missed]
    if not missed:
        return "Your feel is as good as the call: nothing to practise here but to keep it."
    worst = max(sorted(set(missed)), key=missed.count)
    return (
        f"Your seconds are right; {missed.count(worst)} of {len(stops)} were {worst.value} all the same. Practise "
        "what comes before the stop: weigh the drink and the ice, and start from one temperature."
    )
