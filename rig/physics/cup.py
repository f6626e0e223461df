"""Cups and glasses: what they are made of, how much heat they hold, how high a drink stands in them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum

import numpy as np

from rig.arrays import FloatArray, Floats
from rig.physics.ethanol_water import require


class CupMaterial(Enum):
    """Heat capacity [J/(g·K)] and conductivity [W/(m·K)] of what cups are made of; handbooks, from memory."""

    SODA_LIME = ("soda-lime glass", 0.84, 1.0)
    BOROSILICATE = ("borosilicate glass", 0.83, 1.1)
    PORCELAIN = ("porcelain", 0.85, 1.5)
    STEEL = ("stainless steel", 0.50, 15.0)
    COPPER = ("copper", 0.385, 390.0)
    PAPER = ("paper", 1.4, 0.08)

    def __init__(self, label: str, heat_capacity_j_per_gk: float, conductivity_w_per_mk: float) -> None:
        self.label = label
        self.heat_capacity_j_per_gk = heat_capacity_j_per_gk
        self.conductivity_w_per_mk = conductivity_w_per_mk


class GlassState(StrEnum):
    """How a glass is kept until it is poured into; temperatures are common practice, no source."""

    ROOM = "room"
    CHILLED = "chilled"
    FROZEN = "frozen"

    def temp_c(self, room_c: float) -> float:
        """Its temperature when poured into [°C]: a refrigerator's 4, a freezer's −15 with a minute's wait."""
        return {GlassState.ROOM: room_c, GlassState.CHILLED: 4.0, GlassState.FROZEN: -15.0}[self]


@dataclass(frozen=True)
class Cup:
    """A round open cup. `mass_g` is of the part that warms with the drink: without foot and stem."""

    name: str
    material: CupMaterial
    mass_g: float
    capacity_ml: float
    diameter_mm: float
    wall_mm: float = 2.5

    def __post_init__(self) -> None:
        for label, value, low, high, unit in (
            ("mass of the cup", self.mass_g, 2.0, 3000.0, "g"),
            ("capacity of the cup", self.capacity_ml, 15.0, 3000.0, "ml"),
            ("inner diameter of the cup", self.diameter_mm, 25.0, 250.0, "mm"),
            ("wall of the cup", self.wall_mm, 0.2, 15.0, "mm"),
        ):
            require(label, np.asarray(value, float), low, high, unit)

    @property
    def heat_capacity_j_per_k(self) -> float:
        """Of the whole cup [J/K]."""
        return self.mass_g * self.material.heat_capacity_j_per_gk

    @property
    def mouth_m2(self) -> float:
        """Area of the drink's surface [m²], taken as the cup's cross-section."""
        return float(np.pi / 4.0 * (self.diameter_mm / 1000.0) ** 2)

    @property
    def height_m(self) -> float:
        """Height of a straight-walled cup of that capacity and diameter [m]."""
        return self.capacity_ml * 1e-6 / self.mouth_m2

    @property
    def outside_m2(self) -> float:
        """Outer side wall [m²]; the foot stands on the bar and is left out."""
        return float(np.pi * (self.diameter_mm + 2.0 * self.wall_mm) / 1000.0 * self.height_m)

    def wetted_m2(self, volume_ml: Floats) -> FloatArray:
        """Inner wall and floor that so much drink touches [m²]."""
        level_m = np.minimum(np.asarray(volume_ml, float) * 1e-6 / self.mouth_m2, self.height_m)
        return np.asarray(self.mouth_m2 + np.pi * self.diameter_mm / 1000.0 * level_m)

    def contact_w_per_k(self, volume_ml: Floats, liquid_film_w_per_m2k: Floats) -> FloatArray:
        """Conductance [W/K] from drink to the middle of the wall: the liquid's film and half the wall."""
        half_wall = 0.5 * self.wall_mm / 1000.0 / self.material.conductivity_w_per_mk
        film = np.asarray(liquid_film_w_per_m2k, float)
        return np.asarray(self.wetted_m2(volume_ml) / (1.0 / film + half_wall))


CUPS: dict[str, Cup] = {
    cup.name: cup
    for cup in (
        Cup("espresso cup", CupMaterial.PORCELAIN, 90.0, 75.0, 52.0, 4.0),
        Cup("mug", CupMaterial.PORCELAIN, 300.0, 320.0, 78.0, 4.5),
        Cup("paper cup", CupMaterial.PAPER, 10.0, 240.0, 70.0, 0.5),
        Cup("beaker", CupMaterial.BOROSILICATE, 120.0, 250.0, 66.0, 1.8),
        Cup("steel pitcher", CupMaterial.STEEL, 200.0, 350.0, 75.0, 0.8),
        Cup("coupe", CupMaterial.SODA_LIME, 90.0, 180.0, 95.0, 2.0),
        Cup("small stemmed glass", CupMaterial.SODA_LIME, 75.0, 140.0, 85.0, 2.0),
        Cup("rocks glass", CupMaterial.SODA_LIME, 260.0, 300.0, 78.0, 4.0),
        Cup("tall glass", CupMaterial.SODA_LIME, 300.0, 350.0, 58.0, 3.0),
        Cup("steel cup", CupMaterial.STEEL, 150.0, 400.0, 80.0, 0.8),
    )
}
"""Usual cups of the trade, as a start where nobody weighed theirs (common practice, no source)."""
