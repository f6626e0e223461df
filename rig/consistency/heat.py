"""What the first law says of the water a run gained, and of the temperatures it went through."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from rig.arrays import BoolArray, FloatArray
from rig.bench import Bench, Ice, Motion, Vessel
from rig.consistency.objection import PROBE, Objection, View
from rig.consistency.weighing import LEFT_BEHIND_G, LEFT_BEHIND_SHARE, SCALE_SHARE
from rig.physics import ice as ice_physics
from rig.physics.balance import Charge, unpaid_heat_j
from rig.physics.cup import CupMaterial
from rig.physics.liquid import TEMP_RANGE_C, Liquid, freezing_point_c

ROOM_C = (8.0, 42.0)
ICE_FROM_USUAL_K = 8.0
"""How far an ice may be from its kind's usual temperature before it is odd."""
CHIPS_G = 12.0
"""Ice that slips through a strainer and melts in the glass, at most."""
BY_FAR = 1.3
"""Beyond a bound times this, no mistake in the bound explains it."""
HEAT_W: Mapping[Motion | None, float] = {Motion.SHAKE: 120.0, Motion.BLEND: 700.0, None: 300.0}
GENTLE_W = 80.0
"""Heat of hands, room and motion at most: hands near 33 °C through a wall of 1 to 3 W/K, and the work of the
motion, tens of watts by hand and hundreds in a blender (common practice, no source)."""
PROBE_LAG_K, PROBE_OFF_K = 6.0, 2.0
"""How far the drink may be colder than a slow probe shows, and warmer than any probe shows."""
BELOW_FREEZING_K = 4.0
TEMP_OFF_K, START_OFF_K = 3.0, 1.5
WET_LOG_SDS = 2.5
UNKNOWN_VESSEL_J_PER_K = 500.0


def temperatures(bench: Bench, v: View) -> list[Objection]:
    """Temperatures against what is usual, and the probe against all that met."""
    run, out = v.run, []
    if run.room_temp_c is not None and not ROOM_C[0] <= run.room_temp_c <= ROOM_C[1]:
        what = f"a room at {run.room_temp_c:.4g} °C is unusual"
        out.append(Objection(("room_temp_c",), what, "Check it, and its unit, °C", False))
    ice = bench.ice.get(run.ice)
    usual_c, ice_c = None if ice is None else ice.temp_c, run.ice_temp_c
    if usual_c is not None and ice_c is not None and abs(ice_c - usual_c) > ICE_FROM_USUAL_K:
        what = f"ice at {ice_c:.4g} °C is not as {run.ice!r} usually is, {usual_c:.4g} °C"
        cure = "Check the temperature, and which ice was noted"
        out.append(Objection(("ice_temp_c",), what, cure, False))
    probe = v.probe()
    met = [t for t in (run.drink_temp_c, run.vessel_temp_c, run.room_temp_c) if t is not None]
    if probe is not None and run.drink_temp_c is not None:
        start = probe[1][probe[0] <= 1.0]
        if start.size and float(np.median(start)) > max(*met, 22.0) + PROBE_LAG_K:
            what = (
                f"the probe shows {np.median(start):.4g} °C at the start, more than anything that met there"
            )
            cure = "Check the drink's temperature, and that the trace belongs to this run"
            out.append(Objection(("drink_temp_c", PROBE), what, cure, False))
    return out


def heat(bench: Bench, views: Sequence[View]) -> list[list[Objection]]:
    """What the first law says of the water each run gained, and of the temperature it reached."""
    out: list[list[Objection]] = [[] for _ in views]
    cold = [n for n, v in enumerate(views) if v.recipe is not None and v.drink_g is not None]
    if not cold:
        return out
    liquid = _liquids([views[n] for n in cold])
    undiluted_c = freezing_point_c(liquid)
    for n, freezing_c in zip(cold, undiluted_c, strict=True):
        out[n] += _too_cold(views[n], float(freezing_c))
    rows = [k for k, n in enumerate(cold) if views[n].strained_g is not None]
    if rows:
        part = [views[cold[k]] for k in rows]
        drinks = Liquid(*(np.asarray(x)[rows] for x in _parts(liquid)))
        for k, told in zip(rows, _water(bench, part, drinks, undiluted_c[rows]), strict=True):
            out[cold[k]] += told
    return out


def _parts(liquid: Liquid) -> tuple[FloatArray, ...]:
    return liquid.ethanol_g, liquid.sugar_g, liquid.water_g, liquid.solids_g


def _liquids(views: Sequence[View]) -> Liquid:
    """The drinks of the views at their own masses, in one batch."""
    share = [(v.drink_g or 0.0) / float(v.recipe.mass_g) for v in views if v.recipe is not None]
    parts = zip(*(_parts(v.recipe) for v in views if v.recipe is not None), strict=True)
    return Liquid(*(np.asarray(p, dtype=float) * share for p in parts))


def _too_cold(v: View, freezing_c: float) -> list[Objection]:
    """The drink is never colder than its freezing point before it was diluted; a probe on cold ice may be."""
    shown = v.end_shown_c()
    if shown is None or shown >= freezing_c - BELOW_FREEZING_K:
        return []
    ice_c = v.run.ice_temp_c if v.run.ice_temp_c is not None else -20.0
    what = f"the probe shows {shown:.3g} °C at the end, but the drink freezes from {freezing_c:.3g} °C"
    cure = "Check the probe, its offset, and which recipe was noted"
    return [Objection((PROBE,), what, cure, shown < min(freezing_c, ice_c) - BELOW_FREEZING_K)]


def _water(
    bench: Bench, views: Sequence[View], drinks: Liquid, freezing_c: FloatArray
) -> list[list[Objection]]:
    """The water gained, against the most and the least that the chill can pay for."""
    start = np.array([v.run.drink_temp_c for v in views], dtype=float)
    shown = np.array([np.nan if (c := v.end_shown_c()) is None else c for v in views])
    drink = np.array([v.drink_g or 0.0 for v in views])
    gained = np.array([v.strained_g or 0.0 for v in views]) - drink
    hottest = np.where(np.isnan(start), TEMP_RANGE_C[1], start + START_OFF_K)
    coldest = np.fmin(np.fmax(np.maximum(freezing_c, _NO_COLDER_C), shown - PROBE_LAG_K), hottest)
    warm = _charge(bench, views, drinks, hottest, +1)
    cool = _charge(bench, views, drinks, np.nan_to_num(start - START_OFF_K), -1)

    def too_much(water_g: FloatArray) -> BoolArray:
        return np.asarray(unpaid_heat_j(warm, coldest, np.maximum(water_g, 0.0))[0] > 0.0)

    def too_little(water_g: FloatArray) -> BoolArray:
        told = np.isfinite(start) & np.isfinite(shown)
        end_c = np.where(told, np.fmin(start, shown + PROBE_OFF_K), 0.0)
        return np.asarray(told & (unpaid_heat_j(cool, end_c, np.maximum(water_g, 0.0))[1] < 0.0))

    spare, kept = CHIPS_G + SCALE_SHARE * drink, LEFT_BEHIND_G + LEFT_BEHIND_SHARE * drink
    much, far_too_much = too_much(gained - spare), too_much((gained - 2.0 * spare) / BY_FAR)
    little, far_too_little = too_little(gained + kept), too_little(BY_FAR * gained + 2.0 * kept)
    out: list[list[Objection]] = []
    for k, v in enumerate(views):
        beside = ("ice_mass_g", "drink_temp_c", "duration_s")
        columns = (*v.strained_by, *v.drink_by, *(c for c in beside if getattr(v.run, c) is not None))
        told = []
        if much[k]:
            what = f"{gained[k]:.0f} g of water joined by weight, more than this drink and vessel can melt"
            told.append(
                Objection(columns, what, "Check the weighings and temperatures", bool(far_too_much[k]))
            )
        if little[k]:
            what = (
                f"{gained[k]:.0f} g of water joined by weight, less than the chill to {shown[k]:.3g} °C takes"
            )
            cure = "Check the weighings and temperatures: a spill, or a probe out of the drink"
            told.append(Objection((*columns, PROBE), what, cure, bool(far_too_little[k])))
        out.append(told)
    return out


_NO_COLDER_C = -10.0
_CHILLED_VESSEL_C = 5.0
_USUAL_LOADING = 3.0


def _charge(bench: Bench, views: Sequence[View], drinks: Liquid, start_c: FloatArray, side: int) -> Charge:
    """What met, all of it at its warm and wet (+1) or its cold and dry end (−1)."""
    met = zip(*(_met(bench, v, side) for v in views), strict=True)
    return Charge.of(drinks, np.clip(start_c, *TEMP_RANGE_C), *(np.array(column) for column in met))


def _met(bench: Bench, v: View, side: int) -> tuple[float, float, float, float, float, float]:
    """Ice [g, °C], water on it [g], vessel [J/K, °C] and heat from outside [J] at one end of what can be."""
    run, ice, vessel = v.run, bench.ice.get(v.run.ice), bench.vessels.get(v.run.vessel)
    ice_g = run.ice_mass_g if run.ice_mass_g is not None else _USUAL_LOADING * (v.drink_g or 0.0)
    ice_c = run.ice_temp_c if run.ice_temp_c is not None else _usual_ice_c(ice, side)
    room_c = run.room_temp_c if run.room_temp_c is not None else (30.0 if side > 0 else 10.0)
    vessel_c = run.vessel_temp_c if run.vessel_temp_c is not None else room_c
    ice_c = float(np.clip(ice_c + side * TEMP_OFF_K, *ice_physics.TEMP_RANGE_C))
    if side < 0:  # a vessel that was chilled takes heat from the drink, a warm one may not take part
        takes_part = _most_j_per_k(vessel) if vessel_c < _CHILLED_VESSEL_C else 0.0
        return ice_g, ice_c, 0.0, takes_part, vessel_c - TEMP_OFF_K, 0.0
    wet_g = min(_wettest(ice), 0.9) * ice_g
    heat_j = HEAT_W.get(v.motion, GENTLE_W) * v.moved_s
    return ice_g - wet_g, ice_c, wet_g, _most_j_per_k(vessel), max(vessel_c + TEMP_OFF_K, 0.0), heat_j


def _usual_ice_c(ice: Ice | None, side: int) -> float:
    if ice is not None and ice.temp_c is not None:
        return ice.temp_c
    return 0.0 if side > 0 else -25.0


def _wettest(ice: Ice | None) -> float:
    """Water on the ice at most, as a share of it."""
    if ice is None:
        return 0.3
    usual = ice_physics.surface_water(ice.shape)
    stated = 0.0 if ice.surface_water_pct is None else ice.surface_water_pct / 100.0
    return float(max(usual.fraction * np.exp(WET_LOG_SDS * usual.log_sd), 1.5 * stated + 0.03))


def _most_j_per_k(vessel: Vessel | None) -> float:
    """Heat capacity at most [J/K]: as declared, or of its mass in the best known material."""
    if vessel is None:
        return UNKNOWN_VESSEL_J_PER_K
    if vessel.heat_capacity_j_per_k is not None:
        return 1.3 * vessel.heat_capacity_j_per_k
    if vessel.mass_g is None:
        return UNKNOWN_VESSEL_J_PER_K
    words = set(vessel.material.casefold().split())
    known = [m.heat_capacity_j_per_gk for m in CupMaterial if words & set(m.label.split())]
    return 1.3 * vessel.mass_g * max(known, default=1.7 / 1.3)
