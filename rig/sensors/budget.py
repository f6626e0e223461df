"""Uncertainty budgets as in the GUM (JCGM 100:2008): inputs, sensitivities, combined and expanded."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.stats import t as student_t

from rig.arrays import FloatArray
from rig.errors import ModelRangeError

_STEP = 1e-3  # of a standard uncertainty: small against the curve of any model, large against rounding


class Distribution(StrEnum):
    """What is assumed of an input, and how its standard uncertainty follows from its half-width."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"


_DIVISOR = {
    Distribution.RECTANGULAR: math.sqrt(3.0),
    Distribution.TRIANGULAR: math.sqrt(6.0),
    Distribution.ARCSINE: math.sqrt(2.0),
}


@dataclass(frozen=True)
class Input:
    """An input quantity: its value, standard uncertainty, distribution and degrees of freedom."""

    name: str
    value: float
    std: float
    unit: str = ""
    distribution: Distribution = Distribution.NORMAL
    degrees_of_freedom: float = math.inf

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.std >= 0 and self.degrees_of_freedom > 0):
            raise ModelRangeError(
                f"{self.name}: value {self.value:g}, uncertainty {self.std:g}, degrees of freedom "
                f"{self.degrees_of_freedom:g} cannot be; an uncertainty is 0 or more"
            )

    @staticmethod
    def within(
        name: str,
        value: float,
        half_width: float,
        unit: str = "",
        distribution: Distribution = Distribution.RECTANGULAR,
    ) -> Input:
        """An input known to lie within ± a half-width (GUM 4.3.7, 4.3.9)."""
        if distribution is Distribution.NORMAL:
            raise ModelRangeError(
                f"{name}: a normal distribution has no half-width; give its standard uncertainty"
            )
        return Input(name, value, half_width / _DIVISOR[distribution], unit, distribution)

    @staticmethod
    def of_readings(name: str, readings: Sequence[float], unit: str = "") -> Input:
        """The mean of repeated readings (GUM 4.2)."""
        values = np.asarray(readings, float)
        if values.size < 2:
            raise ModelRangeError(f"{name}: repeat the reading; one says nothing of its spread")
        std = float(values.std(ddof=1) / math.sqrt(values.size))
        return Input(name, float(values.mean()), std, unit, degrees_of_freedom=values.size - 1)


@dataclass(frozen=True)
class Budget:
    """A result with what each input contributes; `correlation` is of the inputs, None where independent."""

    name: str
    unit: str
    value: float
    inputs: tuple[Input, ...]
    sensitivities: tuple[float, ...]
    correlation: tuple[tuple[float, ...], ...] | None = None

    @property
    def contributions(self) -> FloatArray:
        """Sensitivity times standard uncertainty of each input, signed, in the result's unit."""
        return np.asarray(np.array(self.sensitivities) * np.array([i.std for i in self.inputs]))

    @property
    def combined_std(self) -> float:
        """The combined standard uncertainty (GUM 5.1.2, 5.2.2)."""
        c = self.contributions
        variance = c @ c if self.correlation is None else c @ np.array(self.correlation) @ c
        return math.sqrt(max(float(variance), 0.0))

    @property
    def effective_degrees_of_freedom(self) -> float:
        """By Welch–Satterthwaite (GUM G.4.1); of correlated inputs, for which it does not hold, the least."""
        freedom = np.array([i.degrees_of_freedom for i in self.inputs])
        c = self.contributions
        if self.correlation is not None:
            return float(freedom[c != 0].min(initial=math.inf))
        shares = float(np.sum(c**4 / freedom))
        return self.combined_std**4 / shares if shares > 0 else math.inf

    def coverage_factor(self, probability: float = 0.95) -> float:
        """K for an interval of that probability; degrees of freedom rounded down, as GUM G.4.1 has it."""
        freedom = self.effective_degrees_of_freedom
        whole = math.inf if math.isinf(freedom) else max(math.floor(freedom), 1)
        return float(student_t.ppf(0.5 + probability / 2.0, whole))

    def expanded(self, probability: float = 0.95) -> float:
        """The expanded uncertainty."""
        return self.coverage_factor(probability) * self.combined_std

    def shares(self) -> FloatArray:
        """Each input's part of the variance, which add up to 1 where inputs are independent."""
        total = self.combined_std**2
        return self.contributions**2 / total if total > 0 else np.zeros(len(self.inputs))

    def rows(self) -> list[tuple[str, float, str, float, Distribution, float, float, float]]:
        """Name, value, unit, standard uncertainty, distribution, degrees of freedom, sensitivity, contribution."""
        return [
            (i.name, i.value, i.unit, i.std, i.distribution, i.degrees_of_freedom, c, abs(c) * i.std)
            for i, c in zip(self.inputs, self.sensitivities, strict=True)
        ]

    def table(self, probability: float = 0.95) -> str:
        """The budget as text: a line an input, then the result."""
        width = max(len(i.name) for i in self.inputs)
        lines = [f"{'quantity':{width}}  {'value':>10} {'u':>10} {'c':>10} {'|c|·u':>10}  distribution"]
        for name, value, _, std, kind, _, c, part in self.rows():
            lines.append(f"{name:{width}}  {value:10.4g} {std:10.2g} {c:10.3g} {part:10.2g}  {kind}")
        k, u = self.coverage_factor(probability), self.expanded(probability)
        lines.append(
            f"{self.name} = {self.value:.4g} {self.unit}, u = {self.combined_std:.2g}, "
            f"U = {u:.2g} (k = {k:.2f}, {100 * probability:g} %)"
        )
        return "\n".join(lines)


def budget(
    name: str,
    model: Callable[[Mapping[str, float]], float],
    inputs: Sequence[Input],
    *,
    unit: str = "",
    correlation: FloatArray | None = None,
) -> Budget:
    """The budget of a model of named inputs; sensitivities by central differences (GUM 5.1.4, note 2).

    Raises
    ------
    ModelRangeError
        Where the correlation is not one of these inputs.
    """
    if correlation is not None and (
        correlation.shape != (len(inputs),) * 2 or np.linalg.eigvalsh(correlation).min() < -1e-9
    ):
        raise ModelRangeError(f"{name}: the correlation must be a positive matrix of {len(inputs)} inputs")
    values = {i.name: i.value for i in inputs}

    def moved(which: Input, by: float) -> float:
        return model(values | {which.name: which.value + by})

    sensitivities = []
    for each in inputs:
        step = _STEP * each.std or 1e-6 * max(abs(each.value), 1.0)
        sensitivities.append((moved(each, step) - moved(each, -step)) / (2.0 * step))
    rows = None if correlation is None else tuple(tuple(float(x) for x in row) for row in correlation)
    return Budget(name, unit, model(values), tuple(inputs), tuple(sensitivities), rows)
