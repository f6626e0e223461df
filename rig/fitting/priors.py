"""What is known before any run: sizes of heat transfer, wetness, held-back liquid, and how sure that is.

Every number is a median with a spread. Sources are named beside each; where none is published the words
'common practice, no source' stand. None was tuned to a single published value, nor to made-up data.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from rig.bench import Ice, Motion, Vessel
from rig.physics import ice as ice_physics


class P(IntEnum):
    """The parameters of one run, in the order of the columns of every (runs, parameters) array."""

    RATE = 0  # log multiplier of the conductance from liquid to ice
    BREAKAGE = 1  # log multiplier of the growth of ice area
    WET = 2  # log multiplier of the surface water on the ice
    CORE = 3  # log multiplier of the conductance into the ice's core
    FILM = 4  # log multiplier of the conductance from liquid to vessel
    VESSEL = 5  # log multiplier of the vessel's heat capacity in play
    POWER = 6  # log multiplier of the heat of motion and hands
    SHIELD = 7  # log multiplier of the shielding of the surface by its own melt
    WALL = 8  # log multiplier of the conductance inside the vessel
    HANDS = 9  # log multiplier of the conductance from hands and moving air to the vessel
    RAMP = 10  # log multiplier of the time in which motion builds up
    WASH = 11  # log multiplier of the time in which the water on the ice joins
    THICKNESS = 12  # power of viscosity, less its nominal
    DRINK_TEMP = 13  # true less stated [K]
    ICE_TEMP = 14  # true less stated [K]
    ICE_MASS = 15  # log of true over stated
    VESSEL_TEMP = 16  # true less stated [K]
    LAG = 17  # log multiplier of the probe's time constant
    OFFSET = 18  # probe's reading less the truth [K]
    HELD = 19  # held-back liquid less its nominal [g]
    LATE = 20  # water that joins between the stop and the glass, less its nominal [g]


PHYSICAL = tuple(P(k) for k in range(P.LAG))
"""Parameters that change the course of the drink, and so need a lane of their own for their slope."""
LOGARITHMIC = P.WASH + 1
"""The first so many columns are logarithms of multipliers."""

SHIELD_PER_K = 0.005
"""Between nothing, for a surface that collisions renew, and c/L·Le^(1/2) of weak ethanol–water near 0 °C (c/L
0.0126/K, Lewis number about 270, from memory: 0.2/K); near nothing in a drink that is moved. Held closely: weak
drinks hardly tell it, and strong ones live by it."""
THICKNESS_POWER, THICKNESS_POWER_SD = 0.25, 0.06
"""Power of viscosity by which heat transfer falls: published correlations lie between 1/6 and 1/3."""
CONDUCTIVITY_POWER, CONDUCTIVITY_POWER_SD = 0.55, 0.12
"""Power of conductivity by which heat transfer rises from drink to drink: between 1/3 and 2/3 in correlations."""
CADENCE_POWER_SD = 0.5
"""Power of the cadence by which heat transfer rises from run to run; between 1/2 and 2/3 in correlations where the
film's speed follows the hand (sources in `rig.physics.melt`). A bench starts from nothing, and learns its own."""
LOADING_POWER, USUAL_LOADING = 0.08, 0.5
"""More drink on the same ice wets more of it; the power of drink ÷ ice mass (common practice, no source)."""
LATE_G = 0.7
"""Melt while straining, and chips that slip through and melt in the glass (common practice, no source)."""


@dataclass(frozen=True)
class MotionPrior:
    """Typical heat transfer of a motion.

    `film_w_per_m2k`: liquid to ice of 30 mm. Engineering range, from memory: still 100–600, gently stirred
    500–1,500, vigorous 2,000–8,000 W/(m²·K). The medians of shake and stir are round values from a scan over
    that range against ten published measurements each, all that state how long (`tests/published/test_priors.py`
    names them): a hard shake is level by 12 to 15 s, a stir is at 2.5 to 3.9 °C after 30 s, below 0 °C after
    40 s, and does in two minutes what a shake does in 15 s.
    `power_w`: a shake adds a few watts, a blender tens to hundreds (common practice, no source).
    `hands_w_per_k`: hands near 33 °C and air that is moved along the wall add 1–3 W/K to a shaker that is held,
    little to a glass that stands (common practice, no source).
    """

    film_w_per_m2k: float
    wall_film_w_per_m2k: float
    breakage_per_s: float
    power_w: float
    hands_w_per_k: float
    rate_log_sd: float
    run_rate_log_sd: float
    longest_s: float


MOTIONS: dict[Motion | None, MotionPrior] = {
    Motion.SHAKE: MotionPrior(3800.0, 1800.0, 0.012, 4.0, 1.5, 0.45, 0.09, 40.0),
    Motion.STIR: MotionPrior(300.0, 200.0, 0.0015, 0.7, 0.2, 0.45, 0.10, 150.0),
    Motion.BLEND: MotionPrior(6000.0, 2500.0, 0.20, 90.0, 0.1, 0.7, 0.12, 60.0),
    Motion.SWIRL: MotionPrior(500.0, 350.0, 0.001, 0.5, 0.6, 0.6, 0.12, 150.0),
    Motion.BUILD: MotionPrior(250.0, 200.0, 0.0005, 0.2, 0.1, 0.7, 0.15, 240.0),
    None: MotionPrior(1200.0, 800.0, 0.005, 2.0, 0.8, 1.1, 0.12, 120.0),
}


@dataclass(frozen=True)
class MaterialPrior:
    """Heat capacity [J/(g·K)], density [g/cm³], wall thickness [mm], conductivity [W/(m·K)]; from memory."""

    heat_capacity_j_per_gk: float
    density_g_per_cm3: float
    wall_mm: float
    conductivity_w_per_mk: float


MATERIALS: dict[str, MaterialPrior] = {
    "steel": MaterialPrior(0.50, 7.9, 0.8, 15.0),
    "copper": MaterialPrior(0.385, 8.9, 0.8, 390.0),
    "alumin": MaterialPrior(0.90, 2.7, 1.5, 200.0),
    "silver": MaterialPrior(0.235, 10.5, 0.8, 420.0),
    "glass": MaterialPrior(0.84, 2.5, 4.5, 1.0),
    "ceramic": MaterialPrior(0.85, 2.4, 4.5, 1.5),
    "plastic": MaterialPrior(1.6, 1.15, 2.5, 0.2),
    "tritan": MaterialPrior(1.6, 1.17, 3.0, 0.2),
    "wood": MaterialPrior(1.7, 0.65, 8.0, 0.15),
}
RAMP_S = 0.5
"""Motion builds up within the first half second or so (common practice, no source)."""
WASH_S, WASH_LOG_SD = 0.2, 0.9
"""Water on the ice joins as the drink wets it: at once where the drink is poured over the ice, within a second where
it has to run down between large pieces (common practice, no source)."""
HANDS_C = 33.0
"""Skin of hands that hold a cold vessel (common practice, no source)."""
AIR_W_PER_M2K = 12.0
"""Still and slowly moving air on a wall, with radiation (engineering range 5–25, from memory)."""
TYPICAL_VESSEL_MASS_G = 350.0
ALONG_WALL_W_PER_K = 10.0


def material(vessel: Vessel) -> MaterialPrior:
    """The material whose name occurs in the vessel's; steel where none does."""
    words = vessel.material.casefold()
    return next((m for name, m in MATERIALS.items() if name in words), MATERIALS["steel"])


@dataclass(frozen=True)
class VesselNominal:
    """What a vessel is expected to do, before any run."""

    heat_capacity_j_per_k: float
    capacity_log_sd: float
    inner_share: float
    area_m2: float
    wall_w_per_k: float
    held_back_g: float
    held_back_sd_g: float
    includes_ice_film: bool


def vessel_nominal(vessel: Vessel) -> VesselNominal:
    """Heat capacity, wetted area, conduction to the part that is not wetted, and liquid held back.

    The wall the drink touches takes part at once, the rest (cap, upper rim, the far half of a thick wall)
    through conduction: 65 % and 35 % (common practice, no source). Conduction through half the thickness of
    glass is its bottleneck; along thin metal it is the length of the wall, some 10 W/K with a wide spread.
    """
    m = material(vessel)
    mass_g = vessel.mass_g or TYPICAL_VESSEL_MASS_G
    if vessel.heat_capacity_j_per_k is not None:
        capacity, spread = vessel.heat_capacity_j_per_k, 0.15
        mass_g = vessel.mass_g or capacity / m.heat_capacity_j_per_gk
    else:
        capacity = 0.95 * mass_g * m.heat_capacity_j_per_gk
        spread = 0.18 if vessel.mass_g is not None else 0.45
    area_m2 = 0.85 * mass_g * 1e-6 / m.density_g_per_cm3 / (m.wall_mm * 1e-3)
    through = m.conductivity_w_per_mk * area_m2 / (0.5 * m.wall_mm * 1e-3)
    held = vessel.held_back_g
    return VesselNominal(
        heat_capacity_j_per_k=capacity,
        capacity_log_sd=spread,
        area_m2=area_m2,
        inner_share=0.65 if through > ALONG_WALL_W_PER_K * 3 else 0.5,
        wall_w_per_k=1.0 / (1.0 / through + 1.0 / ALONG_WALL_W_PER_K),
        held_back_g=USUAL_VESSEL_HELD_G if held is None else held,
        held_back_sd_g=1.0 if held is None else 0.7,
        includes_ice_film=held is not None,
    )


@dataclass(frozen=True)
class IceNominal:
    """What an ice is expected to be, before any run; areas and conductances are per gram of ice."""

    temp_c: float
    temp_sd_k: float
    wet_fraction: float
    wet_log_sd: float
    area_m2_per_g: float
    core_w_per_k_per_g: float
    rate_factor: float


FREEZER_DRY_BELOW_C = -3.0
USUAL_VESSEL_HELD_G = 2.5
HELD_FILM_G_PER_M2, HELD_FILM_SD_G_PER_M2 = 18.0, 7.0
"""Liquid left in a drained vessel, and on drained ice: drops, and a film of some hundredths of a millimetre; a few
grams in all (common practice, no source). A stated `held_back_g` is the whole of it, on the ice and in the vessel."""


def ice_nominal(ice: Ice, typical_temp_c: float | None) -> IceNominal:
    """Size, wetness and temperature of an ice.

    Ice from a freezer is dry; ice that has stood is wet (EPA WaterSense at Work, 2012: flake ice holds up
    to 20 % water, cubes little). Smaller pieces: heat transfer per area rises as size^(−1/4), between the
    −1/2 of laminar and the 0 of turbulent correlations.
    """
    edge_mm = ice.edge_mm or ice_physics.default_edge_mm(ice.shape)
    temp_c = ice.temp_c if ice.temp_c is not None else typical_temp_c
    cold = temp_c is not None and temp_c < FREEZER_DRY_BELOW_C
    if ice.surface_water_pct is not None:
        wet, wet_sd = max(ice.surface_water_pct / 100.0, 0.002), 0.3
    elif cold:
        wet, wet_sd = 0.006, 0.8
    else:
        wetness = ice_physics.surface_water(ice.shape)
        wet, wet_sd = wetness.fraction, wetness.log_sd
    area = float(ice_physics.area_m2(ice.shape, edge_mm, 1.0))
    return IceNominal(
        temp_c=min(temp_c, -0.0) if temp_c is not None else -3.0,
        temp_sd_k=1.0 if temp_c is not None else 4.0,
        wet_fraction=wet,
        wet_log_sd=wet_sd,
        area_m2_per_g=area,
        core_w_per_k_per_g=float(ice_physics.core_conductance_w_per_k(ice.shape, edge_mm, 1.0)),
        rate_factor=(30.0 / edge_mm) ** 0.25,
    )


RUN_SD_PRIOR = {P.WET: 0.30, P.LAG: 0.06, P.OFFSET: 0.10}
"""How far a run departs from its set-up; its rate's spread is of the motion. The lag's is not learned: it is the same
probe in every run, and a free lag would take the hand's part."""
TYPICAL_ICE_MASS_G = 160.0
TYPICAL_ROOM_C = 21.0
LAG_MEDIAN_S = 0.8
UNCHECKED_PROBE_K, UNCHECKED_SCALE_G = 0.25, 0.3
"""Standard deviations of a probe's offset, and of a drink weighed, where neither instrument was calibrated
(common practice, no source)."""
