"""A straight line through calibration points, with the full covariance of offset and slope (GUM H.3)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from rig.errors import ModelRangeError, NotEnoughData
from rig.sensors.calibration import Calibration, CalibrationKind, Part, Point, as_rows, expiry
from rig.sensors.fixed_points import FixedPoint

PROBE_SLOPE_STD = 0.005 / np.sqrt(3.0)
"""Of a probe's slope not yet calibrated: IEC 60751 class B grows by ±0.005 °C a degree, taken as even."""


def reading_parts(readings: Sequence[float], reference: FixedPoint, *, resolution: float) -> tuple[Part, ...]:
    """What the uncertainty of readings at a fixed point comes from.

    Raises
    ------
    NotEnoughData
        Where there is no reading.
    ModelRangeError
        A reading that is no number; a resolution below nothing.
    """
    values = np.asarray(readings, float)
    if values.size == 0:
        raise NotEnoughData("no reading is given; wait until the probe stands still and note a few")
    if not np.all(np.isfinite(values)):
        raise ModelRangeError("a reading is not a number; check what was typed")
    if not 0 <= resolution < np.inf:
        raise ModelRangeError(
            f"the smallest step a display shows is not {resolution:g}; most probes show 0.1"
        )
    of_mean = float(values.std(ddof=1) / np.sqrt(values.size)) if values.size > 1 else 0.0
    return (
        Part(reference.method.partition(":")[0], reference.std_k),
        Part("scatter of the readings", of_mean),
        Part("smallest step shown", resolution / np.sqrt(12.0)),
    )


def reading_point(readings: Sequence[float], reference: FixedPoint, *, resolution: float, name: str) -> Point:
    """Several readings at a fixed point as one calibration point.

    Raises
    ------
    NotEnoughData, ModelRangeError
        As `reading_parts`.
    """
    parts = reading_parts(readings, reference, resolution=resolution)
    std = float(np.sqrt(sum(p.std**2 for p in parts)))
    return Point(float(np.mean(readings)), reference.temp_c, std, name)


def one_point(
    device: str,
    channel: str,
    kind: CalibrationKind,
    when: datetime,
    point: Point,
    *,
    method: str,
    slope_std: float = float(PROBE_SLOPE_STD),
    valid_days: int | None = None,
) -> Calibration:
    """An offset found at one point; the slope stays 1 and as unsure as the maker leaves it."""
    return Calibration(
        device,
        channel,
        kind,
        when,
        expiry(when, kind, valid_days),
        (point.reference, 1.0),
        as_rows(np.diag([point.std**2, slope_std**2])),
        0.0,
        np.inf,
        (point,),
        method,
        origin=point.raw,
    )


def fit_line(
    device: str,
    channel: str,
    kind: CalibrationKind,
    when: datetime,
    points: Sequence[Point],
    *,
    method: str,
    origin: float | None = None,
    valid_days: int | None = None,
) -> Calibration:
    """A line by least squares, value against raw − origin (by default the mean of the readings).

    Where the points tell their own uncertainty they are weighted by it, and what they scatter beyond it widens
    the answer (Birge's ratio); where they do not, the scatter is the uncertainty, as in GUM H.3.

    Raises
    ------
    NotEnoughData
        Fewer than two different readings, or three where the uncertainty must come from the scatter.
    ModelRangeError
        Where values are not finite, or the line falls: reading and reference are exchanged or mixed up.
    """
    raw = np.array([p.raw for p in points], float)
    reference = np.array([p.reference for p in points], float)
    std = np.array([p.std for p in points], float)
    if not (np.all(np.isfinite(raw)) and np.all(np.isfinite(reference)) and np.all(std >= 0)):
        raise ModelRangeError("a calibration point is not a number; check what was typed")
    weighted = bool(std.size and np.all(std > 0))
    needed = 2 if weighted else 3
    if np.unique(raw).size < 2 or raw.size < needed:
        raise NotEnoughData(
            f"a line needs {needed} points at two readings at least, found {raw.size} at "
            f"{np.unique(raw).size}; add points spread over the range in use"
        )
    start = float(raw.mean()) if origin is None else origin
    sigma = std if weighted else np.ones_like(raw)
    design = np.stack([np.ones_like(raw), raw - start], axis=1)
    inverse = np.linalg.inv((design / sigma[:, None] ** 2).T @ design)
    coefficients = inverse @ (design.T @ (reference / sigma**2))
    residual = reference - design @ coefficients
    freedom = raw.size - 2
    chi_squared = float(np.sum((residual / sigma) ** 2))
    ratio = chi_squared / freedom if freedom else 1.0
    if weighted:
        ratio = max(ratio, 1.0)
    if coefficients[1] <= 0:
        raise ModelRangeError(
            f"the reference falls as the reading rises (slope {coefficients[1]:.3g}); check which column is which"
        )
    return Calibration(
        device,
        channel,
        kind,
        when,
        expiry(when, kind, valid_days),
        tuple(float(c) for c in coefficients),
        as_rows(inverse * ratio),
        float(np.sqrt(np.sum(residual**2) / freedom)) if freedom else 0.0,
        float(freedom) if not weighted or (freedom and ratio > 1.0) else np.inf,
        tuple(points),
        method,
        origin=start,
    )
