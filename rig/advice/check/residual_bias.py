"""Set-ups whose runs lie to one side of what is said of them, and what would explain it.

Residuals are of runs left out, in units of their predictive spread. What they truly scatter by is pooled over
the bench within each drink on each set-up, so that five runs of one set-up can be judged by the spread of all.
Runs left out of one set-up depend on each other the harmless way (what one pulls the others' mean by, the others
miss it by, the other way round), so the standard errors of means are, if anything, too wide.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from rig.advice.check.left_out import LeftOut
from rig.advice.evidence.statistics import Estimate, holm, mean_of, pooled_sd
from rig.arrays import FloatArray, IntArray
from rig.runs import SetUp

LEAST_RUNS, LEAST_SET_UPS = 3, 3
ALPHA = 0.05
_TELLS = 2.0
"""A mean of so many standard errors counts as a sign of its own, where something else is what leans."""
_FIT_RUNS = 4.0
"""The spreads that the fit says count as so many runs' own scatter."""
_FAR = 3.0
"""A run counts at most so many spreads from its set-up's middle: one wrong weight is one run's trouble."""
_MAD_TO_SD = 1.4826


class Observation(StrEnum):
    """What is measured of a run at its end."""

    WEIGHING = "weighing"
    TEMPERATURE = "temperature"

    @property
    def unit(self) -> str:
        """Of its residual, as keys end in it."""
        return "g" if self is Observation.WEIGHING else "k"


MATTERS = {Observation.WEIGHING: 0.01, Observation.TEMPERATURE: 0.2}
"""From where a lean matters: a point of dilution, by weight; a fifth of a kelvin. Common practice, no source."""


@dataclass(frozen=True)
class MeanResidual:
    """Measured less foretold, on average: of a set-up, of one recipe on it, or (no set-up) of all set-ups.

    `mean` and `standard_error` in g or K. `matters`: the size from which it does. `same_side`: runs (of the
    whole bench: set-ups) on the mean's side. `p`: two-sided, of a mean of zero; `p_adjusted`: by Holm over all
    means looked at; NaN where there are too few runs. `points`: the mean of a weighing in points of dilution.
    """

    set_up: SetUp | None
    recipe: str | None
    observation: Observation
    runs: int
    mean: float
    standard_error: float
    same_side: int
    matters: float
    p: float
    p_adjusted: float
    points: float

    @property
    def leans(self) -> bool:
        """It is not chance, and large enough to matter."""
        return bool(self.p_adjusted <= ALPHA and abs(self.mean) >= self.matters)

    @property
    def sign(self) -> int:
        """1 or −1 where the mean tells, 0 where it does not."""
        tells = self.leans or (
            abs(self.mean) > _TELLS * self.standard_error and abs(self.mean) >= self.matters
        )
        return int(np.sign(self.mean)) if tells else 0

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        unit = self.observation.unit
        return {
            "runs": self.runs,
            f"mean_residual_{unit}": _rounded(self.mean, 3),
            f"standard_error_{unit}": _rounded(self.standard_error, 3),
            "runs_on_that_side": self.same_side,
            "p_adjusted": _rounded(self.p_adjusted, 5),
            "leans": self.leans,
        }


def _rounded(value: float, digits: int) -> float | None:
    """A plain number; None where there is none, and no negative nought."""
    return round(value, digits) + 0.0 if np.isfinite(value) else None


Rows = dict[tuple[SetUp | None, str | None], IntArray]
"""Which runs belong to a set-up (None: to all), and to one recipe on it (None: whichever)."""


def mean_residuals(left: LeftOut) -> tuple[MeanResidual, ...]:
    """Every set-up's mean residuals, those of each drink where a set-up makes several, and the whole bench's."""
    drinks = _drinks(left)
    groups = _groups(left, drinks)
    found = [
        row
        for observation, residual, sd in (
            (Observation.WEIGHING, left.strained_residual_g, left.strained_sd_g),
            (Observation.TEMPERATURE, left.temp_residual_k, left.temp_sd_k),
        )
        for row in _means(left, groups, list(drinks.values()), observation, residual, sd)
    ]
    adjusted = holm(np.array([m.p for m in found])) if found else np.zeros(0)
    return tuple(
        MeanResidual(**vars(m) | {"p_adjusted": float(p)}) for m, p in zip(found, adjusted, strict=True)
    )


def _drinks(left: LeftOut) -> dict[tuple[SetUp, str], IntArray]:
    """The runs of each drink on each set-up."""
    rows: dict[tuple[SetUp, str], list[int]] = {}
    for k, key in enumerate(zip(left.set_ups, left.recipes, strict=True)):
        rows.setdefault(key, []).append(k)
    return {key: np.array(mine, dtype=np.int64) for key, mine in sorted(rows.items())}


def _groups(left: LeftOut, drinks: Mapping[tuple[SetUp, str], IntArray]) -> Rows:
    """The runs whose means are looked at."""
    of_set_up: dict[SetUp, list[tuple[str, IntArray]]] = {}
    for (set_up, recipe), rows in drinks.items():
        of_set_up.setdefault(set_up, []).append((recipe, rows))
    out: Rows = {}
    for set_up, made in of_set_up.items():
        out[set_up, None] = np.concatenate([rows for _, rows in made])
        if len(made) > 1:
            out |= {(set_up, recipe): rows for recipe, rows in made}
    if len(of_set_up) >= LEAST_SET_UPS:
        out[None, None] = np.arange(len(left))
    return out


def _means(
    left: LeftOut,
    groups: Rows,
    drinks: Sequence[IntArray],
    observation: Observation,
    residual: FloatArray,
    sd: FloatArray,
) -> list[MeanResidual]:
    z, spread, freedom = _held_in(residual / sd, drinks)
    value = z * sd
    matters = (
        MATTERS[observation] * left.start_volume_ml
        if observation is Observation.WEIGHING
        else np.full(len(left), MATTERS[observation])
    )
    out: list[MeanResidual] = []
    for (set_up, recipe), all_rows in groups.items():
        rows = all_rows[np.isfinite(residual[all_rows])]
        count = int(rows.size)
        if not count:
            continue
        mean = float(value[rows].mean())
        error = spread * float(np.sqrt(np.sum(sd[rows] ** 2))) / count
        estimate = Estimate(np.array(mean), np.array(error), np.array(freedom))
        sided, tested = residual[rows], count >= LEAST_RUNS
        if set_up is None:
            # set-ups differ in what is wrong of them: the bench's mean is one over set-ups, not over runs
            sided = np.array([m.mean for m in out if m.recipe is None and m.runs >= LEAST_RUNS])
            estimate, tested = mean_of(sided), sided.size >= LEAST_SET_UPS
            mean, error = float(estimate.value), float(estimate.standard_error)
        out.append(
            MeanResidual(
                set_up,
                recipe,
                observation,
                count,
                mean,
                error,
                int(np.sum(np.sign(sided) == np.sign(mean))),
                float(np.mean(matters[rows])),
                float(estimate.p_zero()) if tested else np.nan,
                np.nan,
                100.0 * mean / float(np.mean(left.start_volume_ml[rows])),
            )
        )
    return out


def _held_in(z: FloatArray, drinks: Sequence[IntArray]) -> tuple[FloatArray, float, float]:
    """Standardised residuals with far ones held in, what they scatter by, and its degrees of freedom.

    Huber's winsorising (Ann. Math. Statist. 35 (1964) 73) about the middle of each drink on each set-up.
    """
    cells = [rows[np.isfinite(z[rows])] for rows in drinks]
    cells = [rows for rows in cells if rows.size]
    away = [
        (z[rows] - np.median(z[rows])) * np.sqrt(rows.size / (rows.size - 1.0))
        for rows in cells
        if rows.size > 1
    ]
    usual = _MAD_TO_SD * float(np.median(np.abs(np.concatenate(away)))) if away else 1.0
    far, out = _FAR * max(usual, 1.0), z.copy()
    for rows in cells:
        middle = float(np.median(z[rows]))
        out[rows] = np.clip(z[rows], middle - far, middle + far)
    own = pooled_sd([out[rows] for rows in cells])
    own_square = own.degrees_of_freedom * own.sd**2 if own.degrees_of_freedom else 0.0
    freedom = _FIT_RUNS + own.degrees_of_freedom
    return out, float(np.sqrt((_FIT_RUNS + own_square) / freedom)), freedom


class Part(StrEnum):
    """What an explanation would be looked for in."""

    ICE = "ice"
    VESSEL = "vessel"
    TECHNIQUE = "technique"
    PROBE = "probe"


@dataclass(frozen=True)
class Leaning:
    """A set-up (of one recipe, or of all) that leans, and what would explain it, the likeliest first.

    `weighing`, `temperature`: its means; None where not measured. `shared`: which of its ice, vessel and
    technique the other set-ups have in common that lean the same way.
    """

    set_up: SetUp | None
    recipe: str | None
    weighing: MeanResidual | None
    temperature: MeanResidual | None
    shared: tuple[str, ...]
    causes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names."""
        s = self.set_up
        return {
            "technique": None if s is None else s.technique,
            "vessel": None if s is None else s.vessel,
            "ice": None if s is None else s.ice,
            "recipe": self.recipe,
            "weighing": None if self.weighing is None else self.weighing.to_dict(),
            "temperature": None if self.temperature is None else self.temperature.to_dict(),
            "shared": list(self.shared),
            "would_explain_it": list(self.causes),
        }


def leanings(means: Sequence[MeanResidual]) -> tuple[Leaning, ...]:
    """The set-ups that lean; a single drink only where its set-up as a whole does not."""
    by_group: dict[tuple[SetUp | None, str | None], dict[Observation, MeanResidual]] = {}
    for m in means:
        by_group.setdefault((m.set_up, m.recipe), {})[m.observation] = m
    whole = {s for (s, recipe), both in by_group.items() if recipe is None and _leans(both)}
    out = []
    for (set_up, recipe), both in by_group.items():
        if not _leans(both) or (recipe is not None and set_up in whole):
            continue
        weighing, temperature = (both.get(o) for o in Observation)
        shared = () if set_up is None else _shared(set_up, both, means)
        causes = _causes(weighing, temperature, shared if set_up is not None else (Part.PROBE,))
        out.append(Leaning(set_up, recipe, weighing, temperature, shared, causes))
    return tuple(out)


def _leans(both: dict[Observation, MeanResidual]) -> bool:
    return any(m.leans for m in both.values())


def _shared(
    set_up: SetUp, both: dict[Observation, MeanResidual], means: Sequence[MeanResidual]
) -> tuple[str, ...]:
    """Parts of a set-up whose other set-ups all lean with it."""
    out = []
    for part in (Part.ICE, Part.VESSEL, Part.TECHNIQUE):
        alike = [
            m.sign == both[m.observation].sign
            for m in means
            if m.set_up is not None
            and m.recipe is None
            and m.set_up != set_up
            and getattr(m.set_up, part) == getattr(set_up, part)
            and m.observation in both
            and both[m.observation].leans
        ]
        if alike and all(alike):
            out.append(part.value)
    return tuple(out)


_CAUSES: dict[tuple[int, int], tuple[tuple[Part, str], ...]] = {
    (1, 0): (
        (Part.VESSEL, "less liquid held back than reckoned (held_back_g of the vessel)"),
        (Part.ICE, "wet ice: more water on it than noted"),
        (Part.ICE, "ice chips that come through the strainer"),
    ),
    (-1, 0): (
        (Part.VESSEL, "more liquid held back than reckoned (held_back_g of the vessel)"),
        (Part.ICE, "drier ice than noted"),
        (Part.TECHNIQUE, "drink lost on the way to the glass"),
    ),
    (1, 1): (
        (Part.ICE, "wetter or warmer ice than noted"),
        (Part.VESSEL, "a vessel warmer at the start than noted"),
    ),
    (-1, -1): (
        (Part.ICE, "colder or drier ice than noted"),
        (Part.VESSEL, "a chilled vessel that was not noted"),
    ),
    (1, -1): (
        (Part.ICE, "another ice than noted: finer or more of it"),
        (Part.TECHNIQUE, "shaken or stirred harder, or longer than noted"),
    ),
    (-1, 1): (
        (Part.ICE, "another ice than noted: coarser or less of it"),
        (Part.TECHNIQUE, "shaken or stirred more gently, or stopped sooner than noted"),
    ),
    (0, 1): (
        (Part.PROBE, "a probe that reads warm, or not deep enough in the drink (its offset: chillrig calibrate)"),
        (Part.VESSEL, "drink or vessel warmer at the start than noted"),
    ),
    (0, -1): (
        (Part.PROBE, "a probe that reads cold or touches ice (its offset: chillrig calibrate)"),
        (Part.VESSEL, "drink or vessel colder at the start than noted"),
    ),
}  # fmt: skip
"""What would explain it, by the signs of weighing and temperature. Common practice, no source."""


def _causes(
    weighing: MeanResidual | None, temperature: MeanResidual | None, first: Sequence[str]
) -> tuple[str, ...]:
    signs = tuple(0 if m is None else m.sign for m in (weighing, temperature))
    return tuple(text for part, text in sorted(_CAUSES[signs], key=lambda cause: cause[0] not in first))  # type: ignore[index]
