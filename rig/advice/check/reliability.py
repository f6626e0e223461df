"""Odds said against what happened: how often calls of about so many percent landed, and whether that is as said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.advice.evidence.hit_rate import HitRate, hit_rate
from rig.arrays import FloatArray
from rig.errors import NotEnoughData

_BINS = (
    (0.0, 0.05, "under 5 %"),
    (0.05, 0.2, "about 10 %"),
    (0.2, 0.4, "about 30 %"),
    (0.4, 0.6, "about 50 %"),
    (0.6, 0.8, "about 70 %"),
    (0.8, 0.95, "about 90 %"),
    (0.95, 1.0, "over 95 %"),
)
_FOLLOWED = 0.4
"""Calls of lower odds are hardly followed; they are counted, and not quoted where there are others."""
DOUBT_P = 0.05


@dataclass(frozen=True)
class OddsBin:
    """Calls of about the same odds: the mean of what was said, and how many of them landed."""

    low: float
    high: float
    about: str
    said: float
    landed: HitRate

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "odds_from": self.low,
            "odds_to": self.high,
            "about": self.about,
            "odds_said": round(self.said, 4),
            "landed": self.landed.to_dict(),
        }


@dataclass(frozen=True)
class Reliability:
    """How odds said compare with what happened over `runs` runs.

    `promised`: landings that the odds come to, their sum. `p_promised`: chance of a count as far from that
    as `landed` is, were the odds true. `brier`: mean square of odds less outcome, 0 best; `brier_if_true`:
    its mean were the odds true (G. W. Brier, Monthly Weather Review 78 (1950) 1). `bins`: only those with runs.
    """

    runs: int
    landed: int
    promised: float
    p_promised: float
    brier: float
    brier_if_true: float
    bins: tuple[OddsBin, ...]

    @property
    def quoted(self) -> OddsBin:
        """The bin with the most runs among those whose odds one would follow, else among all."""
        followed = [b for b in self.bins if b.low >= _FOLLOWED]
        return max(followed or self.bins, key=lambda b: b.landed.runs)

    def to_dict(self) -> dict[str, Any]:
        """Stable keys."""
        return {
            "runs": self.runs,
            "landed": self.landed,
            "promised": round(self.promised, 2),
            "chance_if_true": round(self.p_promised, 4),
            "brier_score": round(self.brier, 4),
            "brier_score_if_true": round(self.brier_if_true, 4),
            "by_odds": [b.to_dict() for b in self.bins],
        }


def reliability(said: FloatArray, landed: FloatArray) -> Reliability:
    """Score odds (runs,) against outcomes (runs,), 1 landed or 0 not; NaN in either is left out.

    Intervals of each bin are Wilson's and take the runs for independent; runs of one bench share their fit,
    so they are a little narrower than they should be.

    Raises
    ------
    NotEnoughData
        No run has both.
    """
    p, y = np.asarray(said, float), np.asarray(landed, float)
    there = np.isfinite(p) & np.isfinite(y)
    p, y = p[there], y[there]
    if not p.size:
        raise NotEnoughData(
            "odds need a run to be compared with: one of a drink with a target, its end temperature and its "
            "strained mass measured"
        )
    which = np.clip(np.searchsorted([high for _, high, _ in _BINS], p, side="right"), 0, len(_BINS) - 1)
    bins = tuple(
        OddsBin(low, high, about, float(p[mine].mean()), hit_rate(int(y[mine].sum()), int(mine.sum())))
        for k, (low, high, about) in enumerate(_BINS)
        if (mine := which == k).any()
    )
    return Reliability(
        runs=int(p.size),
        landed=int(y.sum()),
        promised=float(p.sum()),
        p_promised=chance_of_total(p, int(y.sum())),
        brier=float(np.mean((p - y) ** 2)),
        brier_if_true=float(np.mean(p * (1.0 - p))),
        bins=bins,
    )


def score(said: FloatArray, landed: FloatArray) -> Reliability | None:
    """As `reliability`; None where no run has both odds and outcome."""
    both = np.isfinite(said) & np.isfinite(landed)
    return reliability(said, landed) if both.any() else None


def chance_of_total(odds: FloatArray, total: int) -> float:
    """Two-sided chance of so many landings or a count further out, given the odds of each run (runs,).

    Twice the smaller tail of the Poisson binomial law (its mass by convolution, exact).
    """
    mass = np.ones(1)
    for p in odds:
        mass = np.convolve(mass, (1.0 - p, p))
    return float(min(1.0, 2.0 * min(mass[: total + 1].sum(), mass[total:].sum())))
