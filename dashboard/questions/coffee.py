"""The question behind a coffee: how it is brewed, and how long it rests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dashboard.params import Params, Scale, named
from rig.errors import ModelRangeError
from rig.physics.brew import Bean, Brew, BrewMethod, Cupful, brewed, coffee
from rig.physics.cooling import Rested, rest
from rig.physics.cup import CUPS
from rig.physics.room_air import Room

METHODS = {m.label: m for m in BrewMethod}
BEANS = {b.label: b for b in Bean}
REST_CUPS = ("espresso cup", "mug", "paper cup", "steel pitcher", "beaker")
DOSE = Scale(5.0, 60.0, 0.5, "g")
YIELD = Scale(15.0, 600.0, 5.0, "g")
COUNT = Scale(1.0, 6.0, 1.0, "×")
STRENGTH = Scale(0.0, 15.0, 0.1, "%")
OUT = Scale(60.0, 94.0, 1.0, "°C")
REST_TO = Scale(25.0, 70.0, 1.0, "°C")
ROOM = Scale(10.0, 38.0, 1.0, "°C")
LONGEST_S = 1800.0
_TIMES = np.linspace(0.0, LONGEST_S, 37)


@dataclass(frozen=True, eq=False)
class Poured:
    """What is in the cup and, where it fits into it, how it cools; else the reason why not."""

    cupful: Cupful
    rested: Rested | None
    refused: str


@dataclass(frozen=True)
class CoffeeQuestion:
    """One coffee: method, bean, masses in g, strength in % (None: not measured), temperatures in °C."""

    method: BrewMethod
    bean: Bean
    dose_g: float
    yield_g: float
    count: int
    tds_pct: float | None
    cup: str
    out_c: float
    rest_to_c: float
    room_c: float

    @classmethod
    def of(cls, params: Params) -> CoffeeQuestion:
        """What the parameters ask; left out: one espresso.

        Raises
        ------
        NotFound, ModelRangeError
            A name that is not known; a number beyond its slider.
        """
        strength = STRENGTH.read(params, "tds_pct", 0.0)
        return cls(
            method=METHODS[named(params, "method", METHODS, BrewMethod.ESPRESSO.label, "way to brew")],
            bean=BEANS[named(params, "bean", BEANS, Bean.ARABICA.label, "bean")],
            dose_g=DOSE.read(params, "dose_g", 18.0),
            yield_g=YIELD.read(params, "yield_g", 40.0),
            count=int(COUNT.read(params, "count", 1.0)),
            tds_pct=strength or None,
            cup=named(params, "cup", REST_CUPS, REST_CUPS[0], "cup"),
            out_c=OUT.read(params, "out_c", 82.0),
            rest_to_c=REST_TO.read(params, "rest_to_c", 45.0),
            room_c=ROOM.read(params, "room_c", 21.0),
        )

    @property
    def brew(self) -> Brew:
        """The brew asked for."""
        return Brew(
            self.method,
            self.dose_g,
            yield_g=self.yield_g,
            tds_pct=self.tds_pct,
            count=self.count,
            bean=self.bean,
        )

    def made(self) -> Cupful:
        """What is in the cup.

        Raises
        ------
        BenchError, ModelRangeError
            A brew that cannot be.
        """
        return brewed(self.brew)

    def rested(self) -> Poured:
        """The same with its rest, over half an hour in the cup chosen."""
        made, cup = self.made(), CUPS[self.cup]
        if made.volume_ml.typical > cup.capacity_ml:
            told = (
                f"{made.volume_ml.typical:.0f} ml do not fit into the {cup.name} of {cup.capacity_ml:.0f} ml"
            )
            return Poured(made, None, f"{told}: take a larger one, or rest less at a time")
        try:
            liquid = coffee(made.yield_g.typical, made.tds_pct.typical)
            return Poured(made, rest(liquid, self.out_c, cup, _TIMES, room=Room(self.room_c)), "")
        except ModelRangeError as error:
            return Poured(made, None, str(error))


def waits_s(rested: Rested, to_c: float) -> tuple[float | None, float | None, float | None]:
    """Soonest, usual and latest time [s] at which it is no warmer than `to_c`; None beyond half an hour."""
    return tuple(  # type: ignore[return-value]
        _first(rested.time_s, band, to_c)
        for band in (rested.temp_c.low, rested.temp_c.typical, rested.temp_c.high)
    )


def _first(time_s: np.ndarray, temp_c: np.ndarray, to_c: float) -> float | None:
    at = np.flatnonzero(temp_c <= to_c)
    if not at.size:
        return None
    k = int(at[0])
    if k == 0:
        return 0.0
    part = (temp_c[k - 1] - to_c) / (temp_c[k - 1] - temp_c[k])
    return float(time_s[k - 1] + part * (time_s[k] - time_s[k - 1]))
