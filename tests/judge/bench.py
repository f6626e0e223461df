"""Benches, cases and true odds of a made-up world; kept on disk, so that only fits and calls are made again.

A bench is six set-ups and two measured recipes: shuffled runs with traces and strained weighings. A case is a
question with a target; its true odds come from fresh drinks of the same hidden world.
"""

from __future__ import annotations

import hashlib
import pickle
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from sample_logs.generator import folder as folder_module
from sample_logs.generator.folder import BenchText, SheetRow, write_bench
from sample_logs.generator.instruments import Record
from sample_logs.generator.liquid import Floats
from tests.judge import liquid, lumped, scene, shells, zones
from tests.judge.scene import BEFORE_S, Charge, Course, Plan, World, make_drinks, usual_plan

FAMILIES: dict[str, Callable[[int], World]] = {
    "shells": shells.draw,
    "lumped": lumped.draw,
    "zones": zones.draw,
}
MEASURED_PARTS = ("sour", "rested")
RANGE_S = {"shake": (5.0, 25.0), "stir": (15.0, 90.0)}
SENSIBLE_S = {"shake": (8.0, 15.0), "stir": (25.0, 60.0)}
LONGEST_S = {"shake": 40.0, "stir": 120.0}
LEAST_ODDS, MOST_ODDS = 0.55, 0.985
FRESH = 1500
QUANTILES = np.linspace(0.0, 1.0, 401)
WEIGHINGS = 12
"""Runs after which a person weighs what stays behind, to state it."""


def grid_s(technique: str) -> Floats:
    """Durations worth asking about [s]."""
    return np.arange(1.0, LONGEST_S[technique] + 1e-9, 0.25 if technique == "shake" else 1.0)


@dataclass(frozen=True)
class Truth:
    """What fresh drinks of a case do: odds of landing, and quantiles of temperature and dilution, by duration."""

    duration_s: Floats
    odds: Floats
    temp_c: Floats
    """At `QUANTILES`, shape (durations, quantiles); so too the dilution."""
    dilution: Floats

    def odds_at(self, duration_s: float) -> float:
        """True odds at one duration."""
        return float(np.interp(duration_s, self.duration_s, self.odds))

    @property
    def best_s(self) -> float:
        return float(self.duration_s[int(np.argmax(self.odds))])

    @property
    def best_odds(self) -> float:
        """The best odds any duration has."""
        return float(self.odds.max())

    def median(self, name: str, duration_s: float) -> float:
        """Median of a quantity at a duration."""
        middle = getattr(self, name)[:, len(QUANTILES) // 2]
        return float(np.interp(duration_s, self.duration_s, middle))

    def share_within(self, name: str, duration_s: float, low: float, high: float) -> float:
        """Share of fresh drinks between two values."""
        at = getattr(self, name)[int(np.argmin(np.abs(self.duration_s - duration_s)))]
        below, above = np.interp([low, high], at, QUANTILES, left=0.0, right=1.0)
        return float(above - below)


@dataclass(frozen=True)
class Case:
    """A question with a target; `plan` stands in the hidden world."""

    number: int
    kind: str
    """"measured": set-up and drink have runs; "drink": the set-up has runs of others only; "pair": ice and
    vessel have runs, never together."""
    plan: Plan
    serve_temp_c_max: float
    dilution_by_volume: tuple[float, float]
    truth: Truth

    @property
    def advise_kwargs(self) -> dict[str, str | float]:
        """What the program is told, but for the target: conditions as a person states them."""
        p = self.plan
        return {
            "technique": p.technique,
            "vessel": p.vessel,
            "ice": p.ice,
            "recipe": p.drink.name,
            "drink_temp_c": p.drink_temp_c,
            "ice_mass_g": p.ice_g,
            "ice_temp_c": float(round(p.world.ices[p.ice].temp_c)),
            "vessel_temp_c": p.vessel_temp_c,
            "room_temp_c": p.room_temp_c,
        }

    @property
    def target_kwargs(self) -> dict[str, float | tuple[float, float]]:
        """Keywords for `rig.Target`."""
        return {"serve_temp_c_max": self.serve_temp_c_max, "dilution_by_volume": self.dilution_by_volume}


@dataclass(frozen=True)
class Noted:
    """A run's record, and what the probe shows once it has settled in the strained drink.

    The sheet has no column for the latter: only the rival, who notes end temperatures, waits for it.
    """

    record: Record
    settled_c: float
    pace: float
    """How quick the hand truly was, over what is usual."""


@dataclass(frozen=True)
class Bench:
    """What stands on disk for one world: rows of the run sheet for each number of runs, and its cases."""

    world: World
    text: BenchText
    rows: dict[int, list[tuple[SheetRow, float]]]
    """With each row, the settled end temperature [°C]."""
    cases: list[Case]

    def write(self, folder: Path, runs_per_set_up: int, own: Sequence[tuple[SheetRow, float]] = ()) -> None:
        """Write the bench folder, with further runs if any."""
        write_bench(folder, self.text, [row for row, _ in [*self.rows[runs_per_set_up], *own]])

    def stated_left_g(self, vessel: str) -> float | None:
        """What the person has weighed as staying behind in this vessel; None: never weighed."""
        value = self.text.vessels[vessel].get("held_back_g")
        return None if value is None else float(value)  # type: ignore[arg-type]

    def rows_of(self, case: Case, runs_per_set_up: int) -> list[tuple[SheetRow, float]]:
        """The bench's own runs of a case's set-up and drink."""
        asked = (*case.plan.set_up, case.plan.drink.name)
        rows = self.rows[runs_per_set_up]
        return [
            kept for kept in rows if (kept[0].technique, kept[0].vessel, kept[0].ice, kept[0].recipe) == asked
        ]

    def made_at(self, case: Case, duration_s: Floats, key: int) -> list[tuple[SheetRow, float]]:
        """The person makes a case's drink for each of these durations and notes the runs, from the `key`-th on."""
        noted = make_records(case.plan, np.round(duration_s, 1), self.world.rng(case.number, key, 11))
        return [
            (
                SheetRow(
                    run=f"own{key + n + 1}",
                    started_at=f"2031-05-{1 + (key + n) // 12:02d}T{10 + (key + n) % 12}:00:00",
                    operator="A",
                    session="after",
                    technique=case.plan.technique,
                    vessel=case.plan.vessel,
                    ice=case.plan.ice,
                    recipe=case.plan.drink.name,
                    record=one.record,
                ),
                one.settled_c,
            )
            for n, one in enumerate(noted)
        ]


def kept_bench(
    family: str, seed: int, runs_per_set_up: Sequence[int], *, fresh: int = FRESH, each: int | None = None
) -> Bench:
    """The bench of a world with rows for these numbers of runs: from disk where it is, else made now.

    `fresh` drinks a case tell its true odds; `each` limits the cases of a kind.
    """
    place = _place(family, seed, fresh, each)
    if place.exists():
        bench: Bench = pickle.loads(place.read_bytes())
    else:
        world = FAMILIES[family](seed)
        bench = Bench(world, bench_text(world), {}, make_cases(world, fresh, each))
    lacking = [runs for runs in runs_per_set_up if runs not in bench.rows]
    if lacking or not place.exists():
        rows = {runs: sheet_rows(bench.world, runs) for runs in lacking}
        bench = replace(bench, rows={**bench.rows, **rows})
        place.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=place.parent, delete=False) as file:
            file.write(pickle.dumps(bench))
        Path(file.name).replace(place)
    return bench


@cache
def _source_hash(family: str) -> str:
    modules = (liquid, scene, folder_module, FAMILIES[family])
    files = [
        Path(__file__),
        *(Path(m.__globals__["__file__"] if callable(m) else str(m.__file__)) for m in modules),
    ]
    return hashlib.sha256(b"".join(f.read_bytes() for f in files)).hexdigest()[:16]


def _place(family: str, seed: int, fresh: int, each: int | None) -> Path:
    name = f"{family}-{seed}-{fresh}-{each or 'all'}-{_source_hash(family)}.pickle"
    return Path(tempfile.gettempdir()) / "judged-worlds" / name


def final_dilution(charge: Charge, course: Course, duration_s: Floats) -> Floats:
    """Water in the glass over starting volume, (durations, runs): what motion gave and what straining adds."""
    return (course.at("added_g", duration_s) + course.at("late_g", duration_s)) / charge.volume_ml


def make_cases(world: World, fresh: int = FRESH, each: int | None = None) -> list[Case]:
    """The cases of a world, at most `each` a kind; only those whose best odds are neither hopeless nor certain."""
    rng = world.rng(4)
    wanted: list[tuple[str, Plan]] = []
    for n, set_up in enumerate(world.set_ups):
        wanted.append(("measured", usual_plan(world, set_up, MEASURED_PARTS[n % 2])))
        if n % 2 == world.seed % 2:
            wanted.append(("measured", usual_plan(world, set_up, MEASURED_PARTS[1 - n % 2])))
    shaken = [str(part) for part in rng.permutation(["hot", "hot", "long", "strong"])]
    stirred = [str(part) for part in rng.permutation(["strong", "long"])]
    for set_up in world.set_ups:
        part = (stirred if set_up[0] == "stir" else shaken).pop()
        wanted.append(("drink", usual_plan(world, set_up, part)))
    wanted += [("pair", usual_plan(world, pair, part)) for pair in world.pairs for part in MEASURED_PARTS]
    cases: list[Case] = []
    for number, (kind, plan) in enumerate(wanted):
        if each is None or sum(case.kind == kind for case in cases) < each:
            case = make_case(number, kind, plan, fresh)
            cases += [case] if case is not None else []
    return cases


def make_case(number: int, kind: str, plan: Plan, fresh: int = FRESH) -> Case | None:
    """Set a target round the true mean state at a sensible duration; None where twelve tries fail."""
    rng = plan.world.rng(number, 5)
    grid = grid_s(plan.technique)
    charge, course = make_drinks(plan, fresh, float(grid[-1]), plan.world.rng(number, 1))
    temp_c, dilution = course.at("temp_c", grid), final_dilution(charge, course, grid)
    low, high = SENSIBLE_S[plan.technique]
    for _ in range(12):
        wish_s = rng.uniform(low, high) * (1.2 if plan.part == "hot" else 1.0)
        at = int(np.argmin(np.abs(grid - wish_s)))
        width = rng.uniform(0.05, 0.09)
        middle = dilution[at].mean() + rng.normal(0, 0.1) * width
        window = (round(float(middle - width / 2), 2), round(float(middle + width / 2), 2))
        slack_k = rng.choice([0.0, 0.5, 1.5]) + rng.uniform(0.2, 1.0)
        warmest_c = round(float(temp_c[at].mean() + slack_k), 1)
        landed = (temp_c <= warmest_c) & (dilution >= window[0]) & (dilution <= window[1])
        odds = landed.mean(axis=1)
        if LEAST_ODDS <= odds.max() <= MOST_ODDS:
            quantiles = (np.quantile(v, QUANTILES, axis=1).T.astype(np.float32) for v in (temp_c, dilution))
            return Case(number, kind, plan, warmest_c, window, Truth(grid, odds, *quantiles))
    return None


def sheet_rows(world: World, runs_per_set_up: int) -> list[tuple[SheetRow, float]]:
    """The rows of a run sheet, each with its settled end temperature [°C]."""
    return [(row, noted.settled_c) for row, noted in noted_runs(world, runs_per_set_up)]


def noted_runs(world: World, runs_per_set_up: int) -> list[tuple[SheetRow, Noted]]:
    """Runs of every set-up and measured recipe, shuffled, durations spread over the useful range."""
    rng = world.rng(runs_per_set_up, 2)
    made: list[tuple[Plan, Noted]] = []
    for set_up in world.set_ups:
        low, high = RANGE_S[set_up[0]]
        strata = (np.arange(runs_per_set_up) + rng.uniform(0, 1, runs_per_set_up)) / runs_per_set_up
        spread = low * (high / low) ** strata
        for n, part in enumerate(MEASURED_PARTS):
            durations = np.round(spread[n :: len(MEASURED_PARTS)], 1)
            plan = usual_plan(world, set_up, part)
            if len(durations):
                made += [(plan, noted) for noted in make_records(plan, durations, rng)]
    rows = []
    for n, at in enumerate(rng.permutation(len(made))):
        plan, noted = made[at]
        day, slot = divmod(n, 24)
        row = SheetRow(
            run=f"r{n + 1:03d}",
            started_at=f"2031-03-{day + 3:02d}T{10 + slot // 4:02d}:{15 * (slot % 4):02d}:00",
            operator="A" if n % 2 else "B",
            session=f"day {day + 1}",
            technique=plan.technique,
            vessel=plan.vessel,
            ice=plan.ice,
            recipe=plan.drink.name,
            record=noted.record,
        )
        rows.append((row, noted))
    return rows


def bench_text(world: World) -> BenchText:
    """What a person knows about this world's vessels and ices: stated with ordinary error."""
    rng = world.rng(3)
    vessels: dict[str, dict[str, str | float]] = {}
    for name, vessel in world.vessels.items():
        vessels[name] = {"material": vessel.material, "mass_g": vessel.mass_g}
        weighed = _weigh_what_stays(world, name, rng)
        if world.held_back_stated:
            vessels[name]["held_back_g"] = weighed
    ices: dict[str, dict[str, str | float]] = {}
    for name, ice in world.ices.items():
        ices[name] = {"shape": ice.shape, "edge_mm": ice.edge_mm, "temp_c": round(ice.temp_c)}
        if world.wetness_stated:
            ices[name]["surface_water_pct"] = round(ice.film_pct * np.exp(rng.normal(0, 0.2)), 1)
    return BenchText(
        title=f"Made-up world {world.family} {world.seed}",
        note="Synthetic data from a made-up world.",
        vessels=vessels,
        ices=ices,
        drinks=tuple(world.drinks.values()),
        targets={},
    )


def _weigh_what_stays(world: World, vessel: str, rng: np.random.Generator) -> float:
    """All liquid that stays on vessel and ice, as weighed a few times over this vessel's set-ups [g]."""
    total = []
    for set_up in world.set_ups:
        if set_up[1] == vessel:
            low, high = SENSIBLE_S[set_up[0]]
            plan = usual_plan(world, set_up, "sour")
            _, course = make_drinks(plan, WEIGHINGS, high, rng)
            total.append(course.at("left_g", rng.uniform(low, high, WEIGHINGS), each=True).mean())
    return float(max(0.5, round(2 * (np.mean(total) + rng.normal(0, 0.4))) / 2))


def make_records(plan: Plan, duration_s: Floats, rng: np.random.Generator) -> list[Noted]:
    """Make a drink for each duration, and write down what a person would have read."""
    read = plan.world.instruments
    runs = len(duration_s)
    charge, course = make_drinks(plan, runs, float(duration_s.max()) + 0.5, rng)
    gained = course.at("added_g", duration_s, each=True) + course.at("late_g", duration_s, each=True)
    glass_g = charge.drink_g + gained - course.at("left_g", duration_s, each=True)
    time_s, probe_c = probe_readings(plan, charge, course, rng)

    def weighed(mass_g: Floats) -> Floats:
        noisy = mass_g + rng.normal(0, read.scale_noise_g, runs)
        return np.round(noisy / read.scale_step_g) * read.scale_step_g

    def taken(temp_c: Floats, noise_k: float = read.reading_noise_k) -> Floats:
        return np.round(temp_c + rng.normal(0, noise_k, runs), 1)

    drink_g, ice_g, glass_g = weighed(charge.drink_g), weighed(charge.ice_g), weighed(glass_g)
    end_c = (
        course.at("temp_c", duration_s, each=True)
        + read.probe_offset_k
        + rng.normal(0, read.probe_noise_k, runs)
    )
    settled_c = np.round(end_c / read.probe_step_k) * read.probe_step_k
    drink_c, vessel_c = taken(charge.drink_temp_c), taken(charge.vessel_temp_c)
    room_c, ice_c = taken(charge.room_temp_c, 0.3), np.minimum(taken(charge.ice_temp_c, 0.5).round(), 0.0)
    records = []
    for n in range(runs):
        inside = time_s <= duration_s[n] + 1e-9
        record = Record(
            duration_s=float(duration_s[n]),
            drink_mass_g=float(drink_g[n]),
            drink_temp_c=float(drink_c[n]),
            ice_mass_g=float(ice_g[n]),
            ice_temp_c=float(ice_c[n]),
            vessel_temp_c=float(vessel_c[n]),
            room_temp_c=float(room_c[n]),
            strained_mass_g=float(glass_g[n]),
            trace_time_s=time_s[inside],
            trace_probe_c=probe_c[inside, n],
        )
        records.append(Noted(record, float(settled_c[n]), float(charge.pace[n])))
    return records


def probe_readings(
    plan: Plan, charge: Charge, course: Course, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """What the probe shows: time [s], shape (samples,), and temperature [°C], shape (samples, runs)."""
    probe = plan.world.instruments
    fine_s = 0.025
    fine = np.arange(-BEFORE_S, course.time_s[-1] + fine_s / 2, fine_s)
    true_c = course.at("probe_c", np.maximum(fine, 0.0))
    true_c[fine < 0] = charge.drink_temp_c if probe.probe_in_drink else charge.vessel_temp_c
    shown = np.empty_like(true_c)
    shown[0] = true_c[0]
    follows = -np.expm1(-fine_s / probe.probe_lag_s)
    for n in range(1, len(fine)):
        shown[n] = shown[n - 1] + follows * (true_c[n] - shown[n - 1])
    every = round(1 / probe.probe_rate_hz / fine_s)
    shown = shown[::every]
    read = shown + probe.probe_offset_k + rng.normal(0, probe.probe_noise_k, shown.shape)
    return fine[::every], np.round(read / probe.probe_step_k) * probe.probe_step_k
