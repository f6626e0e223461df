"""The hidden constants of a made-up world, grouped by what they govern."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from sample_logs.generator.liquid import Drink


class Correlation(Enum):
    """Nusselt-type correlation for a piece of ice in a moving drink."""

    WHITAKER = auto()
    """Nu = 2 + (0.4 Re^½ + 0.06 Re^⅔) Pr^0.4, Whitaker, AIChE J. 18 (1972) 361 (from memory)."""
    RANZ_MARSHALL = auto()
    """Nu = 2 + 0.6 Re^½ Pr^⅓, Ranz and Marshall, Chem. Eng. Prog. 48 (1952) 141 (from memory)."""
    AGITATED = auto()
    """Nu = 2 + 0.4 (ε d⁴/ν³)^¼ Pr^⅓, Sano et al., J. Chem. Eng. Japan 7 (1974) 255 (from memory)."""


class BreakLaw(Enum):
    """How pieces come apart."""

    CHIP = auto()
    """Corners fly off at a steady pace."""
    FIRST_BLOWS = auto()
    """Sharp edges go in the first seconds, then little."""
    SPLIT = auto()
    """Whole pieces crack into two, rarely."""


@dataclass(frozen=True)
class MotionLaw:
    """A technique: speed of drink past ice, its ramp, the share of ice wetted, heat of motion."""

    speed_m_per_s: float
    cadence_hz: float
    ramp_s: float
    wetted: float
    power_w: float
    breaks: float
    wall_w_per_k_m2: float
    hand_w_per_k: float
    pour_s: float


@dataclass(frozen=True)
class WallLaw:
    """A vessel: inner wall in touch with the drink, outer wall, heat from outside, what it keeps."""

    material: str
    mass_g: float
    inner_j_per_k: float
    outer_j_per_k: float
    wetted_m2: float
    between_w_per_k: float
    ambient_w_per_k: float
    held_back_g: float
    held_back_spread: float

    @property
    def heat_capacity_j_per_k(self) -> float:
        """Both walls [J/K]."""
        return self.inner_j_per_k + self.outer_j_per_k


@dataclass(frozen=True)
class IceLaw:
    """A kind of ice: shape, size classes (edge over nominal, share of mass), temperature, wetness."""

    shape: str
    edge_mm: float
    classes: tuple[tuple[float, float], ...]
    area_factor: float
    temp_c: float
    temp_spread_k: float
    film_pct: float
    film_spread: float
    brittleness: float


@dataclass(frozen=True)
class Spread:
    """What differs from one run to the next, nobody meaning it (natural-log or °C standard deviations)."""

    cadence: float
    strength: float
    pour: float
    drink_temp_k: float
    ice_mass: float
    vessel_temp_k: float
    room_temp_k: float


@dataclass(frozen=True)
class Instruments:
    """Probe and scale, and how well temperatures are read before the run."""

    probe_lag_s: float
    probe_offset_k: float
    probe_noise_k: float
    probe_rate_hz: float
    probe_step_k: float
    probe_in_drink: bool
    scale_step_g: float
    scale_noise_g: float
    reading_noise_k: float


@dataclass(frozen=True)
class World:
    """Everything hidden: what a person at the bench could never look up."""

    seed: int
    correlation: Correlation
    ice_constant: float
    mass_transfer: float
    """How far fresh melt shields the ice from the drink; 0: the surface feels the whole drink."""
    loading: float
    """Exponent of drink over ice mass in the wetted share."""
    break_law: BreakLaw
    breaks_per_s: float
    fragment_g: float
    chip_pass: float
    """Share of the smallest fragments that passes the strainer."""
    film_wash_s: float
    film_on_ice_g_per_m2: float
    """Drink kept on the ice after straining."""
    spread: Spread
    instruments: Instruments
    held_back_stated: bool
    wetness_stated: bool
    motions: dict[str, MotionLaw]
    walls: dict[str, WallLaw]
    ices: dict[str, IceLaw]


@dataclass(frozen=True)
class Setting:
    """One technique, vessel and ice of a world."""

    world: World
    technique: str
    vessel: str
    ice: str

    @property
    def motion(self) -> MotionLaw:
        """Law of the technique."""
        return self.world.motions[self.technique]

    @property
    def wall(self) -> WallLaw:
        """Law of the vessel."""
        return self.world.walls[self.vessel]

    @property
    def ice_law(self) -> IceLaw:
        """Law of the ice."""
        return self.world.ices[self.ice]


@dataclass(frozen=True)
class Plan:
    """What the person means to do: a setting, a drink and its stated starting conditions."""

    setting: Setting
    drink: Drink
    drink_temp_c: float
    ice_mass_g: float
    ice_temp_c: float
    vessel_temp_c: float
    room_temp_c: float
