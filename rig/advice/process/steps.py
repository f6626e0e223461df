"""A drink through all its steps, with bands: the process models, with rates as the fit has found them.

Each lane is one draw of what is not known, the same throughout: rates and the next run's departures from the fit
(or its priors, where nothing was measured), the room and the contact with cup and glass by their usual ranges.
What the fit knows of the melt model's misfit is put on the last motion before the drink leaves its ice, as in a
call; its heat stands in the ledger as the model's error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.advice.call.assumed import filled, start_of
from rig.advice.call.calling import require_sensible
from rig.advice.call.cautions import DEFER, glass_shock, heat
from rig.advice.process.air import air_draws, spread_draws
from rig.advice.process.done import Drunk, Moved, Placed, Poured, StayIn
from rig.advice.process.steps_file import Described, Kind, Process, parse_steps
from rig.arrays import FloatArray
from rig.bench import Bench
from rig.errors import BenchError, NotFound
from rig.fitting.prediction import BasisKind, ParameterDraws, parameter_draws
from rig.fitting.priors import P, ice_nominal, vessel_nominal
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, held_back_g, inputs_for
from rig.physics import process
from rig.physics.cup import CUPS, Cup, GlassState
from rig.physics.liquid import Liquid
from rig.physics.process import Start, Step
from rig.physics.recipe_liquid import liquid_from_recipe
from rig.physics.room_air import SPREAD, Room
from rig.physics.stage import Stage
from rig.physics.standing import CONTACT_SPREAD, Conditions, GlassIce

__all__ = ["Made", "make", "parse_steps"]

Range = tuple[float, float, float]
QUANTITIES = ("temp_c", "dilution_by_volume", "abv_pct", "overrun_pct", "volume_ml")


@dataclass(frozen=True, eq=False)
class Made:
    """A drink after each of its steps.

    `stages` has one more entry than there are steps, arrays over draws (lanes,). `rests_on`: of each step, what
    its rates rest on, in words.
    """

    plan: Process
    stages: tuple[Stage, ...]
    rests_on: tuple[str, ...]
    cautions: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Stable keys, units in the names; ranges hold 90 %."""
        labels = ("start", *(s.label for s in self.plan.steps))
        listed = []
        for k, (stage, label) in enumerate(zip(self.stages, labels, strict=True)):
            entry: dict[str, Any] = {"step": k, "kind": label, "elapsed_s": round(stage.elapsed_s, 1)}
            entry |= {name: _percentiles(getattr(stage, name)) for name in QUANTITIES}
            listed.append(entry | {"rests_on": self.rests_on[k]})
        made = next((s.sips for s in self.stages if s.sips is not None), None)
        served = [] if made is None else [
            {"sip": k + 1, "time_s": round(float(t), 1)}
            | {n: _percentiles(getattr(made, n)[k]) for n in ("temp_c", "added_by_volume", "abv_pct", "ice_left_g")}
            for k, t in enumerate(made.time_s)
        ]  # fmt: skip
        return {
            "recipe": self.plan.recipe,
            "steps": listed,
            "sips": served,
            "books": self.books(),
            "cautions": list(self.cautions),
        }

    def books(self) -> dict[str, float]:
        """How far masses and energies are from adding up, the worst lane; and the melt model's own error."""
        first, last = self.stages[0], self.stages[-1]
        entries = last.ledger
        mass = last.inside_g - first.inside_g - entries["brought_g"] + entries["left_g"]
        came_j = entries["heat_in_j"] + entries["brought_j"] - entries["left_j"] + entries["model_error_j"]
        energy = last.inside_j - first.inside_j - came_j
        return {
            "mass_off_g": float(np.abs(mass).max()),
            "energy_off_j": float(np.abs(energy).max()),
            "model_error_j": float(np.median(np.abs(entries["model_error_j"]))),
        }


def _percentiles(values: FloatArray) -> dict[str, float]:
    low, middle, high = np.percentile(values, [5.0, 50.0, 95.0])
    return {"p05": round(float(low), 4), "p50": round(float(middle), 4), "p95": round(float(high), 4)}


def make(fit: Fit, plan: Process, *, draws: int = 512, seed: int = 20) -> Made:
    """Run a drink through its steps.

    Raises
    ------
    NotFound
        A recipe, vessel, ice or glass that is not known.
    BenchError, ModelRangeError
        A step that cannot be where it stands, with its line; values outside the range of the models.
    """
    maker = _Maker(fit, plan, draws, seed)
    steps = [Placed(maker.step(k, d), d) for k, d in enumerate(plan.steps)]
    try:
        stages = process.run(steps, maker.start(), maker.around(), lanes=draws)
    except BenchError as error:
        raise (error.__cause__ if isinstance(error.__cause__, BenchError) else error) from None
    words = ["as the bench has it" if plan.temp_c is None else "as stated"]
    words += [_rests_on(s.step, before) for s, before in zip(steps, stages, strict=False)]
    return Made(plan, stages, tuple(words), _cautions(maker, steps, stages))


class _Maker:
    """From steps as written to steps that can be run, with the draws they share."""

    def __init__(self, fit: Fit, plan: Process, draws: int, seed: int) -> None:
        self.fit, self.plan, self.draws, self.seed = fit, plan, draws, seed
        self.bench: Bench = fit.bench
        self.drink = liquid_from_recipe(self.bench.recipe(plan.recipe))
        self.situations = {k: self._situation(k) for k, d in enumerate(plan.steps) if d.kind is Kind.MOVE}
        for s in self.situations.values():
            require_sensible(s)

    def start(self) -> Start:
        """The drink before its first step, its temperature as uncertain as it was stated."""
        mass = float(self.drink.liquid.mass_g)
        scale = 1.0 if self.plan.mass_g is None else self.plan.mass_g / mass
        parts = (self.drink.liquid.ethanol_g, self.drink.liquid.sugar_g, self.drink.liquid.water_g,
                 self.drink.liquid.solids_g)  # fmt: skip
        first = next(iter(self.situations.values()), None)
        if first is None:
            still = Situation("", "", "", self.plan.recipe, drink_temp_c=self.plan.temp_c)
            start, _ = start_of(self.fit, still, self.plan.room_temp_c)
            temps = np.clip(start.value + start.std * self._normal(0), -10.0, 95.0)
        else:
            f = self._forecast(first)
            temps = np.clip(f.nominal.inputs.drink_temp_c[0] + f.parameters[:, P.DRINK_TEMP], -10.0, 95.0)
        liquid = Liquid(*(np.asarray(part * scale) for part in parts))
        return Start.of(liquid, temps, self.drink.starting_volume_ml * scale)

    def around(self) -> Conditions:
        """Room and contact, each lane somewhere in their usual ranges."""
        room, contact = (
            spread_draws(*ends, self._normal(k)) for k, ends in ((1, SPREAD), (2, CONTACT_SPREAD))
        )
        return Conditions(Room(self.plan.room_temp_c), room, contact)

    def _normal(self, of: int) -> FloatArray:
        return np.random.default_rng([self.seed, of]).standard_normal(self.draws).clip(-2.5, 2.5)

    def _forecast(self, situation: Situation) -> ParameterDraws:
        return parameter_draws(self.fit, situation, self.draws, self.seed)

    def _situation(self, at: int) -> Situation:
        """What is known of a motion: its vessel, and the ice that went in before it."""
        d, before = self.plan.steps[at], self.plan.steps[:at]
        left = max((k for k, x in enumerate(before) if x.kind is Kind.STRAIN), default=-1)
        ices = [x for x in before[left + 1 :] if x.kind is Kind.ICE]
        if not ices:
            cure = 'Put [[step]] kind = "add ice" before it'
            raise BenchError(f"there is no ice to {d.technique} on", d.place, cure)
        vessel = d.values.get("vessel", self.plan.vessel)
        if vessel is None:
            raise BenchError(
                f"{d.technique!r} needs a vessel", d.place, 'Write vessel = "a name of the bench"'
            )
        masses = [x.values.get("mass_g") for x in ices]
        s = Situation(
            technique=d.technique,
            vessel=vessel,
            ice=ices[-1].values["ice"],
            recipe=self.plan.recipe,
            drink_temp_c=self.plan.temp_c,
            drink_mass_g=self.plan.mass_g,
            ice_mass_g=None if None in masses else float(sum(m for m in masses if m is not None)),
            ice_temp_c=ices[-1].values.get("temp_c"),
            vessel_temp_c=d.values.get("vessel_temp_c"),
            room_temp_c=self.plan.room_temp_c,
        )
        self.bench.vessel(s.vessel)
        self.bench.ice_type(s.ice)
        if self.bench.motion(s.technique) is None and s.technique not in self.fit.techniques:
            known = (*Kind, *self.fit.techniques, *self.bench.techniques)
            raise NotFound("kind of step or technique", s.technique, [w for w in known if w is not Kind.MOVE])
        return filled(self.fit, s).situation

    def step(self, at: int, d: Described) -> Step:
        """The step as the process models take it."""
        v = d.values
        match d.kind:
            case Kind.REST:
                cup = _cup(v.get("cup", "mug"))
                return process.Rest(v["duration_s"], cup, v.get("cup_temp_c"), v.get("covered", False))
            case Kind.AIR:
                air = air_draws(self.fit, "blend", self.plan.recipe, v.get("overrun_pct"), self._normal)
                power = v.get("power_w", spread_draws(20.0, 180.0, self._normal(5)))
                jar = 0.0
                if "vessel" in v:
                    jar = vessel_nominal(self.bench.vessel(v["vessel"])).heat_capacity_j_per_k
                return process.BlendForAir(
                    v["duration_s"], power, air.plateau_pct, air.time_s, jar, self.plan.room_temp_c
                )
            case Kind.ICE:
                return self._ice(at, d)
            case Kind.STRAIN:
                return process.Strain(v.get("held_back_g", self._held_back_g(at)))
            case Kind.OVER:
                return process.OverIce(self._glass_ice(v["ice"], v["mass_g"], v.get("temp_c")))
            case Kind.POUR:
                kept = v.get("kept", GlassState.ROOM.value)
                if kept not in list(GlassState):
                    raise NotFound("way to keep a glass", kept, list(GlassState))
                glass_c = v.get("temp_c", GlassState(kept).temp_c(self.plan.room_temp_c))
                return Poured(process.PourInto(_cup(v["glass"]), glass_c))
            case Kind.STAY:
                return StayIn(_cup(v["glass"]))
            case Kind.DRINK:
                ices = [x for x in self.plan.steps[:at] if x.kind is Kind.ICE]
                piece = self._glass_ice(ices[-1].values["ice"], 1.0, None) if ices else None
                return Drunk(float(v["minutes"]), int(v.get("sips", 8)), piece)
            case Kind.MOVE:
                air = air_draws(self.fit, d.technique, self.plan.recipe, v.get("overrun_pct"), self._normal)
                rest = [
                    x.kind for x in self.plan.steps[at + 1 :] if x.kind in (Kind.MOVE, Kind.STRAIN, Kind.STAY)
                ]
                last = not rest or rest[0] is not Kind.MOVE
                return Moved(self.fit, self.situations[at], v["duration_s"], self.draws, self.seed, air, last)

    def _ice(self, at: int, d: Described) -> Step:
        """Ice as the motion that comes next has it, in its draws."""
        following = next((s for k, s in self.situations.items() if k > at), None)
        if following is None or following.ice != d.values["ice"]:
            ice = ice_nominal(self.bench.ice_type(d.values["ice"]), d.values.get("temp_c"))
            mass = d.values.get("mass_g")
            if mass is None:
                raise BenchError("'add ice' needs mass_g where no motion follows on that ice", d.place)
            return process.AddIce(mass, d.values.get("temp_c", ice.temp_c), ice.wet_fraction * mass)
        f = self._forecast(following)
        x = inputs_for(f.nominal, f.parameters, f.rows)
        share = d.values.get("mass_g", f.nominal.inputs.ice_mass_g[0]) / f.nominal.inputs.ice_mass_g[0]
        return process.AddIce(x.ice_mass_g * share, x.ice_temp_c, x.surface_water_g * share)

    def _held_back_g(self, at: int) -> FloatArray:
        """Liquid that stays on ice and vessel of the motion before."""
        before = [s for k, s in self.situations.items() if k < at]
        if not before:
            return np.zeros(self.draws)
        f = self._forecast(before[-1])
        return held_back_g(f.nominal.held_back_g[0], f.parameters)

    def _glass_ice(self, name: str, mass_g: float, temp_c: float | None) -> GlassIce:
        ice = self.bench.ice_type(name)
        found = ice_nominal(ice, temp_c)
        wet = found.wet_fraction * mass_g
        edge = {} if ice.edge_mm is None else {"edge_mm": ice.edge_mm}
        temp = found.temp_c if temp_c is None else temp_c
        return GlassIce(mass_g - wet, temp, ice.shape, surface_water_g=wet, **edge)


def _cup(name: str) -> Cup:
    if name not in CUPS:
        raise NotFound("cup or glass", name, CUPS)
    return CUPS[name]


def _rests_on(step: Step, before: Stage) -> str:
    """What a step's figures rest on, in words."""
    if isinstance(step, Moved):
        found = step.basis(before)
        runs = "1 run" if found.runs == 1 else f"{found.runs} runs"
        text = {
            BasisKind.MEASURED: f"rates from {runs} of this drink on this set-up",
            BasisKind.TRANSFERRED: f"rates carried over from {found.runs or found.related_runs} related runs",
            BasisKind.PRIOR_ONLY: f"rates {found.others}: no run here is like it"
            if found.others
            else "rates from priors: no run is like it",
        }[found.kind]
        beyond = f" ({'; '.join(found.extrapolated)})" if found.extrapolated else ""
        return f"{text}{beyond}; {step.air.words}"
    if isinstance(step, process.BlendForAir):
        return "motor heat as stated or 20 to 180 W (common practice); air as stated, measured or usual"
    if isinstance(step, process.Rest | Poured | StayIn | Drunk):
        return "usual cups, still to breezy rooms, gentle to lively contact"
    return (
        "masses as stated; what is held back from the fit"
        if isinstance(step, process.Strain)
        else "as stated"
    )


def _cautions(maker: _Maker, steps: list[Placed], stages: tuple[Stage, ...]) -> tuple[str, ...]:
    out: list[str] = []
    for placed, before in zip(steps, stages, strict=False):
        temp = float(np.median(before.temp_c))
        if isinstance(placed.step, Moved) and before.vessel is None:
            out += heat(maker.bench, placed.step.situation, temp)
        if not isinstance(placed.step, Poured):
            continue
        cup, glass_c = placed.step.into.cup, placed.step.into.cup_temp_c
        over = placed.step.spills(before)
        if over > 0.02:
            out.append(f"With its foam it stands over the rim of the {cup.name} in {over:.0%} of cases.")
        if "glass" in cup.material.label:
            ice = before.glass_ice
            out += glass_shock(temp, glass_c, None if ice is None else ice.temp_c, cup.name)
    return (*dict.fromkeys(out), DEFER) if out else ()
