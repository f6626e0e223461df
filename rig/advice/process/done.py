"""Steps whose figures come from the fit, beside those of `rig.physics.process`: moved, left in its glass, drunk."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.advice.process.air import AirDraws
from rig.advice.process.steps_file import Described
from rig.arrays import FloatArray
from rig.errors import BenchError, ModelRangeError
from rig.fitting.prediction import Basis, Prediction, basis, parameter_draws, prediction_from
from rig.fitting.result import Fit
from rig.fitting.situation import Situation, inputs_for, nominals
from rig.physics import process
from rig.physics.cup import Cup
from rig.physics.glass import require_fits, sips
from rig.physics.liquid import enthalpy_j
from rig.physics.process import Agitate, Step
from rig.physics.stage import LooseIce, Stage, Wall
from rig.physics.standing import Conditions, GlassIce, Standing


@dataclass(frozen=True, eq=False)
class Placed:
    """A step that tells where it was written when it cannot be done."""

    step: Step
    described: Described

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The stage after it."""
        try:
            return replace(self.step.apply(s, around), step=self.described.label)
        except BenchError as error:
            raise BenchError(
                f"{self.described.label}: {error.what}", self.described.place, error.cure
            ) from error
        except ModelRangeError as error:
            raise BenchError(f"{self.described.label}: {error}", self.described.place) from error


@dataclass(frozen=True, eq=False)
class Moved:
    """The drink moved on its ice, at rates from the fit; `last` before it leaves that ice."""

    fit: Fit
    situation: Situation
    duration_s: float
    draws: int
    seed: int
    air: AirDraws
    last: bool

    def at(self, s: Stage) -> Situation:
        """The situation with the drink as warm as it is by now, and on a second go the ice that is left."""
        now = replace(self.situation, drink_temp_c=float(np.median(s.temp_c)))
        if s.vessel is not None and s.ice is not None:
            now = replace(now, ice_mass_g=float(np.median(s.ice.mass_g)))
        return now

    def predicted(self, s: Stage, temp: FloatArray, added: FloatArray) -> Prediction:
        """What the model's course comes to with what the fit knows of its misfit."""
        now = self.at(s)
        f = parameter_draws(self.fit, now, self.draws, self.seed)
        return prediction_from(self.fit, now, f, np.array([self.duration_s]), temp[:, None], added[:, None])

    def basis(self, s: Stage) -> Basis:
        """What its rates rest on."""
        now = self.at(s)
        return basis(self.fit, now, nominals(self.fit.bench, [now]), np.array([self.duration_s]))

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The stage after it."""
        f = parameter_draws(self.fit, self.at(s), self.draws, self.seed)
        rates = inputs_for(f.nominal, f.parameters, f.rows)
        motion = Agitate(
            self.situation.technique, self.duration_s, rates, self.air.plateau_pct, self.air.time_s
        )
        after = motion.apply(s, around)
        if not self.last or after.ice is None:
            return after
        added = after.liquid.mass_g - s.liquid.mass_g
        found = self.predicted(s, after.temp_c, added)
        more = np.minimum(found.added_g[:, 0] - added, after.ice.mass_g)
        liquid, temp = after.liquid.plus_water(more), found.temp_c[:, 0]
        ice = replace(after.ice, mass_g=after.ice.mass_g - more)
        right = replace(after, liquid=liquid, temp_c=temp, enthalpy_j=enthalpy_j(liquid, temp), ice=ice)
        return replace(right, ledger=after.booked(model_error_j=right.inside_j - after.inside_j))


@dataclass(frozen=True, eq=False)
class Poured:
    """Into the glass it is drunk from; whether its foam fits too is told by the usual lane, not the foamiest."""

    into: process.PourInto

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The stage after it."""
        ice_g = 0.0 if s.glass_ice is None else s.glass_ice.mass_g
        require_fits(self.into.cup, float(np.median(s.volume_ml)), ice_g)
        flat = self.into.apply(replace(s, overrun_pct=np.zeros_like(s.overrun_pct)), around)
        return replace(flat, overrun_pct=s.overrun_pct)

    def spills(self, s: Stage) -> float:
        """Share of lanes whose foam stands over the rim."""
        ice_g = 0.0 if s.glass_ice is None else s.glass_ice.mass_g
        return float(np.mean(s.volume_ml + ice_g > self.into.cup.capacity_ml))


@dataclass(frozen=True, eq=False)
class StayIn:
    """Leave the drink on its ice in the glass it was built in.

    The glass takes over from the vessel at its temperature; what their heat capacities differ by is left out.
    """

    cup: Cup

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The stage after it."""
        if s.ice is None or s.vessel is None:
            raise BenchError(
                "there is no drink on ice to stay", cure="Build it first, or pour it into the glass"
            )
        glass = Wall(np.full(s.temp_c.size, self.cup.heat_capacity_j_per_k), s.vessel.temp_c)
        left = s.vessel.enthalpy_j - glass.enthalpy_j
        return replace(s, cup=self.cup, glass=glass, vessel=None, ledger=s.booked(left_j=left))


@dataclass(frozen=True, eq=False)
class Drunk:
    """Drink it up, from a glass it was poured into or on the ice it was built on."""

    minutes: float
    count: int
    ice: GlassIce | None

    def apply(self, s: Stage, around: Conditions) -> Stage:
        """The stage after it."""
        if s.ice is None or s.cup is None or s.glass is None or self.ice is None:
            return process.Drink(self.minutes, self.count).apply(s, around)
        zero = np.zeros(s.temp_c.size)
        start = Standing(
            s.liquid, s.enthalpy_j, s.temp_c, s.ice.mass_g, s.ice.enthalpy_j, s.glass.temp_c, zero, zero
        )
        piece = replace(self.ice, mass_g=float(np.median(s.ice.mass_g)))
        made = sips(start, s.cup, around, self.minutes, self.count, piece)
        end = made.left
        left = LooseIce(end.ice_g, np.where(end.ice_g > 0.0, end.ice_temp_c, 0.0), zero)
        after = replace(
            s, elapsed_s=s.elapsed_s + 60.0 * self.minutes, liquid=end.liquid, enthalpy_j=end.enthalpy_j,
            temp_c=end.temp_c, share=s.share / self.count, sips=made, ice=left,
            glass=Wall(s.glass.j_per_k, end.cup_temp_c),
        )  # fmt: skip
        return replace(
            after,
            ledger=s.booked(
                heat_in_j=end.heat_in_j,
                brought_g=end.vapour_g,
                left_j=made.drunk_j[:-1].sum(axis=0),
                left_g=made.drunk_g[:-1].sum(axis=0),
            ),
        )
