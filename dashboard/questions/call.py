"""The question behind a call: one drink on one set-up, and where it should land."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from dashboard.params import Params, Scale, named, one
from dashboard.questions.defaults import OWN, techniques, usual_drink, usual_target
from dashboard.service import BenchView
from rig.advice.call.assumed import filled
from rig.bench import Target
from rig.errors import ModelRangeError
from rig.fitting.situation import Situation


def scales(view: BenchView) -> dict[str, Scale]:
    """The sliders of the call, long enough for everything this bench was run at."""
    masses = [r.ice_mass_g for r in view.book.runs if r.ice_mass_g is not None]
    most = max(500.0, 100.0 * math.ceil(1.5 * max(masses, default=0.0) / 100.0))
    targets = view.bench.targets.values()
    warmest = max((t.serve_temp_c_max or 0.0 for t in targets), default=0.0)
    thinnest = 100.0 * max((t.dilution_by_volume[1] for t in targets if t.dilution_by_volume), default=0.0)
    # room beyond every named target, and the far end left free to mean no limit
    warmest, thinnest = max(15.0, math.ceil(warmest) + 5.0), max(150.0, math.ceil(thinnest) + 50.0)
    return {
        "drink_temp_c": Scale(-4.0, 94.0, 0.5, "°C"),
        "ice_temp_c": Scale(-28.0, 0.0, 0.5, "°C"),
        "ice_mass_g": Scale(20.0, most, 5.0, "g"),
        "serve_temp_c_max": Scale(-12.0, warmest, 0.5, "°C", none_at=warmest),
        "dilution_low": Scale(0.0, thinnest, 1.0, "%", none_at=0.0),
        "dilution_high": Scale(0.0, thinnest, 1.0, "%", none_at=thinnest),
    }


CONDITIONS = ("drink_temp_c", "ice_temp_c", "ice_mass_g")
"""Sliders of the drink and its ice; one that is not asked stands at what is usual."""


@dataclass(frozen=True)
class CallQuestion:
    """One drink on one set-up, and where it should land. Temperatures in °C, mass in g, dilution in %.

    Start, ice temperature and ice mass are None where they are left open: they are then what is usual, and as unsure.
    """

    technique: str
    vessel: str
    ice: str
    recipe: str
    target: str
    drink_temp_c: float | None
    ice_temp_c: float | None
    ice_mass_g: float | None
    serve_temp_c_max: float
    dilution_low: float
    dilution_high: float

    @classmethod
    def of(cls, view: BenchView, params: Params) -> CallQuestion:
        """What the parameters ask; what they leave out is as usual for the bench.

        Raises
        ------
        NotFound, ModelRangeError
            A name that is not on the bench; a number beyond its slider.
        """
        usual = usual_drink(view)
        technique = named(params, "technique", techniques(view), usual.technique, "technique")
        vessel = named(params, "vessel", view.bench.vessels, usual.vessel, "vessel")
        ice = named(params, "ice", view.bench.ice, usual.ice, "ice")
        recipe = named(params, "recipe", view.bench.recipes, usual.recipe, "recipe")
        target = named(params, "target", (OWN, *view.bench.targets), usual_target(view, recipe), "target")
        run_of = scales(view)
        given = {k: None if one(params, k) is None else run_of[k].read(params, k, 0.0) for k in CONDITIONS}
        wanted = {k: run_of[k].read(params, k, v) for k, v in sliders_of_target(view, target).items()}
        return cls(technique, vessel, ice, recipe, target, **given, **wanted)  # type: ignore[arg-type]

    @property
    def drink(self) -> Situation:
        """The drink and its set-up by name."""
        return Situation(self.technique, self.vessel, self.ice, self.recipe)

    @property
    def situation(self) -> Situation:
        """The drink as it is asked about."""
        return replace(
            self.drink,
            drink_temp_c=self.drink_temp_c,
            ice_mass_g=self.ice_mass_g,
            ice_temp_c=self.ice_temp_c,
        )

    def target_of(self, view: BenchView) -> Target:
        """The target: the named one, with what the sliders change in it.

        Raises
        ------
        ModelRangeError
            No limit at all, or a window that is upside down.
        """
        run_of = scales(view)
        base = view.bench.targets.get(self.target)
        if base is not None and sliders_of_target(view, self.target) == self._wanted():
            return base
        low = None if self.dilution_low == run_of["dilution_low"].none_at else self.dilution_low
        high = None if self.dilution_high == run_of["dilution_high"].none_at else self.dilution_high
        limit = run_of["serve_temp_c_max"].none_at
        cold = None if self.serve_temp_c_max == limit else self.serve_temp_c_max
        window = None
        if low is not None or high is not None:
            window = ((low or 0.0) / 100.0, (high or 1000.0) / 100.0)
            if window[0] >= window[1]:
                raise ModelRangeError(
                    f"dilution from {self.dilution_low:.0f} % to {self.dilution_high:.0f} % holds nothing. "
                    "Move the lower end below the upper one"
                )
        if base is not None:
            return replace(
                base, serve_temp_c_max=cold, dilution_by_volume=window, name=f"{base.name}, changed"
            )
        if cold is None and window is None:
            raise ModelRangeError("the target sets no limit. Move a slider of the target off its end")
        return Target(serve_temp_c_max=cold, dilution_by_volume=window)

    def _wanted(self) -> dict[str, float]:
        return {k: getattr(self, k) for k in ("serve_temp_c_max", "dilution_low", "dilution_high")}


def sliders_of_target(view: BenchView, name: str) -> dict[str, float]:
    """Where the target's sliders stand for a named target; at no limit for the others."""
    run_of = scales(view)
    target = view.bench.targets.get(name)
    cold = None if target is None else target.serve_temp_c_max
    window = None if target is None else target.dilution_by_volume
    values = {
        "serve_temp_c_max": cold,
        "dilution_low": None if window is None else 100.0 * window[0],
        "dilution_high": None if window is None else 100.0 * window[1],
    }
    return {
        k: run_of[k].snapped(v) if v is not None else float(run_of[k].none_at or 0.0)
        for k, v in values.items()
    }


def usual_conditions(view: BenchView, drink: Situation) -> dict[str, float]:
    """Where the sliders of drink and ice stand while nothing is asked: start, ice temperature and ice mass as usual."""
    assumed, run_of = filled(view.fitted(), drink).assumed, scales(view)
    return {name: run_of[name].snapped(assumed[name].value) for name in CONDITIONS}
