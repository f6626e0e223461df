"""The three sample benches: what was measured in an invented harbour town, and what went wrong on the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from sample_logs.generator.draw import draw_world
from sample_logs.generator.folder import BenchText, SheetRow, write_bench
from sample_logs.generator.instruments import Record, make_records
from sample_logs.generator.laws import Plan, Setting, WallLaw, World
from sample_logs.generator.liquid import Drink, Floats, Pour

NOTE = "Synthetic data: invented people and drinks, made by sample_logs/generator. Nobody measured them."
ODDITIES = "What is odd about them on purpose is listed in `sample_logs/README.md`."

CONCENTRATE = Pour("coffee concentrate", 50, caffeine_mg=75)
DARK_SPIRIT = Pour("dark spirit", 35, abv_pct=42, sugar_g_per_100ml=1)
QUAYSIDE = Drink("quayside black", (CONCENTRATE, DARK_SPIRIT))
LAMPLIGHTER = Drink(
    "lamplighter",
    (
        Pour("coffee concentrate", 40, caffeine_mg=60),
        Pour("dark spirit", 40, abv_pct=42, sugar_g_per_100ml=1),
        Pour("hazelnut syrup", 15, sugar_g_per_100ml=61.5, allergens=("tree nuts",)),
    ),
)
CLASS_POURS = (
    Pour("black coffee", 60, caffeine_mg=70),
    Pour("grain spirit", 40, abv_pct=40),
    Pour("syrup", 12, sugar_g_per_100ml=61.5),
)
RESTED, HOT = Drink("breakwater rested", CLASS_POURS), Drink("breakwater hot", CLASS_POURS)
FOGHORN = Drink(
    "foghorn",
    (
        Pour("espresso", 40, solids_pct=8, caffeine_mg=85),
        Pour("grain spirit", 45, abv_pct=40),
        Pour("coffee liqueur", 15, abv_pct=20, sugar_g_per_100ml=35, caffeine_mg=4),
    ),
)


@dataclass(frozen=True)
class Sample:
    """A bench folder before it is written."""

    folder: str
    bench: BenchText
    rows: tuple[SheetRow, ...]


def write_samples(out: Path) -> list[Path]:
    """Write the three benches below `out` and return their folders; same bytes every time."""
    folders = []
    for sample in (harbour(), evening_class(), rehearsal()):
        folder = out / sample.folder
        write_bench(folder, sample.bench, sample.rows)
        (folder / "NOTE.md").write_text(
            f"# {sample.bench.title}\n\n{NOTE}\n\n{ODDITIES}\n",
            encoding="utf-8",
            newline="\n",
        )
        folders.append(folder)
    return folders


def harbour() -> Sample:
    """A bar compares four ices in two shakers, two drinks each."""
    world = _with_wall(draw_world(12), "two-piece steel", 235, 2.5)
    world = _with_wall(world, "three-piece steel", 180, 3.5)
    world = _with_ice(world, "freezer cube", edge_mm=25.0, temp_c=-16.0)
    world = _with_probe(world, lag_s=0.8, rate_hz=5, step_k=0.1)
    rng = np.random.default_rng([12, 1])
    made: list[tuple[Setting, Drink, str, Record]] = []
    for vessel in ("two-piece steel", "three-piece steel"):
        for ice, runs in (("freezer cube", 9), ("bar cube", 7), ("cracked", 7), ("pebble", 6)):
            setting = Setting(world, "shake", vessel, ice)
            durations = _spread(runs, 5, 22, rng)
            for drink, part in ((QUAYSIDE, durations[::2]), (LAMPLIGHTER, durations[1::2])):
                plan = Plan(setting, drink, 24.0, 210.0, setting.ice_law.temp_c, 21.0, 21.0)
                hands = rng.integers(3, size=len(part))
                pace = np.array([0.94, 1.0, 1.07])[hands]
                who = np.array(["Mara", "Tobit", "Ines"])[hands]
                records = make_records(plan, part, rng, pace=pace, cadence=True)
                made += [(setting, drink, str(w), r) for w, r in zip(who, records, strict=True)]
    rows = _sheet(made, rng, "h", datetime(2031, 4, 6, 15, 0, tzinfo=UTC), per_session=15)
    rows = _amend(rows, 6, "probe battery flat, no trace", trace_time_s=None, trace_probe_c=None)
    rows = _amend(rows, 17, "", strained_mass_g=_mistyped(rows[17].record.strained_mass_g))
    rows = _amend(rows, 23, "served before it was weighed", strained_mass_g=None)
    rows = _amend(rows, 30, "", ice_mass_g=None)
    rows = _amend(rows, 31, "", vessel_temp_c=None, room_temp_c=None)
    rows = _gap(rows, 38, 4.0, 6.5, "probe wire came loose for a moment")
    return Sample(
        "harbour",
        _bench(
            "Harbour test bar, spring",
            world,
            rows,
            (QUAYSIDE, LAMPLIGHTER),
            {
                "coupe": {"serve_temp_c_max": -2.0, "dilution_by_volume": (0.30, 0.36)},
                "rocks glass": {"serve_temp_c_max": 1.0, "dilution_by_volume": (0.50, 0.60)},
            },
        ),
        tuple(rows),
    )


def evening_class() -> Sample:
    """A teacher shows stir against shake, and hot coffee against rested, with one slow capsule probe."""
    world = _with_wall(draw_world(7), "two-piece steel", 310, 3.0)
    world = _with_wall(world, "mixing glass", 620, 3.0)
    world = _with_probe(world, lag_s=5.5, rate_hz=2, step_k=0.0625)
    rng = np.random.default_rng([7, 1])
    made: list[tuple[Setting, Drink, str, Record]] = []
    for technique, vessel, ice_g, low, high in (
        ("shake", "two-piece steel", 200.0, 5, 24),
        ("stir", "mixing glass", 240.0, 15, 90),
    ):
        setting = Setting(world, technique, vessel, "bar cube")
        for drink, start_c in ((RESTED, 26.0), (HOT, 58.0)):
            plan = Plan(setting, drink, start_c, ice_g, setting.ice_law.temp_c, 22.0, 22.0)
            durations = _spread(7, low, high, rng)
            hands = rng.integers(5, size=len(durations))
            pace = np.array([0.88, 0.95, 1.0, 1.04, 1.12])[hands]
            records = make_records(plan, durations, rng, pace=pace)
            made += [(setting, drink, f"pupil {h + 1}", r) for h, r in zip(hands, records, strict=True)]
    rows = _sheet(made, rng, "c", datetime(2031, 9, 16, 18, 30, tzinfo=UTC), per_session=14)
    rows = _amend(rows, 9, "", drink_temp_c=None)
    rows = _amend(rows, 16, "glass knocked over", strained_mass_g=None)
    return Sample(
        "evening_class",
        _bench(
            "Evening class, harbour school kitchen",
            world,
            rows,
            (RESTED, HOT),
            {
                "class glass": {"serve_temp_c_max": 3.0, "dilution_by_volume": (0.38, 0.50)},
                "class glass from hot": {"serve_temp_c_max": 6.0, "dilution_by_volume": (0.62, 0.76)},
            },
        ),
        tuple(rows),
    )


def _foam_and_all(strained_g: float | None, air_ml: float) -> str:
    """Volume of the whole drink in a measuring glass; the strained coffee drink has some 1.02 g/ml."""
    return "" if strained_g is None else f"{strained_g / 1.02 + air_ml:.0f}"


def rehearsal() -> Sample:
    """A competitor makes one drink thirty times in five sessions, getting steadier."""
    world = _with_wall(draw_world(22), "two-piece steel", 250, 2.0)
    world = _with_ice(world, "freezer cube", edge_mm=30.0, temp_c=-15.0)
    world = _with_probe(world, lag_s=1.2, rate_hz=4, step_k=0.1)
    rng = np.random.default_rng([22, 1])
    setting = Setting(world, "shake", "two-piece steel", "freezer cube")
    made: list[tuple[Setting, Drink, str, Record]] = []
    for session, (pace, wander_s) in enumerate(
        ((1.06, 2.5), (1.04, 2.0), (1.0, 1.4), (0.99, 0.9), (1.0, 0.6))
    ):
        plan = Plan(setting, FOGHORN, 38.0 - session, 205.0, -15.0 + 0.5 * session, 22.0, 22.0)
        durations = np.clip(13.0 + rng.normal(0, wander_s, 6), 6.0, 20.0).round(1)
        if session == 1:
            durations[3] = 3.4
        records = make_records(plan, durations, rng, pace=pace, cadence=True)
        made += [(setting, FOGHORN, "Juno", r) for r in records]
    rows = _sheet(made, None, "f", datetime(2031, 10, 4, 9, 0, tzinfo=UTC), per_session=6)
    rows = _amend(rows, 9, "stopped early: the tin slipped")
    rows = _amend(rows, 20, "", ice_temp_c=None)
    rows = _amend(rows, 26, "forgot to start the probe", trace_time_s=None, trace_probe_c=None)
    rows = [
        replace(
            row,
            extra={
                "target": "stage",
                "foam_ml": _foam_and_all(row.record.strained_mass_g, foam),
                "foam_half_life_s": "" if n % 3 else f"{half:.0f}",
            },
        )
        for n, (row, foam, half) in enumerate(
            zip(
                rows,
                16 * (1 - np.exp([-r.record.duration_s / 5 for r in rows])) * rng.normal(1, 0.1, len(rows)),
                rng.normal(150, 20, len(rows)),
                strict=True,
            )
        )
    ]
    return Sample(
        "rehearsal",
        _bench(
            "Thirty rehearsals of one drink",
            world,
            rows,
            (FOGHORN,),
            {"stage": {"serve_temp_c_max": 1.5, "dilution_by_volume": (0.41, 0.48)}},
        ),
        tuple(rows),
    )


def _with_wall(world: World, name: str, mass_g: float, held_back_g: float) -> World:
    old = world.walls[name]
    by = mass_g / old.mass_g
    new: WallLaw = replace(
        old,
        mass_g=mass_g,
        inner_j_per_k=old.inner_j_per_k * by,
        outer_j_per_k=old.outer_j_per_k * by,
        held_back_g=held_back_g,
        held_back_spread=0.2,
    )
    return replace(world, walls={**world.walls, name: new})


def _with_ice(world: World, name: str, *, edge_mm: float, temp_c: float) -> World:
    new = replace(world.ices[name], edge_mm=edge_mm, temp_c=temp_c, temp_spread_k=0.7)
    return replace(world, ices={**world.ices, name: new})


def _with_probe(world: World, *, lag_s: float, rate_hz: float, step_k: float) -> World:
    tools = replace(
        world.instruments,
        probe_lag_s=lag_s,
        probe_rate_hz=rate_hz,
        probe_step_k=step_k,
        probe_offset_k=0.1,
        probe_noise_k=0.08,
        probe_in_drink=True,
        scale_step_g=0.1,
        scale_noise_g=0.15,
        reading_noise_k=0.2,
    )
    return replace(world, instruments=tools)


def _spread(runs: int, low_s: float, high_s: float, rng: np.random.Generator) -> Floats:
    """Durations spread evenly in ratio, one in each stretch [s]."""
    place = (np.arange(runs) + rng.uniform(0.2, 0.8, runs)) / runs
    return np.round(low_s * (high_s / low_s) ** place, 1)


def _sheet(
    made: list[tuple[Setting, Drink, str, Record]],
    rng: np.random.Generator | None,
    letter: str,
    start: datetime,
    per_session: int,
) -> list[SheetRow]:
    """Number the runs, in random order where `rng` is given, one session a week."""
    order = range(len(made)) if rng is None else rng.permutation(len(made))
    rows = []
    for n, at in enumerate(order):
        setting, drink, operator, record = made[at]
        session, slot = divmod(n, per_session)
        when = start + timedelta(days=7 * session, minutes=9 * slot)
        rows.append(
            SheetRow(
                run=f"{letter}{n + 1:02d}",
                started_at=when.strftime("%Y-%m-%dT%H:%M:%S"),
                operator=operator,
                session=f"session {session + 1}",
                technique=setting.technique,
                vessel=setting.vessel,
                ice=setting.ice,
                recipe=drink.name,
                record=record,
            )
        )
    return rows


def _amend(rows: list[SheetRow], at: int, notes: str, **changes: Any) -> list[SheetRow]:
    """The rows with one record changed: the flaws that real sheets have."""
    changed = replace(rows[at], record=replace(rows[at].record, **changes), notes=notes)
    return [*rows[:at], changed, *rows[at + 1 :]]


def _mistyped(mass_g: float | None) -> float:
    """Two digits the wrong way round, 134.2 → 143.2, as in a hurried note."""
    digits = f"{mass_g or 0.0:.1f}"
    return float(digits[0] + digits[2] + digits[1] + digits[3:])


def _gap(rows: list[SheetRow], at: int, from_s: float, to_s: float, notes: str) -> list[SheetRow]:
    """The rows with a stretch cut from one trace."""
    record = rows[at].record
    assert record.trace_time_s is not None
    assert record.trace_probe_c is not None
    kept = (record.trace_time_s < from_s) | (record.trace_time_s > to_s)
    cadence = record.trace_cadence_hz
    cut = replace(
        record,
        trace_time_s=record.trace_time_s[kept],
        trace_probe_c=record.trace_probe_c[kept],
        trace_cadence_hz=None if cadence is None else cadence[kept],
    )
    return [*rows[:at], replace(rows[at], record=cut, notes=notes), *rows[at + 1 :]]


def _bench(
    title: str,
    world: World,
    rows: list[SheetRow],
    drinks: tuple[Drink, ...],
    targets: Mapping[str, Mapping[str, float | tuple[float, float]]],
) -> BenchText:
    """What the people of the bench know: names, masses, edges, usual temperatures."""
    vessels, kinds = {r.vessel for r in rows}, {r.ice for r in rows}
    walls = {name: wall for name, wall in world.walls.items() if name in vessels}
    ices = {name: ice for name, ice in world.ices.items() if name in kinds}
    return BenchText(
        title=title,
        note=NOTE,
        vessels={
            n: {"material": w.material, "mass_g": w.mass_g, "held_back_g": w.held_back_g}
            for n, w in walls.items()
        },
        ices={
            n: {"shape": i.shape, "edge_mm": i.edge_mm, "temp_c": round(i.temp_c)} for n, i in ices.items()
        },
        drinks=drinks,
        targets=targets,
    )
