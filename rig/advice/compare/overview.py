"""The whole logbook at a glance: which bench drifts, which ice differs where, one recipe across all benches.

By weighing alone, so that nothing waits for a fit: what a run gained on its ice, held against runs of the same drink,
technique and ice, all brought to one duration by the slope that the runs of a cell have in common (analysis of
covariance; Snedecor & Cochran, *Statistical Methods*, chapter on covariance).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from scipy.stats import t as student

from rig.answer_units import true_minus
from rig.logbook.listing import Tally
from rig.logbook.weighed import Cell

RECENT = 20
"""A bench's newest runs, which are held against those before them."""
LEAST = 5
"""Fewer runs than this on either side tell nothing."""
FALSE_ALARMS = 0.05
"""How often a table in which nothing differs may name one that does."""


@dataclass(frozen=True)
class Difference:
    """How much more is gained here than there, at the same duration [% of the drink’s mass], and its uncertainty.

    `runs`, `against`: how many runs on either side. `sure`: it would seldom be so large by chance.
    """

    gain_pct: float
    std_pct: float
    runs: int
    against: int
    sure: bool

    @property
    def words(self) -> str:
        """The difference with its 95 % interval and what it rests on."""
        more = true_minus(f"{self.gain_pct:+.1f} ± {1.96 * self.std_pct:.1f} % of mass")
        return f"{more}, {'surely' if self.sure else 'not surely'}; {self.runs} against {self.against} runs"


UNTOLD = "too few weighed runs to tell"
"""Where there is no difference to tell."""


@dataclass(frozen=True)
class BenchSeen:
    """A bench: its runs, how many of them are excluded, and how its newest differ from those before."""

    bench: str
    runs: int
    excluded: int
    drift: Difference | None


@dataclass(frozen=True)
class IceSeen:
    """An ice on one bench against the same on the others."""

    ice: str
    bench: str
    difference: Difference


@dataclass(frozen=True)
class RecipeSeen:
    """A recipe with one technique and ice on one bench: what it gains, moved for `duration_s`, and from run to run."""

    bench: str
    recipe: str
    technique: str
    ice: str
    runs: int
    duration_s: float
    gain_pct: float
    spread_pct: float | None


@dataclass(frozen=True)
class Overview:
    """Benches by name, ices that can be compared, the sure ones first; the recipes asked for."""

    benches: tuple[BenchSeen, ...]
    ices: tuple[IceSeen, ...]
    recipes: tuple[RecipeSeen, ...]


@dataclass(frozen=True)
class _Common:
    """What the runs of all cells have in common: the slope over time, its weight, what is left from run to run."""

    slope: float
    xx: float
    variance: float
    freedom: int


def overview(tallies: Mapping[str, Tally], cells: Sequence[Cell], recipe: str | None = None) -> Overview:
    """What the cells of these benches say; `recipe`: across which of them one recipe is shown, none where None."""
    cells = [c for c in cells if c.bench in tallies]
    common = _common(cells)
    drifts = _differences(common, _late_and_before(cells))
    benches = tuple(
        BenchSeen(name, tally.runs, tally.excluded, drifts.get((name, ""))) for name, tally in tallies.items()
    )
    ices = sorted(
        (
            IceSeen(ice, bench, apart)
            for (bench, ice), apart in _differences(common, _here_and_elsewhere(cells)).items()
        ),
        key=lambda i: (not i.difference.sure, -abs(i.difference.gain_pct), i.ice, i.bench),
    )
    return Overview(benches, tuple(ices), () if recipe is None else _across(cells, common, recipe))


Sides = Mapping[tuple[str, str], Sequence[tuple[Cell, Cell]]]
"""For each bench, or each ice of a bench: what is held against what, within the same drink and technique."""


def _late_and_before(cells: Sequence[Cell]) -> Sides:
    """The newest runs of each bench against those before them, within the same set-up and drink."""
    sides: dict[tuple[str, str], list[tuple[Cell, Cell]]] = defaultdict(list)
    for (bench, *_), both in _by(cells, lambda c: (c.bench, c.technique, c.vessel, c.ice, c.recipe)).items():
        if len(both) == 2:
            late, before = sorted(both, key=lambda c: not c.recent)
            sides[bench, ""].append((late, before))
    return sides


def _here_and_elsewhere(cells: Sequence[Cell]) -> Sides:
    """Each ice of each bench against the same ice elsewhere, within the same drink and technique."""
    sides: dict[tuple[str, str], list[tuple[Cell, Cell]]] = defaultdict(list)
    for (_, ice, _), everywhere in _by(cells, lambda c: (c.technique, c.ice, c.recipe)).items():
        every = _joined(everywhere)
        for (bench,), mine in _by(everywhere, lambda c: (c.bench,)).items():
            here = _joined(mine)
            if every.runs > here.runs:
                sides[bench, ice].append((here, _joined([every, here], (1, -1))))
    return sides


def _by(cells: Iterable[Cell], key: Callable[[Cell], tuple[str, ...]]) -> dict[tuple[str, ...], list[Cell]]:
    found: dict[tuple[str, ...], list[Cell]] = defaultdict(list)
    for cell in cells:
        found[key(cell)].append(cell)
    return found


def _common(cells: Sequence[Cell]) -> _Common | None:
    """The slope that the runs within cells share; None where too few runs tell one."""
    xx = sum(c.xx - c.x * c.x / c.runs for c in cells)
    xy = sum(c.xy - c.x * c.y / c.runs for c in cells)
    yy = sum(c.yy - c.y * c.y / c.runs for c in cells)
    freedom = sum(c.runs - 1 for c in cells) - 1
    if freedom < LEAST or xx <= 0:
        return None
    slope = xy / xx
    return _Common(slope, xx, max(yy - slope * xy, 0.0) / freedom, freedom)


def _differences(common: _Common | None, sides: Sides) -> dict[tuple[str, str], Difference]:
    """The one side less the other, at the same duration, the strata weighed by how much they tell."""
    if common is None or common.variance <= 0:
        return {}
    found: dict[tuple[str, str], tuple[float, float, int, int]] = {}
    for key, both in sides.items():
        runs, against = (sum(pair[k].runs for pair in both) for k in (0, 1))
        if min(runs, against) < LEAST:
            continue
        weights, gains, lengths = [], [], []
        for here, there in both:
            apart = here.x / here.runs - there.x / there.runs
            weights.append(1 / (1 / here.runs + 1 / there.runs))
            gains.append(here.y / here.runs - there.y / there.runs - common.slope * apart)
            lengths.append(apart)
        total = sum(weights)
        gain = sum(w * g for w, g in zip(weights, gains, strict=True)) / total
        longer = sum(w * a for w, a in zip(weights, lengths, strict=True)) / total
        std = math.sqrt(common.variance * (1 / total + longer**2 / common.xx))
        found[key] = gain, std, runs, against
    # as many chances of a false alarm as there are differences (Bonferroni)
    least = student.ppf(1 - FALSE_ALARMS / (2 * max(len(found), 1)), common.freedom)
    return {k: Difference(g, s, n, m, bool(abs(g) > least * s)) for k, (g, s, n, m) in found.items()}


def _joined(cells: Sequence[Cell], signs: Sequence[int] = ()) -> Cell:
    """The cells as one; a sign of −1 takes one out."""
    sums = [
        sum(sign * getattr(c, name) for c, sign in zip(cells, signs or [1] * len(cells), strict=True))
        for name in ("runs", "x", "y", "xx", "yy", "xy")
    ]
    first = cells[0]
    return Cell(first.bench, first.technique, first.vessel, first.ice, first.recipe, first.recent, *sums)


def _across(cells: Sequence[Cell], common: _Common | None, recipe: str) -> tuple[RecipeSeen, ...]:
    """One recipe on every bench, all brought to the duration that is usual for it."""
    mine = [c for c in cells if c.recipe == recipe]
    if not mine:
        return ()
    usual_s = sum(c.x for c in mine) / sum(c.runs for c in mine)
    slope = 0.0 if common is None else common.slope
    groups: dict[tuple[str, str, str], list[Cell]] = defaultdict(list)
    for cell in mine:
        groups[cell.bench, cell.technique, cell.ice].append(cell)
    seen = []
    for (bench, technique, ice), parts in sorted(groups.items()):
        c = _joined(parts)
        gain = c.y / c.runs - slope * (c.x / c.runs - usual_s)
        left = _left(c, slope)
        spread = math.sqrt(left / (c.runs - 1)) if c.runs >= LEAST else None
        seen.append(RecipeSeen(bench, recipe, technique, ice, c.runs, usual_s, gain, spread))
    return tuple(seen)


def _left(c: Cell, slope: float) -> float:
    """The sum of squares around a line of this slope."""
    xx, yy, xy = c.xx - c.x * c.x / c.runs, c.yy - c.y * c.y / c.runs, c.xy - c.x * c.y / c.runs
    return max(yy - 2 * slope * xy + slope * slope * xx, 0.0)
