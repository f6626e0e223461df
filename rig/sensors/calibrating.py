"""From what was read to a calibration, by each way in which a bar can calibrate; what it says, in sentences.

Whoever asks, a command line or a screen, hears the same; nothing is kept here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from math import hypot, sqrt

import numpy as np

from rig.arrays import FloatArray
from rig.errors import ModelRangeError, NotFound
from rig.sensors.calibration import Calibration, CalibrationKind, Part, Point, one_value
from rig.sensors.fixed_points import STANDARD_PRESSURE_HPA, FixedPoint
from rig.sensors.lag import time_constant
from rig.sensors.line import fit_line, one_point, reading_parts, reading_point
from rig.sensors.water_weighing import EXPANSION_PER_K, volume_of_measure

USUAL_C = (-5.0, 0.0, 20.0, 60.0)
"""Where a probe's correction is told: a cold drink, ice, the room, hot coffee."""
_FAR_OFF_K, _SPREAD_K = 5.0, 1.0
_SLOPE_OFF = 0.05
_FILLS_APART = 0.05
# beyond these a reading is doubted in words, never refused (common practice, no source)


class FixedPointName(StrEnum):
    """The two temperatures that need no reference thermometer."""

    ICE = "ice point"
    BOILING = "boiling point"

    @property
    def other(self) -> FixedPointName:
        """The one that makes a line with it."""
        return FixedPointName.BOILING if self is FixedPointName.ICE else FixedPointName.ICE


@dataclass(frozen=True)
class Label:
    """What stands on a calibration's label: device, channel, when it was made, for how many days it holds.

    `valid_days` of None holds for as long as is usual for its kind.
    """

    device: str
    channel: str
    when: datetime
    valid_days: int | None = None


@dataclass(frozen=True)
class Made:
    """A calibration, not kept yet, and what it says.

    `here` is the reading at which it is told first and `at` those at which it is told too; `parts` are what its
    uncertainty comes from; `doubts` are reasons not to believe it.
    """

    calibration: Calibration
    here: float
    at: tuple[float, ...]
    sentences: tuple[str, ...]
    parts: tuple[Part, ...] = ()
    doubts: tuple[str, ...] = ()


def at_fixed_point(
    label: Label,
    name: FixedPointName,
    known: FixedPoint,
    readings: Sequence[float],
    *,
    resolution_k: float,
    held: Calibration | None = None,
) -> Made:
    """A probe in ice or in boiling water; together with the other of the two, where `held` has it, a line.

    `held` is the calibration in force of the same channel.

    Raises
    ------
    NotEnoughData, ModelRangeError
        No reading; one that is no number; a label that does not hold for a day.
    """
    parts = reading_parts(readings, known, resolution=resolution_k)
    point = reading_point(readings, known, resolution=resolution_k, name=name.value)
    before = {} if held is None else {p.name: p for p in held.points}
    other = before.get(name.other.value)
    kind = CalibrationKind.TEMPERATURE
    if other is None:
        made = one_point(
            label.device, label.channel, kind, label.when, point,
            method=known.method, valid_days=label.valid_days,
        )  # fmt: skip
        hint = f"With the {name.other} as well it becomes a line: one point says nothing of the slope."
    else:
        both = sorted((point, other), key=lambda p: p.reference)
        made = fit_line(
            label.device, label.channel, kind, label.when, both, valid_days=label.valid_days,
            method=f"{known.method}; with the {other.name} kept before",
        )  # fmt: skip
        hint = f"Taken together with the {other.name}: a line."
    by, spread = point.reference - point.raw, float(np.ptp(readings))
    doubts = []
    if abs(by) > _FAR_OFF_K:
        doubts.append(f"{abs(by):.1f} °C is far off. Does it show °F, or was the bath not what it should be?")
    if spread > _SPREAD_K:
        doubts.append(f"the readings lie {spread:.1f} °C apart. Wait until the probe stands still")
    sentences = (
        f"It shows {rounded(point.raw, 2)} where it is {point.reference:z.2f} °C: "
        f"{rounded(by, 2, '+')} °C to add here.",
        corrections(made, USUAL_C),
        hint,
    )
    return Made(made, point.raw, USUAL_C, sentences, parts, tuple(doubts))


def beside_reference(label: Label, pairs: Sequence[tuple[float, float]], *, std_k: float) -> Made:
    """A probe beside a better one: pairs of reading and true temperature [°C], a line through them.

    `std_k` is how far a pair may be off; 0 takes it from the scatter.

    Raises
    ------
    NotEnoughData, ModelRangeError
        Too few pairs for a line; one that falls; an uncertainty below nothing.
    """
    if not 0 <= std_k < np.inf:
        raise ModelRangeError(f"an uncertainty is 0 or more, found {std_k:g} °C")
    given = [Point(raw, true, std_k) for raw, true in pairs]
    made = fit_line(
        label.device, label.channel, CalibrationKind.TEMPERATURE, label.when, given,
        method=f"{len(given)} points beside a reference", valid_days=label.valid_days,
    )  # fmt: skip
    at = _ends_and_middle(given)
    sentences = (
        corrections(made, at),
        f"The points scatter by {made.residual_std:.3f} °C about the line.",
    )
    parts = (Part("a pair beside the reference", std_k), Part("scatter about the line", made.residual_std))
    return Made(made, at[1], at, sentences, parts)


def with_weights(
    label: Label, pairs: Sequence[tuple[float, float]], *, resolution_g: float, tolerance_pct: float
) -> Made:
    """A scale with check weights: pairs of reading and weight [g], a line through them.

    Raises
    ------
    NotEnoughData, ModelRangeError
        Too few pairs for a line; one that falls; a step that is none, or a tolerance below nothing.
    """
    if not (0 < resolution_g < np.inf and 0 <= tolerance_pct < np.inf):
        raise ModelRangeError(
            "the smallest step of a scale is above 0 g and the tolerance of a weight not below 0 %"
        )
    step_g, share = resolution_g / sqrt(12.0), tolerance_pct / 100.0 / sqrt(3.0)
    given = [Point(raw, weight, hypot(step_g, share * weight)) for raw, weight in pairs]
    made = fit_line(
        label.device, label.channel, CalibrationKind.MASS, label.when, given,
        method=f"{len(given)} check weights", valid_days=label.valid_days,
    )  # fmt: skip
    at, slope = _ends_and_middle(given), made.coefficients[1]
    heaviest = max(p.reference for p in given)
    sentences = (
        corrections(made, at),
        f"A gram shown is {slope:.4f} g. A scale that reads to 1 g is enough for a drink.",
    )
    parts = (
        Part("smallest step shown, at each weight", step_g),
        Part(f"the weights, at {heaviest:g} g", share * heaviest),
        Part("scatter about the line", made.residual_std),
    )
    doubts = (
        (f"a gram shown is {slope:.2f} g. Does the scale show another unit, or is a pair mis-keyed?",)
        if abs(slope - 1.0) > _SLOPE_OFF
        else ()
    )
    return Made(made, at[1], at, sentences, parts, doubts)


def by_water(
    label: Label,
    masses_g: Sequence[float],
    *,
    water_temp_c: float,
    resolution_g: float,
    made_of: str,
    pressure_hpa: float = STANDARD_PRESSURE_HPA,
) -> Made:
    """What a scoop, cup or mark holds at 20 °C, from the water of several fillings as the scale shows it.

    Raises
    ------
    NotFound
        A material that is not known.
    NotEnoughData, ModelRangeError
        As `rig.sensors.water_weighing.volume_of_measure`; a step of the scale that is none.
    """
    if made_of not in EXPANSION_PER_K:
        raise NotFound("material", made_of, EXPANSION_PER_K)
    if not 0 <= resolution_g < np.inf:
        raise ModelRangeError(f"the smallest step of a scale is not {resolution_g:g} g")
    found = volume_of_measure(
        masses_g, water_temp_c, mass_std_g=resolution_g / sqrt(12.0), pressure_hpa=pressure_hpa,
        expansion_per_k=EXPANSION_PER_K[made_of],
    )  # fmt: skip
    made = one_value(
        label.device, "", CalibrationKind.VOLUME, label.when, found.volume_ml, found.std_ml,
        degrees_of_freedom=found.degrees_of_freedom, residual_std=found.fill_std_ml,
        method=f"{len(masses_g)} fillings of water at {water_temp_c:g} °C weighed", valid_days=label.valid_days,
    )  # fmt: skip
    apart = found.fill_std_ml / found.volume_ml
    sentences = (
        f"Holds {found.volume_ml:.2f} ± {found.std_ml:.2f} ml at 20 °C (± one standard uncertainty).",
        f"One filling lies {found.fill_std_ml:.2f} ml from another, {100 * apart:.1f} %: "
        "that is what a drink gets.",
    )
    doubts = (
        (f"fillings differ by {100 * apart:.0f} %. Is one mis-keyed, or weighed with the measure?",)
        if apart > _FILLS_APART
        else ()
    )
    return Made(made, 1.0, (), sentences, found.parts, doubts)


def by_plunge(label: Label, time_s: FloatArray, reading_c: FloatArray) -> Made:
    """A probe's lag from the trace of a plunge, both of shape (samples,).

    Raises
    ------
    NotEnoughData, ModelRangeError
        As `rig.sensors.lag.time_constant`.
    """
    found = time_constant(time_s, reading_c)
    made = one_value(
        label.device, label.channel, CalibrationKind.LAG, label.when, found.tau_s, found.tau_std_s,
        degrees_of_freedom=found.degrees_of_freedom, residual_std=found.residual_std_k,
        method=f"plunge from {rounded(found.start_c, 1)} to {rounded(found.end_c, 1)} °C",
        valid_days=label.valid_days,
    )  # fmt: skip
    low, high = found.interval_s
    sentences = (
        f"Time constant {found.tau_s:.2f} s ({low:.2f} to {high:.2f} s, 95 %); it shows 90 % of a step after "
        f"{2.303 * found.tau_s:.1f} s.",
        f"While a drink falls by 1 °C a second the probe shows {found.tau_s:.1f} °C too much.",
    )
    return Made(made, 0.0, (), sentences, (), found.doubts)


def corrections(c: Calibration, at: Sequence[float]) -> str:
    """What the calibration adds to a few readings, in words."""
    parts = []
    for raw in at:
        by, std = (float(x) for x in c.correction(raw))
        parts.append(f"{rounded(by, 2, '+')} ± {std:.2f} {c.kind.unit} at {raw:g}")
    return f"Add {'; '.join(parts)} (± one standard uncertainty)."


def rounded(value: float, digits: int, sign: str = "-") -> str:
    """A number to so many decimals, never a negative nothing."""
    return f"{value:{sign}z.{digits}f}"


def _ends_and_middle(points: Sequence[Point]) -> tuple[float, float, float]:
    raw = [p.raw for p in points]
    return min(raw), sum(raw) / len(raw), max(raw)


def now() -> datetime:
    """The present, to the second."""
    return datetime.now(UTC).replace(microsecond=0)
