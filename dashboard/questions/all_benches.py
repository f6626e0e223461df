"""The question behind the page of all benches: the logbook at a glance, and one recipe across it."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.params import Params, named
from dashboard.service import Service
from rig.advice.compare.overview import RECENT, Overview, overview
from rig.errors import RigError
from rig.logbook.weighed import weighed_cells


@dataclass(frozen=True)
class AllBenches:
    """All benches at a glance, and the recipe that is shown across them, of those that were weighed."""

    found: Overview
    recipe: str | None
    recipes: tuple[str, ...]

    @classmethod
    def of(cls, service: Service, params: Params) -> AllBenches:
        """What the logbook says; left out, the recipe is the one with most weighed runs.

        Raises
        ------
        RigError
            Where there is no logbook, or the recipe is not in it.
        """
        if service.logbook is None:
            raise RigError(
                "A bench folder is one bench. To see several side by side, bring them into one logbook: "
                "chillrig import DIR"
            )
        tallies = {name: service.listing(name).tally(name) for name in service.names()}
        cells = [c for c in weighed_cells(service.logbook, RECENT) if c.bench in tallies]
        runs: dict[str, int] = {}
        for cell in cells:
            runs[cell.recipe] = runs.get(cell.recipe, 0) + cell.runs
        recipes = tuple(sorted(runs))
        usual = max(recipes, key=lambda r: runs[r], default=None)
        recipe = None if usual is None else named(params, "recipe", recipes, usual, "recipe")
        return cls(overview(tallies, cells, recipe), recipe, recipes)
