"""The random effects that runs share, and the design by which each run's parameters are made of them.

A run's parameters are sums of effects: of its technique, its vessel under that technique, its ice, its
set-up. An effect belongs to whatever it physically belongs to, so what one set-up teaches about an ice
serves every vessel with that ice. Effects start from what other benches know of their kind (`effect_priors`), else from
zero with the spread given by the priors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum, unique
from functools import cached_property

import numpy as np
from scipy.linalg import solve_triangular

from rig.arrays import FloatArray, IntArray
from rig.bench import Bench
from rig.fitting.misfit import MISFITS, MODES
from rig.fitting.priors import (
    CADENCE_POWER_SD,
    CONDUCTIVITY_POWER_SD,
    HELD_FILM_SD_G_PER_M2,
    MOTIONS,
    THICKNESS_POWER_SD,
    TYPICAL_ICE_MASS_G,
    UNCHECKED_PROBE_K,
    USUAL_LOADING,
    WASH_LOG_SD,
    P,
    ice_nominal,
    vessel_nominal,
)
from rig.fitting.situation import Nominals, Situation, thicker


@unique
class Owner(StrEnum):
    """What an effect belongs to."""

    BENCH = "bench"
    CALIBRATION = "calibrated probes"
    TECHNIQUE = "technique"
    VESSEL = "vessel"
    ICE = "ice"
    HANDLING = "technique and vessel"
    SET_UP = "set-up"
    RECIPE = "recipe"
    LOADING = "drink over ice"
    COMPOSITION = "thickness of the drink"
    CONDUCTIVITY = "conductivity of the drink"
    CADENCE = "cadence of the hand"
    WATER_TECHNIQUE = "misfit of added water, technique"
    TEMP_TECHNIQUE = "misfit of temperature, technique"
    WATER_SET_UP = "misfit of added water, set-up"
    TEMP_SET_UP = "misfit of temperature, set-up"
    WATER_DRINK = "misfit of added water, drink on set-up"
    TEMP_DRINK = "misfit of temperature, drink on set-up"


EFFECTS_A_RUN = 58
"""How many effects make up a run's parameters and misfit; `effects_of` lists them."""

Component = tuple[P | None, Owner]
"""A variance component: effects of one parameter and owner are draws from one law, whose spread is learned."""
Key = tuple[P | None, Owner, tuple[str, ...]]

MISFIT_SD = {
    Owner.WATER_TECHNIQUE: 0.007,
    Owner.TEMP_TECHNIQUE: 0.12,
    Owner.WATER_SET_UP: 0.007,
    Owner.TEMP_SET_UP: 0.12,
    Owner.WATER_DRINK: 0.007,
    Owner.TEMP_DRINK: 0.12,
}
"""Prior spread of the smooth misfits, in the order of a run's coefficients: share of the drink's mass, kelvin."""
MISFIT_LEVELS = len(MISFIT_SD) * MODES // MISFITS


def effects_of(bench: Bench, s: Situation) -> list[tuple[Key, float]]:
    """The effects that make up a situation's parameters, each with the prior median of its standard deviation.

    Misfits come last: of the technique, of the set-up, then of the drink on it, each in the order of `misfit.MISFITS`.
    """
    motion = MOTIONS[bench.motion(s.technique)]
    vessel = vessel_nominal(bench.vessel(s.vessel))
    ice = ice_nominal(bench.ice_type(s.ice), None)
    held_film_sd = HELD_FILM_SD_G_PER_M2 * ice.area_m2_per_g * TYPICAL_ICE_MASS_G
    handling, set_up = (s.technique, s.vessel), (s.technique, s.vessel, s.ice)
    out: list[tuple[Key, float]] = [
        ((P.RATE, Owner.TECHNIQUE, (s.technique,)), motion.rate_log_sd),
        ((P.RATE, Owner.HANDLING, handling), 0.12),
        ((P.RATE, Owner.ICE, (s.ice,)), 0.25),
        ((P.RATE, Owner.SET_UP, set_up), 0.06),
        ((P.RATE, Owner.RECIPE, (s.recipe,)), 0.05),
        ((P.RATE, Owner.LOADING, ()), 0.15),
        ((P.RATE, Owner.COMPOSITION, ()), 0.04),
        ((P.RATE, Owner.CONDUCTIVITY, ()), CONDUCTIVITY_POWER_SD),
        ((P.RATE, Owner.CADENCE, (s.technique,)), CADENCE_POWER_SD),
        ((P.THICKNESS, Owner.BENCH, ()), THICKNESS_POWER_SD),
        ((P.BREAKAGE, Owner.TECHNIQUE, (s.technique,)), 0.6),
        ((P.BREAKAGE, Owner.SET_UP, set_up), 0.3),
        ((P.WET, Owner.ICE, (s.ice,)), ice.wet_log_sd),
        ((P.CORE, Owner.ICE, (s.ice,)), 0.35),
        ((P.FILM, Owner.TECHNIQUE, (s.technique,)), 0.3),
        ((P.FILM, Owner.HANDLING, handling), 0.3),
        ((P.VESSEL, Owner.VESSEL, (s.vessel,)), vessel.capacity_log_sd),
        ((P.VESSEL, Owner.HANDLING, handling), 0.10),
        ((P.WALL, Owner.VESSEL, (s.vessel,)), 0.8),
        ((P.POWER, Owner.TECHNIQUE, (s.technique,)), 0.6),
        ((P.HANDS, Owner.TECHNIQUE, (s.technique,)), 0.7),
        ((P.HANDS, Owner.HANDLING, handling), 0.3),
        ((P.RAMP, Owner.TECHNIQUE, (s.technique,)), 0.35),
        ((P.WASH, Owner.TECHNIQUE, (s.technique,)), WASH_LOG_SD),
        ((P.SHIELD, Owner.BENCH, ()), 0.35),
        ((P.SHIELD, Owner.TECHNIQUE, (s.technique,)), 0.1),
        ((P.LAG, Owner.BENCH, ()), 1.1),
        ((P.LAG, Owner.VESSEL, (s.vessel,)), 0.05),
        _offset(s),
        ((P.HELD, Owner.VESSEL, (s.vessel,)), vessel.held_back_sd_g),
        ((P.HELD, Owner.ICE, (s.ice,)), 0.2 + held_film_sd),
        ((P.LATE, Owner.TECHNIQUE, (s.technique,)), 0.5),
        ((P.LATE, Owner.ICE, (s.ice,)), 0.6),
        ((P.LATE, Owner.SET_UP, set_up), 0.3),
    ]
    levels = ((s.technique,), set_up, (*set_up, s.recipe))
    names = [name for name in levels for _ in range(MISFITS // MODES)]
    for (owner, sd), name in zip(MISFIT_SD.items(), names, strict=True):
        out += [((None, owner, (*name, f"mode {mode + 1}")), sd) for mode in range(MODES)]
    return out


def _offset(s: Situation) -> tuple[Key, float]:
    """What the probe shows too much: as usual for probes, or what its calibration leaves, in standard units.

    A calibration's error is the same in every run made with it, so that runs do not average it away: all
    calibrated runs of a bench share one effect, each multiplied by what its own calibration leaves.
    """
    if s.probe_std_k is None:
        return (P.OFFSET, Owner.BENCH, ()), UNCHECKED_PROBE_K
    return (P.OFFSET, Owner.CALIBRATION, ()), 1.0


@dataclass(frozen=True)
class RandomEffects:
    """All effects of a bench in a fixed order, with their prior means and standard deviations (effects,).

    `prior_correlation` (effects, effects); None where they are independent.
    """

    keys: tuple[Key, ...]
    prior_mean: FloatArray
    prior_sd: FloatArray
    prior_correlation: FloatArray | None = None

    @cached_property
    def inverse_correlation(self) -> FloatArray | None:
        """(effects, effects); None where effects are independent."""
        if self.prior_correlation is None:
            return None
        return np.asarray(np.linalg.inv(self.prior_correlation), dtype=float)

    def prior_precision(self, sd: FloatArray) -> FloatArray:
        """(effects, effects) under standard deviations (effects,) that a fit has learned."""
        if self.inverse_correlation is None:
            return np.diag(1.0 / sd**2)
        return np.asarray(self.inverse_correlation / np.outer(sd, sd))

    def whitened(self, away: FloatArray) -> FloatArray:
        """Independent standard normal variables (effects,) from deviations in standard deviations (effects,)."""
        if self._root is None:
            return away
        return np.asarray(solve_triangular(self._root, away, lower=True))

    @property
    def log_determinant(self) -> float:
        """Logarithm of the determinant of the correlations."""
        return 0.0 if self._root is None else 2.0 * float(np.sum(np.log(np.diagonal(self._root))))

    @cached_property
    def _root(self) -> FloatArray | None:
        if self.prior_correlation is None:
            return None
        return np.asarray(np.linalg.cholesky(self.prior_correlation), dtype=float)

    @cached_property
    def components(self) -> tuple[Component, ...]:
        """The variance components, in order of first need."""
        return tuple(dict.fromkeys((parameter, owner) for parameter, owner, _ in self.keys))

    @cached_property
    def component(self) -> IntArray:
        """Which component each effect belongs to, (effects,)."""
        place = {c: k for k, c in enumerate(self.components)}
        return np.array([place[parameter, owner] for parameter, owner, _ in self.keys], dtype=np.int64)

    def __len__(self) -> int:
        return len(self.keys)

    def held(self, at: Mapping[int, float], within: float = 0.02) -> RandomEffects:
        """A copy with some effects held at given values."""
        mean, sd = self.prior_mean.copy(), self.prior_sd.copy()
        for k, value in at.items():
            mean[k], sd[k] = value, within
        return replace(self, prior_mean=mean, prior_sd=sd)

    def index(self) -> dict[Key, int]:
        """Position of each effect."""
        return {key: k for k, key in enumerate(self.keys)}


def situation_kind(s: Situation) -> tuple[str | bool, ...]:
    """What decides which effects a situation has."""
    return s.technique, s.vessel, s.ice, s.recipe, s.probe_std_k is not None


@dataclass(frozen=True)
class Design:
    """The design matrix, sparse: which effects make up each run.

    `effect_index` (runs, effects a run): which random effects; `multiplier` (runs, effects a run): what each is
    multiplied by; `columns` (effects a run,): which parameter each goes into, −1 for a misfit. Every
    run has the same effects in the same order, misfits last.
    """

    effect_index: IntArray
    multiplier: FloatArray
    columns: IntArray

    @cached_property
    def alike(self) -> tuple[tuple[IntArray, IntArray], ...]:
        """Runs that share all their effects: their rows, and those effects (effects a run,); for each such group."""
        kinds, kind = np.unique(self.effect_index, axis=0, return_inverse=True)
        return tuple((np.flatnonzero(kind.reshape(-1) == k), at) for k, at in enumerate(kinds))

    def parameters(self, z: FloatArray) -> FloatArray:
        """(runs, parameters) from effects z of shape (effects,)."""
        return add_up(z[self.effect_index] * self.multiplier, self.columns)

    def misfits(self, z: FloatArray) -> FloatArray:
        """(runs, MISFITS) coefficients of the smooth misfits, those of all levels together."""
        return add_misfits(z[self.effect_index][:, self.columns < 0])

    def by_effect(self, jacobian: FloatArray, by_misfit: FloatArray) -> FloatArray:
        """Slopes by effect, (runs, observations, effects a run).

        Parameters
        ----------
        jacobian
            (runs, observations, parameters).
        by_misfit
            (runs, observations, MISFITS).
        """
        shared = self.columns >= 0
        slopes = jacobian[:, :, self.columns[shared]] * self.multiplier[:, None, shared]
        return np.concatenate([slopes, *[by_misfit] * MISFIT_LEVELS], axis=2)


def add_misfits(effects: FloatArray) -> FloatArray:
    """(…, MISFITS) sums over the levels of the misfit effects (…, levels × MISFITS)."""
    return np.asarray(effects.reshape(*effects.shape[:-1], MISFIT_LEVELS, MISFITS).sum(axis=-2))


def add_up(effects: FloatArray, columns: IntArray) -> FloatArray:
    """(rows, parameters) sums of effects (rows, effects a run) over the parameter each goes into."""
    out = np.zeros((effects.shape[0], len(P)))
    for k, column in enumerate(columns):
        if column >= 0:
            out[:, column] += effects[:, k]
    return out


def multipliers_of(situations: Sequence[Situation], nominal: Nominals, keys: Sequence[Key]) -> FloatArray:
    """(runs, effects a run): what each effect is multiplied by in each situation.

    All are one but the loading's, which acts through the logarithm of drink over ice, the composition's, through
    the logarithm of viscosity, the cadence's, through the logarithm of cadence over the usual one, and a calibrated
    probe's, through what its calibration leaves.
    """
    out = np.ones((len(situations), len(keys)))
    loading = np.log(nominal.drink_mass_g / nominal.inputs.ice_mass_g / USUAL_LOADING)
    for k, key in enumerate(keys):
        if key[1] is Owner.LOADING:
            out[:, k] = loading
        elif key[1] is Owner.COMPOSITION:
            out[:, k] = -thicker(nominal.curves)
        elif key[1] is Owner.CONDUCTIVITY:
            out[:, k] = -nominal.duller
        elif key[1] is Owner.CADENCE:
            out[:, k] = [s.cadence_log_ratio or 0.0 for s in situations]
        elif key[0] is P.OFFSET:
            out[:, k] = [1.0 if s.probe_std_k is None else s.probe_std_k for s in situations]
    return out


def design_of(
    bench: Bench, situations: Sequence[Situation], nominal: Nominals, random_effects: RandomEffects
) -> Design:
    """The design of these situations in a bench's random effects."""
    index = random_effects.index()
    known: dict[tuple[str | bool, ...], list[Key]] = {}
    rows = []
    for s in situations:
        kind = situation_kind(s)
        if kind not in known:
            known[kind] = [key for key, _ in effects_of(bench, s)]
        rows.append([index[key] for key in known[kind]])
    keys = next(iter(known.values()))
    columns = [-1 if key[0] is None else int(key[0]) for key in keys]
    return Design(np.array(rows), multipliers_of(situations, nominal, keys), np.array(columns))
