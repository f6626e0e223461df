"""Numbers and findings in words, as the screen shows them; `rig.report.wording` has what print shares."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from rig.advice.call.call import Advice
from rig.advice.compare.result import Comparison, Contrast, Quantity
from rig.advice.evidence.statistics import Verdict as Judged
from rig.arrays import FloatArray
from rig.fitting.result import Verdict

MARKS = {
    Verdict.GOOD: "✓",
    Verdict.DOUBTFUL: "△",
    Verdict.EXCLUDED: "✕",
    Verdict.NOT_FITTED: "○",
}
"""A mark beside each verdict's word, so that a glance down the column finds what differs."""

JUDGED = {
    Judged.DIFFERENT: "≠ different",
    Judged.NO_DIFFERENCE_THAT_MATTERS: "≈ no difference that matters",
    Judged.CANNOT_TELL: "? cannot tell",
    Judged.NOT_COMPARABLE: "– not comparable",
}


def number(value: float | None, digits: int, unit: str) -> str:
    """A number with its unit, or a dash where there is none; a true minus sign."""
    if value is None:
        return "–"
    shown = f"{value:z.{digits}f}".replace("-", "−")
    return f"{shown} {unit}"


def count(value: int) -> str:
    """A whole number, its thousands set apart."""
    return f"{value:,}".replace(",", "\u202f")


def when(moment: datetime | None) -> str:
    """A date and time of day."""
    return "–" if moment is None else f"{moment:%Y-%m-%d %H:%M}"


def span(low: float, high: float, digits: int, unit: str) -> str:
    """From a low to a high value."""
    first = number(low, digits, "").strip()
    return f"{first} to {number(high, digits, unit)}"


def forgiveness(advice: Advice) -> str:
    """How much too early or too late still lands nearly as often."""
    early, late = (round(s) for s in advice.slip_s)
    return f"{early} s early, {late} s late"


def why_not(advice: Advice) -> str:
    """Which limits of a target that no duration lands in fight each other, read off the draws' medians."""
    target, time_s, said = advice.target, advice.time_s, []
    if target.serve_temp_c_max is not None:
        said.append(_from("cold enough", time_s[advice.temp_c.p50 <= target.serve_temp_c_max]))
    if target.dilution_by_volume is not None:
        low, high = target.dilution_by_volume
        water = advice.dilution_by_volume.p50
        said.append(_from("diluted enough", time_s[water >= low]))
        said.append(_from("too thin", time_s[water > high]))
    if not said:
        return "The other limits of this target cannot be met together."
    return f"Half of such drinks are {', '.join(said)}."


def _from(what: str, times: FloatArray) -> str:
    return f"{what} from {np.min(times):.0f} s" if times.size else f"never {what}"


def quantity_name(comparison: Comparison, quantity: Quantity) -> str:
    """What two set-ups are compared in, with its condition."""
    after = "" if comparison.duration_s is None else f" after {comparison.duration_s:.3g} s"
    goal = "" if comparison.target_temp_c is None else number(comparison.target_temp_c, 1, "°C")
    return {
        Quantity.TEMP_C: f"temperature{after}",
        Quantity.DILUTION: f"dilution{after}",
        Quantity.TIME_TO_TARGET_S: f"time to {goal}",
        Quantity.DILUTION_AT_TARGET: f"dilution at {goal}",
    }[quantity]


def difference(contrast: Contrast) -> tuple[str, str]:
    """A difference with its sign, and its interval."""
    in_points = contrast.quantity in (Quantity.DILUTION, Quantity.DILUTION_AT_TARGET)
    scale, unit = (100.0, "ml to 100 ml") if in_points else (1.0, contrast.quantity.difference_unit)
    value = scale * contrast.difference
    sign = "+" if round(value, 1) > 0 else ""
    return sign + number(value, 1, unit), span(scale * contrast.low, scale * contrast.high, 1, unit)


def margin(contrast: Contrast) -> str:
    """The size from which a difference matters."""
    in_points = contrast.quantity in (Quantity.DILUTION, Quantity.DILUTION_AT_TARGET)
    scale, unit = (100.0, "ml to 100 ml") if in_points else (1.0, contrast.quantity.difference_unit)
    return number(scale * contrast.margin, 1, unit)


def chance(p: float) -> str:
    """The chance of a difference as large as this between set-ups that are equal."""
    return "under 0.1 %" if p < 0.001 else number(100.0 * p, 1, "%")
