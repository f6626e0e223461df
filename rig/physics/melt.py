"""How a drink chills and dilutes on moving ice: the dynamic model, for any number of runs at once.

State of a lane: enthalpy of the liquid, melt, temperature of the wall's two nodes and of the ice's core in two
modes. Heat that reaches the surface of the ice either melts it or warms the core, so cold ice is not lumped
with its surface, and in the first moments cold ice may freeze water on. The core takes heat as a ball does:
a slow mode with 61 % of its heat capacity, and a fast one for the rest of the series (Carslaw & Jaeger,
Conduction of Heat in Solids, 1959, § 9.3).

The surface is at the freezing point of the liquid that touches it. Fast melting washes alcohol and sugar
away from the surface, so that this liquid is weaker than the bulk: by film theory its share of solutes falls
as exp(−melt velocity ÷ mass transfer coefficient), which is exp(−κ·(T − T_surface)) with κ = c/L·Le^n, n = 1/2
for a renewed and 2/3 for a quiet film (Bird, Stewart & Lightfoot, Transport Phenomena, § 22.8, from memory).

Energy is conserved to the accuracy of the step, mixing heat included, because the liquid's state is its
enthalpy and its temperature is read back from it.

The area law (mass to the power 2/3, rising with breakage) is the recession of similar pieces. The liquid
side of the heat transfer falls with viscosity to a power between 1/6 and 1/3: Nu ∝ Re^(1/2) Pr^(1/3) (Ranz &
Marshall, Chem. Eng. Prog. 48 (1952) 141, 173) to Re^(2/3) Pr^(1/3) (agitated vessels). The melt that streams
off the surface lowers it by ln(1 + St)/St, St = c·(T − T_surface)/L (film theory, as above).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from rig.arrays import FloatArray, take_rows
from rig.physics import ice as ice_physics
from rig.physics.conductivity import GAIN_PER_K
from rig.physics.liquid import Liquid, enthalpy_j, freezing_point_c
from rig.physics.viscosity import log_thickening_and_thinning, log_water_viscosity, thinning_share

_Y_LOW, _Y_HIGH = -0.04, 0.72
_DEGREE = 4
WATER_J_PER_GK = 4.21
"""Heat capacity of the cold melt water that joins, near 0 °C (IAPWS-95: 4.219 at 0 °C)."""
LATENT_J_PER_G = 333.43
ICE_J_PER_GK = 2.03
"""Heat capacity of ice, mean of −20…0 °C (IAPWS R10-06(2009): 1.95 to 2.10)."""
_USUAL_LOG_VISCOSITY, _USUAL_TEMP_C = 1.4, 5.0
CONDUCTIVITY_POWER = 2.0 / 3.0
_SLOW_SHARE = 6.0 / np.pi**2
_FAST_OVER_SLOW = 7.0
_FASTEST_CORE_PER_S = 4.0
_SMALLEST_SHARE = 0.02
_WARM_GAIN = 1.3
"""Heat transfer over that of a usual drink at 5 °C. Hotter drinks pass it, but while the steps are short."""
_RK4_STABLE = 2.1
_FIRST_STEP = 0.3
"""First step as a share of the mean step."""
_WASH_OVER_RAMP = 1.0
"""Water on the ice joins within about a second of motion (common practice, no source)."""
_LEAST_ICE_G = 1e-3


@dataclass(frozen=True)
class DrinkCurves:
    """What dilution does to a drink, as polynomials in y = added ÷ (start + added) mass.

    `start_mass_g` (runs,); the others (runs, degree + 1), highest power first: `freezing_c`,
    freezing point [°C]; `thickening`, logarithm of viscosity over water's at 0 °C, and `thinning`, what that
    loses per unit of `viscosity.thinning_share`; `h0` to `h3`, specific enthalpy h0 + h1·T + h2·T² + h3·T³ [J/g]
    of the diluted liquid. Within 0.02 °C and 0.06 K of the property functions over −12…90 °C.
    """

    start_mass_g: FloatArray
    freezing_c: FloatArray
    thickening: FloatArray
    thinning: FloatArray
    h0: FloatArray
    h1: FloatArray
    h2: FloatArray
    h3: FloatArray

    def take(self, index: FloatArray | np.ndarray) -> DrinkCurves:
        """The curves of the given runs, in that order."""
        return take_rows(self, np.asarray(index))


def drink_curves(liquid: Liquid) -> DrinkCurves:
    """Fit the polynomials of a batch of drinks; each component of `liquid` has shape (runs,).

    Raises
    ------
    ModelRangeError
        Where the undiluted drink lies outside the range the liquid's properties are known in.
    """
    parts = [np.atleast_1d(np.asarray(x, dtype=float)) for x in _parts(liquid)]
    parts = [p[:, None] for p in np.broadcast_arrays(*parts)]
    mass: FloatArray = np.sum(parts, axis=0)[:, 0]
    y = 0.5 * (_Y_LOW + _Y_HIGH) - 0.5 * (_Y_HIGH - _Y_LOW) * np.cos(np.pi * (np.arange(24) + 0.5) / 24)
    y = np.concatenate([[0.0], y[y > 0]])  # the undiluted drink decides the range, not the fringe below it
    added = mass[:, None] * y / (1 - y)
    ethanol, sugar, water, solids = parts
    diluted = Liquid(ethanol + 0 * added, sugar + 0 * added, water + added, solids + 0 * added)
    total = mass[:, None] + added
    freezing = freezing_point_c(diluted)
    at_c = [-10.0, 8.0, 40.0, 80.0]
    grid = np.stack([enthalpy_j(diluted, t) / total for t in at_c], axis=-1)
    h3, h2, h1, h0 = np.moveaxis(grid @ np.linalg.inv(np.vander(at_c)).T, -1, 0)
    return DrinkCurves(
        mass, *(_poly(y, v) for v in (freezing, *log_thickening_and_thinning(diluted), h0, h1, h2, h3))
    )


def _parts(liquid: Liquid) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    return liquid.ethanol_g, liquid.sugar_g, liquid.water_g, liquid.solids_g


def _poly(y: FloatArray, values: FloatArray) -> FloatArray:
    coefficients, *_ = np.linalg.lstsq(np.vander(y, _DEGREE + 1), values.T, rcond=None)
    return np.ascontiguousarray(coefficients.T)


@dataclass(frozen=True)
class MeltInputs:
    """One lane per entry, all arrays of shape (lanes,).

    `ice_w_per_k` is the conductance from liquid to ice surface at the start of full motion, `core_w_per_k`
    from ice surface to core; `breakage_per_s` is the relative gain of area per second; `film_w_per_k` joins
    liquid and inner wall, `wall_w_per_k` inner and outer wall, `room_w_per_k` outer wall and room;
    `power_w` is what the motion itself adds; `ramp_s` is the time motion takes to build up; `shield_per_k` is κ;
    `thickness_power` the power of viscosity by which heat transfer falls.
    """

    drink_temp_c: FloatArray
    ice_mass_g: FloatArray
    ice_temp_c: FloatArray
    surface_water_g: FloatArray
    vessel_temp_c: FloatArray
    room_temp_c: FloatArray
    ice_w_per_k: FloatArray
    breakage_per_s: FloatArray
    core_w_per_k: FloatArray
    inner_j_per_k: FloatArray
    outer_j_per_k: FloatArray
    film_w_per_k: FloatArray
    wall_w_per_k: FloatArray
    room_w_per_k: FloatArray
    power_w: FloatArray
    ramp_s: FloatArray
    shield_per_k: FloatArray
    thickness_power: FloatArray

    def take(self, index: np.ndarray) -> MeltInputs:
        """The given lanes, in that order."""
        return take_rows(self, index)

    def with_values(self, **changes: FloatArray) -> MeltInputs:
        """A copy with some arrays replaced."""
        return replace(self, **changes)


@dataclass(frozen=True)
class Course:
    """What happens in each lane; all arrays of shape (nodes, lanes), lanes along the fast axis.

    `ice_left_g` counts the water that is still on the ice. `temp_rate_k_per_s` and `added_rate_g_per_s` are the
    slopes at the nodes, for smooth interpolation.
    """

    time_s: FloatArray
    temp_c: FloatArray
    added_g: FloatArray
    temp_rate_k_per_s: FloatArray
    added_rate_g_per_s: FloatArray
    ice_left_g: FloatArray
    core_temp_c: FloatArray
    inner_wall_c: FloatArray
    outer_wall_c: FloatArray


def node_fractions(steps: int) -> FloatArray:
    """Where the nodes lie as fractions of the duration: closer together at the start, where all is fast."""
    s = np.linspace(0.0, 1.0, steps + 1)
    return s * (_FIRST_STEP + (1.0 - _FIRST_STEP) * s)


def steps_needed(
    inputs: MeltInputs, curves: DrinkCurves, duration_s: FloatArray, least: int = 32
) -> FloatArray:
    """Steps that keep the explicit scheme stable and accurate, for each lane on its own; (lanes,)."""
    liquid_j_per_k = 3.4 * curves.start_mass_g
    fastest = np.max(
        [
            (inputs.ice_w_per_k * 1.2 + inputs.film_w_per_k) * _WARM_GAIN / liquid_j_per_k,
            (inputs.film_w_per_k * _WARM_GAIN + inputs.wall_w_per_k) / inputs.inner_j_per_k,
            (inputs.wall_w_per_k + inputs.room_w_per_k) / inputs.outer_j_per_k,
            np.minimum(
                _FAST_OVER_SLOW * inputs.core_w_per_k / (ICE_J_PER_GK * np.maximum(inputs.ice_mass_g, 1.0)),
                _FASTEST_CORE_PER_S,
            ),
        ],
        axis=0,
    )
    longest_step = 2.0 - _FIRST_STEP
    return np.asarray(np.clip(np.ceil(longest_step * duration_s * fastest / _RK4_STABLE), least, 2000))


def steps_for(inputs: MeltInputs, curves: DrinkCurves, duration_s: FloatArray) -> int:
    """Number of steps that serves every lane."""
    return int(np.max(steps_needed(inputs, curves, duration_s)))


def simulate(curves: DrinkCurves, inputs: MeltInputs, duration_s: FloatArray, steps: int) -> Course:
    """Run every lane through its own duration in the same number of steps (classical Runge–Kutta, order 4).

    Parameters
    ----------
    curves
        Of the drink in each lane; arrays of shape (lanes, …).
    inputs
        Arrays of shape (lanes,).
    duration_s
        (lanes,) or scalar, > 0.
    steps
        From `steps_for`.

    Returns
    -------
    Course with nodes at `duration_s * node_fractions(steps)`.
    """
    lane = _Lane(curves, inputs)
    duration = np.broadcast_to(np.asarray(duration_s, dtype=float), inputs.ice_mass_g.shape)
    fractions = node_fractions(steps)
    state = lane.start()
    shape = (steps + 1, duration.size)
    kept = {f.name: np.empty(shape) for f in fields(Course)}
    for k in range(steps + 1):
        t = duration * fractions[k]
        rate, seen = lane.rate(t, state)
        temp = seen
        kept["time_s"][k] = t
        kept["temp_c"][k] = temp
        kept["added_g"][k] = lane.washed(t) + state[1]
        kept["added_rate_g_per_s"][k] = rate[1]
        kept["ice_left_g"][k] = lane.solid_g + lane.surface_g - kept["added_g"][k]
        kept["core_temp_c"][k], kept["inner_wall_c"][k], kept["outer_wall_c"][k] = (
            _SLOW_SHARE * state[2] + (1.0 - _SLOW_SHARE) * state[3],
            state[4],
            state[5],
        )
        if k == steps:
            break
        dt = duration * (fractions[k + 1] - fractions[k])
        half = 0.5 * dt
        k2, _ = lane.rate(t + half, state + half * rate)
        k3, _ = lane.rate(t + half, state + half * k2)
        k4, _ = lane.rate(t + dt, state + dt * k3)
        state = state + dt / 6.0 * (rate + 2.0 * (k2 + k3) + k4)
        np.minimum(state[1], lane.solid_g, out=state[1])
    kept["temp_rate_k_per_s"][:] = np.gradient(kept["temp_c"], axis=0) / np.maximum(
        np.gradient(kept["time_s"], axis=0), 1e-12
    )
    return Course(**kept)


class _Lane:
    """The right-hand side, with everything that stays fixed during a run worked out once."""

    def __init__(self, curves: DrinkCurves, inputs: MeltInputs) -> None:
        self.x = inputs
        self.mass_g = curves.start_mass_g
        self.freezing = np.ascontiguousarray(curves.freezing_c.T)
        self.thickening = np.ascontiguousarray(curves.thickening.T)
        self.thinning = np.ascontiguousarray(curves.thinning.T)
        self.h0, self.h1, self.h2, self.h3 = (
            np.ascontiguousarray(h.T) for h in (curves.h0, curves.h1, curves.h2, curves.h3)
        )
        self.surface_g = np.minimum(inputs.surface_water_g, 0.9 * inputs.ice_mass_g)
        self.solid_g = np.maximum(inputs.ice_mass_g - self.surface_g, _LEAST_ICE_G)
        self.inner_rate = 1.0 / inputs.inner_j_per_k
        self.outer_rate = 1.0 / inputs.outer_j_per_k
        slow = inputs.core_w_per_k / (ICE_J_PER_GK * np.maximum(inputs.ice_mass_g, 1.0))
        self.slow_per_s = np.minimum(slow, _FASTEST_CORE_PER_S)
        self.fast_per_s = np.minimum(_FAST_OVER_SLOW * slow, _FASTEST_CORE_PER_S)
        self.ice_h0 = float(ice_physics.enthalpy_j_per_g(np.asarray(0.0)))

    def start(self) -> FloatArray:
        """At rest: the surface water, at 0 °C, brings no enthalpy on this scale when it joins, but it dilutes."""
        zero = np.zeros_like(self.mass_g)
        h0, h1, h2, h3 = (h[-1] for h in (self.h0, self.h1, self.h2, self.h3))
        t = self.x.drink_temp_c
        enthalpy = self.mass_g * (h0 + t * (h1 + t * (h2 + t * h3)))
        core = np.minimum(self.x.ice_temp_c, 0.0)
        wall = self.x.vessel_temp_c
        return np.stack([enthalpy, zero, core, core, wall, wall])

    def washed(self, t: FloatArray) -> FloatArray:
        """Surface water that has joined the drink [g]: it is washed off while the motion builds up."""
        return np.asarray(-self.surface_g * np.expm1(-t / (_WASH_OVER_RAMP * self.x.ramp_s)))

    @staticmethod
    def _poly(coefficients: FloatArray, y: FloatArray) -> FloatArray:
        out: FloatArray = coefficients[0] * y + coefficients[1]
        for c in coefficients[2:]:
            out *= y
            out += c
        return out

    def rate(self, t: FloatArray, state: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Slopes of the state, shape (6, lanes), and the liquid's temperature [°C]."""
        x = self.x
        enthalpy, melt, slow, fast, inner, outer = state
        added = self.washed(t) + melt
        total = self.mass_g + added
        y = np.clip(added / total, _Y_LOW, _Y_HIGH)
        temp = self._temperature(enthalpy / total, y)
        surface = self._surface(temp, self._poly(self.freezing, y))

        left = np.maximum(self.solid_g - melt, _LEAST_ICE_G)
        share = left / self.solid_g
        size2 = np.cbrt(share) ** 2
        ramp = 1.0 - np.exp(-t / x.ramp_s)
        thin = self._thin(y, temp)
        moving = size2 * (1.0 + x.breakage_per_s * t) * (0.08 + 0.92 * ramp) * thin
        there = share > 2.0 * _LEAST_ICE_G / self.solid_g
        drive = temp - surface
        stefan = np.maximum(drive, 0.0) * (WATER_J_PER_GK / LATENT_J_PER_G) + 1e-9
        moving *= np.log1p(stefan) / stefan
        into_ice = np.where(there, x.ice_w_per_k * moving * drive, 0.0)
        quicker = 1.0 / np.maximum(size2, _SMALLEST_SHARE)
        slow_rate = self.slow_per_s * quicker * (surface - slow)
        fast_rate = np.minimum(self.fast_per_s * quicker, _FASTEST_CORE_PER_S) * (surface - fast)
        warming = _SLOW_SHARE * slow_rate + (1.0 - _SLOW_SHARE) * fast_rate
        into_core = np.where(there, ICE_J_PER_GK * left * warming, 0.0)
        melt_enthalpy = WATER_J_PER_GK * surface
        melting = (into_ice - into_core) / (melt_enthalpy - self.ice_h0 - ICE_J_PER_GK * surface)
        # what melts leaves at the surface's temperature, so that the mean of what is left grows colder
        shedding = melting / np.maximum(left, _SMALLEST_SHARE * self.solid_g)

        from_wall = x.film_w_per_k * (0.15 + 0.85 * ramp) * thin * (inner - temp)
        through_wall = x.wall_w_per_k * (outer - inner)
        out = np.empty_like(state)
        out[0] = from_wall - into_ice + x.power_w * ramp + melting * melt_enthalpy
        out[1] = melting
        out[2] = np.where(there, slow_rate + shedding * (slow - surface), 0.0)
        out[3] = np.where(there, fast_rate + shedding * (fast - surface), 0.0)
        out[4] = (through_wall - from_wall) * self.inner_rate
        out[5] = (x.room_w_per_k * (x.room_temp_c - outer) - through_wall) * self.outer_rate
        return out, temp

    def _temperature(self, enthalpy_j_per_g: FloatArray, y: FloatArray) -> FloatArray:
        """Root of the quadratic part of the enthalpy, then one Newton step for the small cubic one."""
        h = enthalpy_j_per_g - self._poly(self.h0, y)
        h1, h2, h3 = self._poly(self.h1, y), self._poly(self.h2, y), self._poly(self.h3, y)
        temp: FloatArray = 2.0 * h / (h1 + np.sqrt(np.maximum(h1 * h1 + 4.0 * h2 * h, 0.01)))
        temp -= (temp * (h1 + temp * (h2 + temp * h3)) - h) / (h1 + temp * (2.0 * h2 + temp * 3.0 * h3))
        return temp

    def _thin(self, y: FloatArray, temp: FloatArray) -> FloatArray:
        """Heat transfer against that of a usual drink at 5 °C: thin, warm liquid carries heat faster.

        The viscosity is the bulk's: the motion lives there, the cold film at the ice is thin beside it. The
        conductivity is the film's, half way to the ice, to the power 2/3 that goes with Pr^(1/3).
        """
        temp = np.clip(temp, -20.0, 100.0)
        log_viscosity = log_water_viscosity(temp) + self._poly(self.thickening, y)
        log_viscosity -= self._poly(self.thinning, y) * thinning_share(temp)
        log_conductivity = 0.5 * GAIN_PER_K * (temp - _USUAL_TEMP_C)
        return np.exp(
            self.x.thickness_power * (_USUAL_LOG_VISCOSITY - log_viscosity)
            + CONDUCTIVITY_POWER * log_conductivity
        )

    def _surface(self, temp: FloatArray, freezing: FloatArray) -> FloatArray:
        """Temperature of the ice's surface [°C]: mean of two passes of the fixed point, which bracket it."""
        first = freezing * np.exp(-self.x.shield_per_k * np.maximum(temp - freezing, 0.0))
        second = freezing * np.exp(-self.x.shield_per_k * np.maximum(temp - first, 0.0))
        return 0.5 * (first + second)


def lagged(time_s: FloatArray, temp_c: FloatArray, lag_s: FloatArray, start_c: FloatArray) -> FloatArray:
    """What a first-order probe shows of a temperature course.

    Exact for a course that is straight between nodes, so any lag is stable.

    Parameters
    ----------
    time_s, temp_c
        (nodes, lanes).
    lag_s, start_c
        (lanes,): time constant [s] and reading at the first node [°C].

    Returns
    -------
    (nodes, lanes) [°C].
    """
    shown = np.empty_like(temp_c)
    shown[0] = start_c
    for k in range(1, len(temp_c)):
        dt = np.maximum(time_s[k] - time_s[k - 1], 1e-9)
        behind = lag_s * (temp_c[k] - temp_c[k - 1]) / dt
        fade = np.exp(-dt / np.maximum(lag_s, 1e-6))
        shown[k] = temp_c[k] - behind + (shown[k - 1] - temp_c[k - 1] + behind) * fade
    return shown
