"""How a drink chills and dilutes on moving ice: the dynamic model, for any number of runs at once.

State of a lane: enthalpy of the liquid, ice left, cold of the ice's core in two modes, temperature of the wall's
two nodes. Heat that reaches the surface of the ice either melts it or warms the core, so cold ice is not lumped
with its surface, and in the first moments cold ice may freeze water on. The core takes heat as a ball does:
a slow mode with 61 % of its heat capacity, and a fast one for the rest of the series (Carslaw & Jaeger,
Conduction of Heat in Solids, 1959, § 9.3).

The surface is at the freezing point of the liquid that touches it. Fast melting washes alcohol and sugar
away from the surface, so that this liquid is weaker than the bulk: by film theory its share of solutes falls
as exp(−melt velocity ÷ mass transfer coefficient), which is exp(−κ·(T − T_surface)) with κ = c/L·Le^n, n = 1/2
for a renewed and 2/3 for a quiet film (Bird, Stewart & Lightfoot, Transport Phenomena, § 22.8, from memory).

Energy is conserved to rounding, mixing heat included: the states are contents of heat and mass, what one part
gives another takes, and the liquid's temperature is read back from its enthalpy.

Time goes by a strong-stability-preserving Runge–Kutta scheme of order 3, whose four stages are means of plain half
steps (Spiteri & Ruuth, SIAM J. Numer. Anal. 40 (2002) 469; Gottlieb, Ketcheson & Shu, Strong Stability Preserving
Runge–Kutta and Multistep Time Discretizations, 2011; both from memory). No half step passes on more heat than
brings two parts level, melts more than half of the ice, or freezes more than half of what the drink can lose; so
whatever the inputs and however long the step, temperatures stay between those of liquid, ice and surroundings, and
ice ends smoothly at nothing. What goes faster than a step is made as slow as the step; with the steps of `steps_for`
only the core of small ice is, for a moment.

The area law (mass to the power 2/3, rising with breakage) is the recession of similar pieces. The liquid
side of the heat transfer falls with viscosity to a power between 1/6 and 1/3: Nu ∝ Re^(1/2) Pr^(1/3) (Ranz &
Marshall, Chem. Eng. Prog. 48 (1952) 141, 173) to Re^(2/3) Pr^(1/3) (agitated vessels). The melt that streams
off the surface lowers it by ln(1 + St)/St, St = c·(T − T_surface)/L (film theory, as above).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import FloatArray, take_rows
from rig.physics import ice as ice_physics
from rig.physics.conductivity import GAIN_PER_K
from rig.physics.liquid import Liquid, enthalpy_j, freezing_point_c
from rig.physics.viscosity import log_thickening_and_thinning, log_water_viscosity, thinning_share

_Y_LOW, _Y_HIGH = -0.04, 1.0
_DEGREE = 5
_ENTHALPY_AT_C = np.array([-8.0, 15.0, 50.0, 84.0])
WATER_J_PER_GK = 4.21
"""Heat capacity of the cold melt water that joins, near 0 °C (IAPWS-95: 4.219 at 0 °C)."""
LATENT_J_PER_G = 333.43
ICE_J_PER_GK = 2.03
"""Heat capacity of ice, mean of −20…0 °C (IAPWS R10-06(2009): 1.95 to 2.10)."""
_USUAL_LOG_VISCOSITY, _USUAL_TEMP_C = 1.4, 5.0
CONDUCTIVITY_POWER = 2.0 / 3.0
_SLOW_SHARE = 6.0 / np.pi**2
_CORE_SHARES = np.array([[_SLOW_SHARE], [1.0 - _SLOW_SHARE]])
_FAST_OVER_SLOW = 7.0
_SMALLEST_SIZE2 = 0.02
_STREAMING_PER_K = 2.0 / 3.0 * WATER_J_PER_GK / LATENT_J_PER_G
"""Of 1/4 + 3/4 ÷ (1 + 2/3·St), which is ln(1 + St)/St within 0.1 % where the drink is up to 30 K above the ice and
1 % up to 90 K."""
_WARM_GAIN = 1.3
"""Heat transfer over that of a usual drink at 5 °C. Hotter drinks pass it, but while the steps are short."""
_LONGEST_STEP = 2.0
"""Step × rate at which a half step brings things level: longer steps meet the limits."""
_FIRST_STEP = 0.3
"""First step as a share of the mean step."""
_BOILING_C = 100.0
"""Heat of motion that would warm a drink beyond this leaves as steam."""
_NONE = 1e-9
_STATES = 7
_SHORTEST_STEP_S = 1e-9


@dataclass(frozen=True)
class DrinkCurves:
    """What dilution does to a drink, as polynomials in y = added ÷ (start + added) mass.

    `start_mass_g` (runs,); the others (runs, degree + 1), highest power first: `freezing_c`,
    freezing point [°C]; `thickening`, logarithm of viscosity over water's at 0 °C, and `thinning`, what that
    loses per unit of `viscosity.thinning_share`; `t0` to `t3`, temperature t0 + t1·h + t2·h² + t3·h³ [°C] of the
    diluted liquid from its specific enthalpy h [J/g]. Within 0.02 °C and
    0.06 K of the property functions for drinks up to 20 % of alcohol by mass and 30 °C; for spirits up to 90 °C within
    0.2 °C and 0.15 K.
    """

    start_mass_g: FloatArray
    freezing_c: FloatArray
    thickening: FloatArray
    thinning: FloatArray
    t0: FloatArray
    t1: FloatArray
    t2: FloatArray
    t3: FloatArray

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
    h = np.stack([enthalpy_j(diluted, t) / (mass[:, None] + added) for t in _ENTHALPY_AT_C], axis=-1)
    powers = h[..., None] ** np.arange(len(_ENTHALPY_AT_C))
    by_h = np.linalg.solve(powers, np.broadcast_to(_ENTHALPY_AT_C, h.shape)[..., None])[..., 0]
    curves = freezing_point_c(diluted), *log_thickening_and_thinning(diluted), *np.moveaxis(by_h, -1, 0)
    return DrinkCurves(mass, *(_poly(y, v) for v in curves))


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
    `power_w` is what the motion itself adds; `ramp_s` is the time motion takes to build up; `wash_s` that in which
    the water on the ice joins the drink; `shield_per_k` is κ; `thickness_power` the power of viscosity by which heat
    transfer falls.
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
    wash_s: FloatArray
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

    `ice_left_g` counts the water that is still on the ice.
    """

    time_s: FloatArray
    temp_c: FloatArray
    added_g: FloatArray
    ice_left_g: FloatArray
    core_temp_c: FloatArray
    inner_wall_c: FloatArray
    outer_wall_c: FloatArray


def node_fractions(steps: int) -> FloatArray:
    """Where the nodes lie as fractions of the duration: closer together at the start, where all is fast."""
    s = np.linspace(0.0, 1.0, steps + 1)
    return s * (_FIRST_STEP + (1.0 - _FIRST_STEP) * s)


def steps_needed(
    inputs: MeltInputs, curves: DrinkCurves, duration_s: FloatArray, least: int = 24
) -> FloatArray:
    """Steps that resolve what happens, for each lane on its own; (lanes,).

    Fewer are stable too, and less accurate.
    """
    liquid_j_per_k = 3.4 * curves.start_mass_g
    fastest = np.max(
        [
            (inputs.ice_w_per_k * 1.2 + inputs.film_w_per_k) * _WARM_GAIN / liquid_j_per_k,
            (inputs.film_w_per_k * _WARM_GAIN + inputs.wall_w_per_k) / inputs.inner_j_per_k,
            (inputs.wall_w_per_k + inputs.room_w_per_k) / inputs.outer_j_per_k,
        ],
        axis=0,
    )
    last_step = 2.0 - _FIRST_STEP
    return np.asarray(np.clip(np.ceil(last_step * duration_s * fastest / _LONGEST_STEP), least, 2000))


def steps_for(inputs: MeltInputs, curves: DrinkCurves, duration_s: FloatArray) -> int:
    """Number of steps that serves every lane."""
    return int(np.max(steps_needed(inputs, curves, duration_s)))


def simulate(curves: DrinkCurves, inputs: MeltInputs, duration_s: FloatArray, steps: int) -> Course:
    """Run every lane through its own duration in the same number of steps.

    Parameters
    ----------
    curves
        Of the drink in each lane; arrays of shape (lanes, …).
    inputs
        Arrays of shape (lanes,).
    duration_s
        (lanes,) or scalar, ≥ 0.
    steps
        From `steps_for`.

    Returns
    -------
    Course with nodes at `duration_s * node_fractions(steps)`.
    """
    lane = _Lane(curves, inputs)
    time = node_fractions(steps)[:, None] * np.broadcast_to(duration_s, inputs.ice_mass_g.shape)
    temp, states = np.empty_like(time), np.empty((steps + 1, _STATES, time.shape[1]))
    states[0] = lane.start()
    begun = lane.motion(time[0])
    for k in range(steps):
        half_s = np.maximum(0.5 * (time[k + 1] - time[k]), _SHORTEST_STEP_S)
        most = lane.limits(half_s)
        washing = lane.washing(time[k], half_s)
        midway, ended = lane.motion(time[k] + half_s), lane.motion(time[k + 1])
        rate, temp[k] = lane.rate(states[k], begun, most, washing)
        state = states[k] + half_s * rate
        state += half_s * lane.rate(state, midway, most, washing)[0]
        state += half_s * lane.rate(state, ended, most, washing)[0]
        state += 2.0 * states[k]
        state /= 3.0
        states[k + 1] = state + half_s * lane.rate(state, midway, most, washing)[0]
        begun = ended
    temp[steps] = lane.liquid(states[steps])[0]
    left = np.maximum(states[:, 1] + states[:, 2], 0.0)  # rounding
    return Course(
        time_s=time,
        temp_c=temp,
        added_g=inputs.ice_mass_g - left,
        ice_left_g=left,
        core_temp_c=(states[:, 3] + states[:, 4]) / np.maximum(states[:, 1], _NONE),
        inner_wall_c=states[:, 5],
        outer_wall_c=states[:, 6],
    )


@dataclass(frozen=True)
class _Motion:
    """What the motion makes at a moment of the conductances to ice and wall, and its own heat; (lanes,)."""

    ice_w_per_k: FloatArray
    film_w_per_k: FloatArray
    power_w: FloatArray


@dataclass(frozen=True)
class _Limits:
    """Conductances (lanes,) of which no part passes its neighbours in a half step.

    `liquid_w_per_gk` is for a gram of the liquid, all that touches it together. Half of `per_s`, one over the half
    step, is the share of the ice that may melt, and that its core may come nearer to its surface: together they keep
    the core's temperature in bounds, since what is left of its mass carries all of its cold.
    """

    per_s: FloatArray
    liquid_w_per_gk: FloatArray
    film_w_per_k: FloatArray
    wall_w_per_k: FloatArray
    room_w_per_k: FloatArray


class _Lane:
    """The right-hand side, with everything that stays fixed during a run worked out once.

    A state, shape (7, lanes), holds the enthalpy of the liquid [J], the ice [g], the water on it that has not joined
    [g], the mass of the ice times the temperature of its core's slow and fast mode, each times the mode's share
    [g·°C], and inner and outer wall [°C]. All heat is a weighted sum of these, so that no step loses any.
    """

    def __init__(self, curves: DrinkCurves, inputs: MeltInputs) -> None:
        self.x = inputs
        self.mass_g = curves.start_mass_g
        by_y = (
            curves.t0,
            curves.t1,
            curves.t2,
            curves.t3,
            curves.freezing_c,
            curves.thickening,
            curves.thinning,
        )
        self.by_y = np.ascontiguousarray(np.stack([c.T for c in by_y], axis=1))
        self.shield = -inputs.shield_per_k
        self.surface_g = np.minimum(inputs.surface_water_g, 0.9 * inputs.ice_mass_g)
        self.solid_g = inputs.ice_mass_g - self.surface_g
        self.all_g = self.mass_g + inputs.ice_mass_g
        self.most_ice_g = inputs.ice_mass_g - _Y_LOW / (1.0 - _Y_LOW) * self.mass_g
        slow_per_s = inputs.core_w_per_k / (ICE_J_PER_GK * np.maximum(inputs.ice_mass_g, _NONE))
        self.core_per_s = np.stack([slow_per_s, _FAST_OVER_SLOW * slow_per_s])
        self.coldest = _CORE_SHARES * np.minimum(inputs.ice_temp_c, 0.0)
        self.per_solid = 1.0 / np.maximum(self.solid_g, _NONE)
        self.per_inner, self.per_outer = 1.0 / inputs.inner_j_per_k, 1.0 / inputs.outer_j_per_k
        wall = inputs.wall_w_per_k
        self.wall_j_per_k = np.minimum(
            inputs.inner_j_per_k * wall / np.maximum(wall + inputs.film_w_per_k, _NONE),
            inputs.outer_j_per_k * wall / np.maximum(wall + inputs.room_w_per_k, _NONE),
        )
        self.least_j_per_gk = 0.9 * np.minimum(1.0 / curves.t1[:, -1], WATER_J_PER_GK)
        self.ice_h0 = float(ice_physics.enthalpy_j_per_g(np.asarray(0.0)))

    def start(self) -> FloatArray:
        """At rest: the surface water, at 0 °C, brings no enthalpy on this scale when it joins, but it dilutes."""
        temp = self.x.drink_temp_c
        t0, t1, t2, t3 = (c[-1] for c in (self.by_y[:, k] for k in range(4)))
        h = (temp - t0) / t1
        for _ in range(4):  # Newton's method, on what is nearly a straight line
            h -= (t0 + h * (t1 + h * (t2 + h * t3)) - temp) / (t1 + h * (2.0 * t2 + h * 3.0 * t3))
        wall = self.x.vessel_temp_c
        return np.stack(
            [self.mass_g * h, self.solid_g, self.surface_g, *(self.coldest * self.solid_g), wall, wall]
        )

    def motion(self, time_s: FloatArray) -> _Motion:
        """How far motion has built up at times (lanes,); broken ice has more surface."""
        x = self.x
        ramp = 1.0 - np.exp(-time_s / x.ramp_s)
        return _Motion(
            ice_w_per_k=x.ice_w_per_k * (1.0 + x.breakage_per_s * time_s) * (0.08 + 0.92 * ramp),
            film_w_per_k=x.film_w_per_k * (0.15 + 0.85 * ramp),
            power_w=x.power_w * ramp,
        )

    def washing(self, time_s: FloatArray, half_s: FloatArray) -> FloatArray:
        """Water [g/s] that joins from the ice over a step from times (lanes,): its mean, so that no step misses any."""
        joined = -np.expm1(-2.0 * half_s / self.x.wash_s)
        return np.asarray(self.surface_g * np.exp(-time_s / self.x.wash_s) * joined / (2.0 * half_s))

    def limits(self, step_s: FloatArray) -> _Limits:
        """What keeps parts from passing each other in a half step of that length (lanes,)."""
        x, per_s = self.x, 1.0 / step_s
        liquid = self.least_j_per_gk * per_s
        wall = np.minimum(x.wall_w_per_k, self.wall_j_per_k * per_s)
        return _Limits(
            per_s=per_s,
            liquid_w_per_gk=liquid,
            film_w_per_k=x.inner_j_per_k * per_s - wall,
            wall_w_per_k=wall,
            room_w_per_k=np.minimum(x.room_w_per_k, x.outer_j_per_k * per_s - wall),
        )

    def liquid(self, state: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        """The liquid's temperature [°C], mass [g], freezing point [°C], thickening and thinning."""
        total = self.all_g - state[1] - state[2]
        y = 1.0 - self.mass_g / total
        curves = self.by_y[0] * y
        for c in self.by_y[1:-1]:
            curves += c
            curves *= y
        curves += self.by_y[-1]
        t0, t1, t2, t3, freezing, thickening, thinning = curves
        h = state[0] / total
        temp = t0 + h * (t1 + h * (t2 + h * t3))
        return temp, total, np.minimum(freezing, 0.0), thickening, thinning

    def rate(
        self, state: FloatArray, motion: _Motion, most: _Limits, washing_g_per_s: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Slopes of the state, shape (7, lanes), within limits, and the liquid's temperature [°C]."""
        left, wet, inner, outer = state[1], state[2], state[5], state[6]
        temp, total, freezing, thickening, thinning = self.liquid(state)
        surface = self._surface(temp, freezing)
        thin = self._thin(thickening, thinning, temp)
        size2 = np.exp(2.0 / 3.0 * np.log(np.maximum(left * self.per_solid, _NONE)))

        drive = temp - surface
        level = most.liquid_w_per_gk * total
        film = np.minimum(motion.film_w_per_k * thin, most.film_w_per_k)
        ice = motion.ice_w_per_k * size2 * thin
        ice *= 0.25 + 0.75 / (1.0 + _STREAMING_PER_K * np.maximum(drive, 0.0))
        within = level / np.maximum(film + ice, level)
        into_ice = ice * within * drive
        from_wall = film * within * (inner - temp)
        through_wall = most.wall_w_per_k * (outer - inner)

        core, rim = state[3:5] / np.maximum(left, _NONE), _CORE_SHARES * surface
        low, high = np.minimum(self.coldest, rim), np.maximum(self.coldest, rim)
        half_per_s = 0.5 * most.per_s
        warming = np.minimum(self.core_per_s / np.maximum(size2, _SMALLEST_SIZE2), half_per_s) * (rim - core)
        warming *= left
        net = into_ice - ICE_J_PER_GK * (warming[0] + warming[1])
        # melt leaves as cold as the surface is; water that freezes on comes as warm as the drink is
        rim_enthalpy = self.ice_h0 + ICE_J_PER_GK * surface
        latent = WATER_J_PER_GK * np.where(net > 0.0, surface, temp) - rim_enthalpy
        melting = np.minimum(net / latent, left * half_per_s)
        least = (left + wet - self.most_ice_g) * half_per_s
        if np.any(melting < least):  # what the drink cannot freeze does not warm the core
            into_core = ICE_J_PER_GK * (warming[0] + warming[1])
            spare = np.maximum(least - melting, 0.0) * latent
            held = np.maximum(into_core - spare, np.minimum(into_core, 0.0))
            warming *= np.where(into_core > 0.0, held / np.where(into_core > 0.0, into_core, 1.0), 1.0)
            melting = np.maximum(melting, least)
        # The shells that melt take along the surface's temperature, not the core's mean. What is left so grows colder,
        # or warmer where the surface is the colder one, but never beyond where it began.
        after = (state[3:5] * most.per_s + warming - melting * rim) / np.maximum(
            left * most.per_s - melting, _NONE
        )
        bound = np.minimum(np.maximum(after, np.minimum(low, core)), np.maximum(high, core))
        astray = after != bound
        if np.any(astray):
            into_ice = ICE_J_PER_GK * (warming[0] + warming[1]) + melting * latent
            warming = np.where(astray, (bound * left - state[3:5]) * most.per_s, warming)
            shell = np.where(astray, rim - bound, 0.0)
            slower = (into_ice - ICE_J_PER_GK * (warming[0] + warming[1])) / (
                latent + ICE_J_PER_GK * (shell[0] + shell[1])
            )
            melting = np.where(np.any(astray, axis=0), np.minimum(slower, melting), melting)
            warming += melting * shell

        heat = np.minimum(motion.power_w, level * (_BOILING_C - temp))
        out = np.empty_like(state)
        out[0] = heat + from_wall - ICE_J_PER_GK * (warming[0] + warming[1]) + melting * rim_enthalpy
        out[1] = -melting
        out[2] = -washing_g_per_s
        out[3:5] = warming - melting * rim
        out[5] = (through_wall - from_wall) * self.per_inner
        out[6] = (most.room_w_per_k * (self.x.room_temp_c - outer) - through_wall) * self.per_outer
        return out, temp

    def _thin(self, thickening: FloatArray, thinning: FloatArray, temp: FloatArray) -> FloatArray:
        """Heat transfer against that of a usual drink at 5 °C: thin, warm liquid carries heat faster.

        The viscosity is the bulk's: the motion lives there, the cold film at the ice is thin beside it. The
        conductivity is the film's, half way to the ice, to the power 2/3 that goes with Pr^(1/3).
        """
        temp = np.clip(temp, -20.0, 100.0)
        log_viscosity = log_water_viscosity(temp) + thickening - thinning * thinning_share(temp)
        log_conductivity = 0.5 * GAIN_PER_K * (temp - _USUAL_TEMP_C)
        return np.exp(
            self.x.thickness_power * (_USUAL_LOG_VISCOSITY - log_viscosity)
            + CONDUCTIVITY_POWER * log_conductivity
        )

    def _surface(self, temp: FloatArray, freezing: FloatArray) -> FloatArray:
        """Temperature of the ice's surface [°C]: mean of two passes of the fixed point, which bracket it."""
        first = freezing * np.exp(self.shield * np.maximum(temp - freezing, 0.0))
        second = freezing * np.exp(self.shield * np.maximum(temp - first, 0.0))
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
