"""What `chillrig record` is asked to make: names of a bench, its target, and what the journal's header holds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.cli.source import Source, open_source
from rig.errors import NotFound, RigError

if TYPE_CHECKING:
    from rig.fitting.situation import Situation
    from rig.session.probe import ProbeWatch
    from rig.session.way import Way

SIMULATED_BENCH = """
title = "Simulated rig"
[vessels."two-piece steel"]
material = "stainless steel"
mass_g = 300
[ice."freezer cube"]
shape = "cube"
edge_mm = 28
temp_c = -16
[recipes."night ferry"]
ingredients = [
  { name = "coffee concentrate", volume_ml = 50 },
  { name = "dark spirit", volume_ml = 35, abv_pct = 42 },
]
[targets.coupe]
serve_temp_c_max = 0
dilution_by_volume = [0.22, 0.45]
"""


@dataclass(frozen=True)
class Drink:
    """What is to be made, by names of the bench; no target where none was named and none stands in."""

    source: Source
    bench_name: str
    technique: str
    vessel: str
    ice: str
    recipe: str
    target: str | None

    @property
    def situation(self) -> Situation:
        """The question that it asks."""
        from rig.fitting.situation import Situation

        return Situation(self.technique, self.vessel, self.ice, self.recipe)


def drink_asked(
    bench: Path | None,
    logbook: str | None,
    bench_name: str | None,
    technique: str,
    vessel: str | None,
    ice: str | None,
    recipe: str | None,
    target: str | None,
    simulated: bool,
) -> Drink:
    """What is to be made, from a bench folder, the logbook's bench, or none where all is simulated.

    What is simulated is made for the bench's first target where none is named.
    """
    if simulated and bench is None and bench_name is None:
        from rig.bench import parse_bench
        from rig.runs import RunBook

        source = Source(RunBook(parse_bench(SIMULATED_BENCH, "the simulated bench")[0], ()), "simulated")
    else:
        source = open_source(bench, logbook, bench_name)
    on = source.book.bench
    return Drink(
        source,
        source.name if bench is None else bench.resolve().name,
        technique,
        _one("vessel", vessel, tuple(on.vessels), simulated),
        _one("ice", ice, tuple(on.ice), simulated),
        _one("recipe", recipe, tuple(on.recipes), simulated),
        on.target(target).name if target is not None else next(iter(on.targets), None) if simulated else None,
    )


def _one(kind: str, asked: str | None, known: tuple[str, ...], first_will_do: bool) -> str:
    if asked is not None:
        if asked not in known:
            raise NotFound(kind, asked, known)
        return asked
    if len(known) == 1 or (known and first_will_do):
        return known[0]
    if not known:
        raise RigError(f"the bench has no {kind}. Write one into its bench.toml")
    raise RigError(f"say which {kind}: --{kind} {' | '.join(repr(k) for k in known)}")


def way_of(made: Drink, ice_g: float | None, duration_s: float | None) -> Way:
    from rig.session.way import Way, ingredients_g

    return Way(
        made.technique,
        ingredients_g(made.source.book.bench.recipe(made.recipe)),
        made.source.book.bench.vessel(made.vessel).mass_g,
        ice_g,
        duration_s,
    )


def meta_of(
    made: Drink, given: dict[str, Any], way: Way, watch: ProbeWatch, *, simulated: bool, blind: bool
) -> dict[str, Any]:
    from rig.bench_toml import bench_toml
    from rig.capture.to_run.probe_doubted import USUAL_START
    from rig.runs import BLIND
    from rig.session.resumed import WAY, way_json
    from rig.session.simulated_drink import as_simulated

    run = {k: v for k, v in given.items() if v is not None}
    return {
        WAY: way_json(way),
        "bench_name": made.bench_name,
        "bench": bench_toml(made.source.book.bench),
        "run": as_simulated(run) if simulated else run,
        "probe_in_drink": watch.in_drink,
        USUAL_START: watch.usual_c,
        BLIND: blind,
    }


def watch_of(made: Drink, probe_in_drink: bool, time_scale: float) -> ProbeWatch:
    from rig.fitting.priors import TYPICAL_ROOM_C
    from rig.session.probe import ProbeWatch, usual_start_c

    book = made.source.book
    usual = usual_start_c(book.bench.recipe(made.recipe), book.runs) if probe_in_drink else TYPICAL_ROOM_C
    return ProbeWatch(usual, probe_in_drink, time_scale)
