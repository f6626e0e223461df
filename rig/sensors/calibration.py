"""What a calibration is: a curve from what a device shows to what is true, how sure, and until when.

Raw readings stay raw; a calibration is applied on the way to a result, and can be replaced years later.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.errors import ModelRangeError


class CalibrationKind(StrEnum):
    """What is calibrated; the value it gives is in °C, g, s or ml."""

    TEMPERATURE = "temperature"
    MASS = "mass"
    LAG = "lag"
    VOLUME = "volume"

    @property
    def unit(self) -> str:
        """The unit of the value."""
        return {"temperature": "°C", "mass": "g", "lag": "s", "volume": "ml"}[self.value]

    @property
    def valid_days(self) -> int:
        """For how long it holds unless told otherwise (common practice, no source)."""
        return {"temperature": 90, "mass": 90, "lag": 365, "volume": 730}[self.value]


@dataclass(frozen=True)
class Point:
    """A reading beside what it should have been, and the standard uncertainty of the two together.

    A `std` of 0 says that it is not known and is to be found from the scatter of the points.
    """

    raw: float
    reference: float
    std: float = 0.0
    name: str = ""


@dataclass(frozen=True)
class Part:
    """One contribution to a standard uncertainty: where it comes from, and its size in the value's unit."""

    name: str
    std: float


@dataclass(frozen=True)
class Calibration:
    """A calibration of one channel of a device: value = Σ coefficients[k] · (raw − origin)^k.

    `covariance` is that of the coefficients, as rows; `residual_std` the scatter of the points about the curve,
    in the value's unit; `expires` the first day on which it no longer holds.
    """

    device: str
    channel: str
    kind: CalibrationKind
    when: datetime
    expires: date
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residual_std: float
    degrees_of_freedom: float
    points: tuple[Point, ...]
    method: str
    origin: float = 0.0

    def __post_init__(self) -> None:
        size = len(self.coefficients)
        matrix = np.array(self.covariance, float)
        if size == 0 or matrix.shape != (size, size) or np.any(np.diag(matrix) < 0):
            raise ModelRangeError(
                f"the calibration of {self.device} is damaged: {size} coefficients with a covariance of shape "
                f"{matrix.shape}; calibrate again"
            )

        if self.when.tzinfo is None:
            raise ModelRangeError(
                f"the calibration of {self.device} has no time zone; give its moment with one"
            )

    def apply(self, raw: Floats) -> tuple[FloatArray, FloatArray]:
        """Value and its standard uncertainty for raw readings of any shape.

        The uncertainty is the calibration's alone, the same for all readings of a run; the noise of single
        readings comes on top.
        """
        powers = (np.asarray(raw, float) - self.origin)[..., None] ** np.arange(len(self.coefficients))
        value = powers @ np.array(self.coefficients)
        variance = np.einsum("...i,ij,...j->...", powers, np.array(self.covariance), powers)
        return np.asarray(value), np.sqrt(np.maximum(variance, 0.0))

    def correction(self, raw: Floats) -> tuple[FloatArray, FloatArray]:
        """What to add to raw readings of any shape, and its standard uncertainty."""
        value, std = self.apply(raw)
        return value - np.asarray(raw, float), std

    def difference(self, raw: Floats) -> tuple[FloatArray, FloatArray]:
        """What a net reading, the difference of two readings, should have been, and its standard uncertainty.

        Offsets cancel; the lower reading is taken as zero, which for a line makes no difference.
        """
        size = len(self.coefficients)
        powers = np.stack([(np.asarray(raw, float) - self.origin), np.full(np.shape(raw), -self.origin)])
        each = powers[..., None] ** np.arange(size)
        apart = each[0] - each[1]
        variance = np.einsum("...i,ij,...j->...", apart, np.array(self.covariance), apart)
        return np.asarray(apart @ np.array(self.coefficients)), np.sqrt(np.maximum(variance, 0.0))

    def already_applied(self) -> Calibration:
        """The same calibration for readings that it has corrected: nothing to add, and as unsure as before."""
        rest = (0.0,) * (len(self.coefficients) - 2)
        return replace(self, coefficients=(self.origin, 1.0, *rest))

    @property
    def raw_range(self) -> tuple[float, float] | None:
        """Between which readings it was made; beyond them it is drawn on, and surer than it ought to be."""
        raw = [p.raw for p in self.points]
        return (min(raw), max(raw)) if raw else None

    def holds_on(self, day: date) -> bool:
        """Whether it has not expired."""
        return day < self.expires


def expiry(when: datetime, kind: CalibrationKind, valid_days: int | None = None) -> date:
    """The first day on which a calibration made at `when` no longer holds.

    Raises
    ------
    ModelRangeError
        Where it would not hold for a single day.
    """
    days = kind.valid_days if valid_days is None else valid_days
    if days < 1:
        raise ModelRangeError(f"a calibration holds for at least one day, found {days}")
    return when.date() + timedelta(days=days)


def in_force(
    calibrations: Iterable[Calibration], device: str, channel: str, kind: CalibrationKind, day: date
) -> Calibration | None:
    """The newest calibration of a channel that was made by `day` and has not expired on it; None without."""
    fit = (
        c
        for c in calibrations
        if (c.device, c.channel, c.kind) == (device, channel, kind)
        and c.when.date() <= day
        and c.holds_on(day)
    )
    return max(fit, key=lambda c: c.when, default=None)


def as_rows(matrix: FloatArray) -> tuple[tuple[float, ...], ...]:
    """A matrix as nested tuples, fit for a frozen value."""
    return tuple(tuple(float(x) for x in row) for row in np.atleast_2d(matrix))


def one_value(
    device: str,
    channel: str,
    kind: CalibrationKind,
    when: datetime,
    value: float,
    std: float,
    *,
    degrees_of_freedom: float,
    residual_std: float,
    method: str,
    points: Sequence[Point] = (),
    valid_days: int | None = None,
) -> Calibration:
    """A calibration that is a single number: a time constant, which `apply` gives whatever the reading.

    A volume is what one filling holds, so that `apply` turns a count of fillings into millilitres.
    """
    per_filling = kind is CalibrationKind.VOLUME
    variance = std * std
    return Calibration(
        device,
        channel,
        kind,
        when,
        expiry(when, kind, valid_days),
        (0.0, value) if per_filling else (value,),
        ((0.0, 0.0), (0.0, variance)) if per_filling else ((variance,),),
        residual_std,
        degrees_of_freedom,
        tuple(points),
        method,
    )
