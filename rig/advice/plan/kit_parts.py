"""What a bar can measure with, from a kitchen scale up, and how well each part measures.

Every figure is a standard uncertainty with its source; where none is published the words 'common practice, no
source' stand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import hypot, sqrt

from rig.fitting.priors import UNCHECKED_PROBE_K
from rig.sensors.fixed_points import ICE_POINT_STD_K
from rig.signals.sound import USUAL_CADENCE_HZ, edge_std_s

_STEP = sqrt(12.0)
"""A display's step over its standard uncertainty: equally likely anywhere within it (JCGM 100:2008, 4.3.7)."""


class Part(StrEnum):
    """A thing to measure with, in the order in which one comes to own it; each is added to those before."""

    NOTHING = "nothing"
    SCALE = "scale"
    THERMOMETER = "end temperature"
    EAR = "start and stop heard"
    PROBE = "probe"
    CALIBRATION = "calibration"


@dataclass(frozen=True)
class Figure:
    """How well something is known: standard uncertainty in `unit`, and where the figure is from."""

    what: str
    std: float
    unit: str
    source: str


@dataclass(frozen=True)
class Kit:
    """All parts up to `part`, as standard uncertainties of what they show.

    `weigh_std_g` of one weighing; `start_std_s`, `stop_std_s` of the moments; `end_std_k` of a thermometer read and
    typed once after the stop, None without one; `traced`: a probe is read all along. `probe_std_k`, `scale_std_g`:
    what a calibration leaves, None where nothing is calibrated. `tells`: what the part adds, `price`: what it costs,
    both in words; `figures`: what its own figures rest on.
    """

    part: Part
    tells: str
    price: str
    figures: tuple[Figure, ...]
    weigh_std_g: float
    start_std_s: float
    stop_std_s: float
    end_std_k: float | None = None
    traced: bool = False
    probe_std_k: float | None = None
    scale_std_g: float | None = None

    @property
    def measures_start(self) -> bool:
        """Whether drink, ice and vessel can be measured before the ice goes in."""
        return self.end_std_k is not None or self.traced


def _together(figures: tuple[Figure, ...], unit: str) -> float:
    return hypot(*(f.std for f in figures if f.unit == unit))


_KITCHEN_SCALE = (
    Figure("a scale that shows whole grams", 1.0 / _STEP, "g", "JCGM 100:2008, 4.3.7"),
    Figure("tare, drift and drops on the outside", 0.5, "g", "common practice, no source"),
)
_HAND_TIMED = (
    Figure("seconds noted as whole ones", 1.0 / _STEP, "s", "JCGM 100:2008, 4.3.7"),
    Figure(
        "a look at the clock at the start, and again at the stop", 0.35, "s", "common practice, no source"
    ),
)
_THERMOMETER = (
    Figure("a thermometer in the strained drink, not quite settled", 0.4, "K", "common practice, no source"),
    Figure("what it shows too much, every time", UNCHECKED_PROBE_K, "K each", "common practice, no source"),
)
_HEARD = (
    Figure(
        "first and last knock of the ice, each to half a knock",
        edge_std_s(0.5 / USUAL_CADENCE_HZ),
        "s",
        "as chillrig hear says of a usual shake",
    ),
)
_MOMENTS = (
    Figure("start of motion as a probe's trace shows it", 0.15, "s", "common practice, no source"),
    Figure("what it shows too much, every time", UNCHECKED_PROBE_K, "K each", "common practice, no source"),
)
_CALIBRATED = (
    Figure("a kitchen's ice point", ICE_POINT_STD_K, "K", "ASTM E563, a kitchen's share common practice"),
    Figure("drift from one check to the next", 0.05, "K", "common practice, no source"),
    Figure("a scale in tenths of a gram, held against check weights", 0.1, "g", "common practice, no source"),
)


def ladder(heard: bool) -> tuple[Kit, ...]:
    """The parts in their order, each with all before it; what cannot be heard is left out.

    Parameters
    ----------
    heard
        Whether the technique makes the ice knock, so that a phone hears start and stop.
    """
    moment_s = _together(_HAND_TIMED, "s") / sqrt(2.0)
    scale = Kit(
        Part.SCALE,
        "the drink and what is strained, weighed; seconds by a clock",
        "a drink or two, if no drawer has one",
        (*_KITCHEN_SCALE, *_HAND_TIMED),
        weigh_std_g=_together(_KITCHEN_SCALE, "g"),
        start_std_s=moment_s,
        stop_std_s=moment_s,
    )
    thermometer = replace(
        scale,
        part=Part.THERMOMETER,
        tells="a kitchen thermometer, read before the ice and once after the stop",
        price="a drink or two",
        figures=_THERMOMETER,
        end_std_k=_together(_THERMOMETER, "K"),
    )
    ear = replace(
        thermometer,
        part=Part.EAR,
        tells="a phone or laptop beside the shaker hears start and stop",
        price="nothing, with a phone",
        figures=_HEARD,
        start_std_s=_HEARD[0].std,
        stop_std_s=_HEARD[0].std,
    )
    before = ear if heard else thermometer
    probe = replace(
        before,
        part=Part.PROBE,
        tells="a probe in the drink, read all along by a microcontroller",
        price="a bottle, and an evening",
        figures=_MOMENTS,
        start_std_s=min(before.start_std_s, _MOMENTS[0].std),
        end_std_k=None,
        traced=True,
    )
    calibration = replace(
        probe,
        part=Part.CALIBRATION,
        tells="the probe held at the ice point, a finer scale held against check weights",
        price="ice: nothing; finer scale: a bottle",
        figures=_CALIBRATED,
        weigh_std_g=_together(_CALIBRATED, "g"),
        probe_std_k=_together(_CALIBRATED, "K"),
        scale_std_g=_together(_CALIBRATED, "g"),
    )
    return (scale, thermometer, *((ear,) if heard else ()), probe, calibration)
