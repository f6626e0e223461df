"""Made-up worlds to judge advice by: benches to learn from, cases to advise on, and the true odds.

Nothing here fits or advises. A judge calls `make_bench` to write a bench folder and get its cases, asks the
program under test for advice on each, and compares with `true_odds`, which makes fresh drinks in the same
hidden world.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sample_logs.generator.draw import draw_world
from sample_logs.generator.folder import BenchText, SheetRow, write_bench
from sample_logs.generator.instruments import MOST_CHIPS_G, STILL_MELT, make_records
from sample_logs.generator.laws import Plan, Setting, World
from sample_logs.generator.liquid import Drink, Floats, Pour
from sample_logs.generator.simulate import charge_runs, simulate

SET_UPS = (
    ("shake", "two-piece steel", "freezer cube"),
    ("shake", "two-piece steel", "bar cube"),
    ("shake", "three-piece steel", "freezer cube"),
    ("shake", "two-piece steel", "pebble"),
    ("stir", "mixing glass", "freezer cube"),
    ("stir", "mixing glass", "bar cube"),
)
"""In odd worlds cracked takes the place of pebble."""

SOUR = Drink(
    "quay sour",
    (
        Pour("coffee concentrate", 45),
        Pour("dark spirit", 45, abv_pct=42, sugar_g_per_100ml=1),
        Pour("syrup", 15, sugar_g_per_100ml=61.5),
    ),
)
RESTED = Drink(
    "rested black",
    (
        Pour("rested coffee", 40),
        Pour("dark spirit", 50, abv_pct=40),
        Pour("coffee liqueur", 15, abv_pct=20, sugar_g_per_100ml=35),
    ),
)
HOT = Drink(
    "straight from the pot",
    (
        Pour("hot coffee", 60),
        Pour("dark spirit", 35, abv_pct=42),
        Pour("syrup", 12, sugar_g_per_100ml=61.5),
    ),
)
STRONG = Drink(
    "harbour master",
    (
        Pour("coffee spirit", 60, abv_pct=45),
        Pour("fortified wine", 25, abv_pct=18, sugar_g_per_100ml=14),
        Pour("coffee concentrate", 10),
    ),
)
LONG = Drink(
    "long watch",
    (
        Pour("coffee concentrate", 90),
        Pour("dark spirit", 40, abv_pct=40),
        Pour("syrup", 10, sugar_g_per_100ml=61.5),
    ),
)
MEASURED_DRINKS = (SOUR, RESTED)
START_C = {SOUR.name: 23.0, RESTED.name: 36.0, HOT.name: 60.0, STRONG.name: 22.0, LONG.name: 30.0}
ICE_G = {"shake": 200.0, "stir": 240.0}
RANGE_S = {"shake": (5.0, 25.0), "stir": (15.0, 90.0)}
SENSIBLE_S = {"shake": (8.0, 15.0), "stir": (25.0, 60.0)}
LONGEST_S = {"shake": 40.0, "stir": 120.0}
ROOM_C = 21.5
LEAST_ODDS, MOST_ODDS = 0.55, 0.985


@dataclass(frozen=True)
class Case:
    """A drink to advise on; `plan` holds what the program is told, and the hidden world it happens in."""

    seed: int
    number: int
    kind: str
    """"measured": the set-up has runs of this recipe; "unmeasured": of other recipes only."""
    plan: Plan
    serve_temp_c_max: float
    dilution_by_volume: tuple[float, float]

    @property
    def advise_kwargs(self) -> dict[str, str | float]:
        """Keywords for `rig.advise`, all but `target`."""
        p = self.plan
        return {
            "technique": p.setting.technique,
            "vessel": p.setting.vessel,
            "ice": p.setting.ice,
            "recipe": p.drink.name,
            "drink_temp_c": p.drink_temp_c,
            "ice_mass_g": p.ice_mass_g,
            "ice_temp_c": p.ice_temp_c,
            "vessel_temp_c": p.vessel_temp_c,
            "room_temp_c": p.room_temp_c,
        }

    @property
    def target_kwargs(self) -> dict[str, float | tuple[float, float]]:
        """Keywords for `rig.Target`."""
        return {"serve_temp_c_max": self.serve_temp_c_max, "dilution_by_volume": self.dilution_by_volume}

    @property
    def grid_s(self) -> Floats:
        """Durations worth asking about [s]."""
        technique = self.plan.setting.technique
        return np.arange(1.0, LONGEST_S[technique] + 1e-9, 0.25 if technique == "shake" else 1.0)


@dataclass(frozen=True)
class TrueOdds:
    """What fresh runs really do; `temp_c` and `dilution_by_volume` have shape (durations, runs)."""

    duration_s: Floats
    odds: Floats
    temp_c: Floats
    dilution_by_volume: Floats

    def at(self, duration_s: float) -> float:
        """True odds at one duration, linear between the grid's points."""
        return float(np.interp(duration_s, self.duration_s, self.odds))

    @property
    def best(self) -> float:
        """The best odds any duration has."""
        return float(self.odds.max())


def true_odds(case: Case, duration_s: Floats | None = None, runs: int = 1500) -> TrueOdds:
    """Make `runs` fresh drinks of the case and count those that land, at each duration.

    The same drinks serve all durations and all calls: seeded by world and case.
    """
    duration_s = case.grid_s if duration_s is None else np.asarray(duration_s, dtype=float)
    rng = np.random.default_rng([case.seed, case.number, 1])
    temp_c, dilution = fresh_runs(true_plan(case.plan), duration_s, runs, rng)
    return count_landed(duration_s, temp_c, dilution, case.serve_temp_c_max, case.dilution_by_volume)


def fresh_runs(plan: Plan, duration_s: Floats, runs: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """True temperature and dilution of fresh runs at each duration, shape (durations, runs) each.

    Temperature is the liquid's when motion stops. Dilution is that of the drink in the glass: what melted
    while it moved, what the ice still gives while it is poured off, and the chips that slip through.
    """
    charge = charge_runs(plan, runs, rng)
    course = simulate(plan.setting, charge, float(duration_s.max()), rng)
    slip = plan.setting.world.chip_pass * np.exp(rng.normal(0, 0.4, runs))

    def at(values: Floats, when_s: Floats) -> Floats:
        place = np.clip(when_s / course.time_s[1], 0, len(course.time_s) - 1)
        low = np.minimum(place.astype(int), len(course.time_s) - 2)
        part = (place - low)[:, None]
        return values[low] * (1 - part) + values[low + 1] * part

    added = at(course.added_g, duration_s)
    pace = (added - at(course.added_g, np.maximum(duration_s - 0.5, 0.0))) / 0.5
    pouring = STILL_MELT * plan.setting.motion.pour_s * pace
    chips = np.minimum(slip * at(course.fragments_g, duration_s), MOST_CHIPS_G)
    return at(course.temp_c, duration_s), (added + pouring + chips) / charge.volume_ml


def count_landed(
    duration_s: Floats, temp_c: Floats, dilution: Floats, warmest_c: float, window: tuple[float, float]
) -> TrueOdds:
    """Odds from samples: cold enough and between the dilutions."""
    landed = (temp_c <= warmest_c) & (dilution >= window[0]) & (dilution <= window[1])
    return TrueOdds(duration_s, landed.mean(axis=1), temp_c, dilution)


def set_ups(world: World) -> list[Setting]:
    """The set-ups measured in this world."""
    ices = {"pebble": "cracked"} if world.seed % 2 else {}
    return [Setting(world, t, v, ices.get(i, i)) for t, v, i in SET_UPS]


def usual_plan(setting: Setting, drink: Drink, drink_temp_c: float | None = None) -> Plan:
    """How this drink is made here: stated conditions are rounded as a person would state them."""
    return Plan(
        setting=setting,
        drink=drink,
        drink_temp_c=START_C[drink.name] if drink_temp_c is None else drink_temp_c,
        ice_mass_g=ICE_G[setting.technique],
        ice_temp_c=round(setting.ice_law.temp_c),
        vessel_temp_c=ROOM_C,
        room_temp_c=ROOM_C,
    )


def true_plan(plan: Plan) -> Plan:
    """The plan with the ice's true mean temperature, which a person states rounded."""
    return Plan(**{**vars(plan), "ice_temp_c": plan.setting.ice_law.temp_c})


def make_bench(folder: Path, seed: int, runs_per_set_up: int = 18) -> list[Case]:
    """Write the bench of world `seed` and return its cases.

    Parameters
    ----------
    folder
        Made if absent; receives bench.toml, run_sheet.csv and traces/.
    runs_per_set_up
        Shared evenly by the two measured recipes, in random order.

    Returns
    -------
    One measured case a set-up, one more for the other recipe on half of them, and unmeasured cases
    (hotter, stronger or longer drinks) on the same set-ups.
    """
    world = draw_world(seed)
    write_bench(folder, bench_text(world), sheet_rows(world, runs_per_set_up))
    return make_cases(world)


def sheet_rows(world: World, runs_per_set_up: int) -> list[SheetRow]:
    """Runs of every set-up and measured recipe, shuffled, durations spread over the useful range."""
    rng = np.random.default_rng([world.seed, runs_per_set_up, 2])
    made = []
    for setting in set_ups(world):
        low, high = RANGE_S[setting.technique]
        strata = (np.arange(runs_per_set_up) + rng.uniform(0, 1, runs_per_set_up)) / runs_per_set_up
        spread = low * (high / low) ** strata
        for n, drink in enumerate(MEASURED_DRINKS):
            durations = np.round(spread[n :: len(MEASURED_DRINKS)], 1)
            plan = true_plan(usual_plan(setting, drink))
            made += [(setting, drink, r) for r in make_records(plan, durations, rng)]
    rows = []
    for n, at in enumerate(rng.permutation(len(made))):
        setting, drink, record = made[at]
        day, slot = divmod(n, 24)
        rows.append(
            SheetRow(
                run=f"r{n + 1:03d}",
                started_at=f"2031-03-{day + 3:02d}T{10 + slot // 4:02d}:{15 * (slot % 4):02d}:00",
                operator="A" if n % 2 else "B",
                session=f"day {day + 1}",
                technique=setting.technique,
                vessel=setting.vessel,
                ice=setting.ice,
                recipe=drink.name,
                record=record,
            )
        )
    return rows


def bench_text(world: World) -> BenchText:
    """What a person knows about this world's vessels and ices: stated with ordinary error."""
    rng = np.random.default_rng([world.seed, 3])
    vessels: dict[str, dict[str, str | float]] = {}
    for name, wall in world.walls.items():
        vessels[name] = {"material": wall.material, "mass_g": wall.mass_g}
        stated = max(0.5, round(2 * (wall.held_back_g + rng.normal(0, 0.5))) / 2)
        if world.held_back_stated:
            vessels[name]["held_back_g"] = stated
    ices: dict[str, dict[str, str | float]] = {}
    used = {s.ice for s in set_ups(world)}
    for name, ice in world.ices.items():
        if name not in used:
            continue
        ices[name] = {"shape": ice.shape, "edge_mm": ice.edge_mm, "temp_c": round(ice.temp_c)}
        if world.wetness_stated:
            ices[name]["surface_water_pct"] = round(ice.film_pct * np.exp(rng.normal(0, 0.2)), 1)
    return BenchText(
        title=f"Made-up world {world.seed}",
        note="Synthetic data from a made-up world.",
        vessels=vessels,
        ices=ices,
        drinks=(SOUR, RESTED, HOT, STRONG, LONG),
        targets={},
    )


def make_cases(world: World) -> list[Case]:
    """The cases of a world; only those whose best odds are neither hopeless nor certain."""
    rng = np.random.default_rng([world.seed, 4])
    settings = set_ups(world)
    wanted: list[tuple[str, Plan]] = []
    for n, setting in enumerate(settings):
        wanted.append(("measured", usual_plan(setting, MEASURED_DRINKS[n % 2])))
        if n % 2 == world.seed % 2:
            wanted.append(("measured", usual_plan(setting, MEASURED_DRINKS[1 - n % 2])))
    for n, setting in enumerate(settings):
        if setting.technique == "stir":
            drink, start_c = (STRONG, None) if n % 2 else (LONG, float(rng.uniform(26, 45)))
        elif n % 3 == 2:
            drink, start_c = LONG, float(rng.uniform(26, 45))
        else:
            drink, start_c = HOT, float(rng.uniform(54, 66))
        wanted.append(("unmeasured", usual_plan(setting, drink, start_c and round(start_c))))
    cases = []
    for number, (kind, stated) in enumerate(wanted):
        case = _with_target(world.seed, number, kind, stated, rng)
        if case is not None:
            cases.append(case)
    return cases


def _with_target(seed: int, number: int, kind: str, plan: Plan, rng: np.random.Generator) -> Case | None:
    """Set a target round the true mean state at a sensible duration; None where twelve tries fail."""
    grid = Case(seed, number, kind, plan, 0.0, (0.0, 1.0)).grid_s
    temp_c, dilution = fresh_runs(true_plan(plan), grid, 250, np.random.default_rng([seed, number, 5]))
    hot = plan.drink_temp_c > 50
    for _ in range(12):
        low, high = SENSIBLE_S[plan.setting.technique]
        wish_s = rng.uniform(low, high) * (1.2 if hot else 1.0)
        at = int(np.argmin(np.abs(grid - wish_s)))
        width = rng.uniform(0.06, 0.10)
        middle = dilution[at].mean() + rng.normal(0, 0.1) * width
        window = (round(float(middle - width / 2), 2), round(float(middle + width / 2), 2))
        slack_k = rng.choice([0.0, 0.5, 1.5]) + rng.uniform(0.2, 1.0)
        warmest_c = round(float(temp_c[at].mean() + slack_k), 1)
        best = count_landed(grid, temp_c, dilution, warmest_c, window).best
        if LEAST_ODDS <= best <= MOST_ODDS:
            return Case(seed, number, kind, plan, warmest_c, window)
    return None
