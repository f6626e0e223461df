"""How well a run's dilution and serve temperature are known, from its scale, probe and calibrations."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from rig.arrays import FloatArray
from rig.errors import NotEnoughData
from rig.runs import Run
from rig.sensors.budget import Budget, Distribution, Input, budget
from rig.sensors.calibration import Calibration

_SCALE_GAIN_HALF_WIDTH = 0.002  # of a scale nobody has checked (common practice, no source)
_PROBE_HALF_WIDTH_K = 0.5  # of a probe nobody has checked: the DS18B20 datasheet's ±0.5 °C
_RATE_HALF_WIDTH_K_PER_S = 0.05  # of a strained drink in the glass (common practice, no source)


@dataclass(frozen=True)
class Instruments:
    """What a run was measured with. None: nobody has calibrated it, and its maker's limits are taken.

    `held_back_g` with its standard uncertainty is the liquid left on ice and vessel; the density is of the
    drink before the ice.
    """

    scale: Calibration | None = None
    scale_resolution_g: float = 1.0
    probe: Calibration | None = None
    probe_resolution_k: float = 0.1
    lag: Calibration | None = None
    held_back_g: float = 1.2
    held_back_std_g: float = 1.0
    drink_density_g_per_ml: float = 1.0
    drink_density_std_g_per_ml: float = 0.002


def dilution_budget(drink: float | Input, strained_mass_g: float, tools: Instruments) -> Budget:
    """Dilution by volume: water added ÷ starting volume, from both weighings and what was held back.

    `drink` is the scale's reading of the drink before the ice [g], or an input where it was poured by measure.

    A gram of water added counts as a millilitre, as everywhere in this program. Readings are the scale's own,
    uncorrected: the scale's calibration is applied here.
    """
    half = tools.scale_resolution_g / 2.0
    first = drink if isinstance(drink, Input) else Input.within("drink weighed", drink, half, "g")
    inputs = [
        first,
        Input.within("strained weighed", strained_mass_g, half, "g"),
        Input("held back", tools.held_back_g, tools.held_back_std_g, "g"),
        Input("drink density", tools.drink_density_g_per_ml, tools.drink_density_std_g_per_ml, "g/ml"),
    ]
    scale, correlation = tools.scale, None
    origin = 0.0 if scale is None else scale.origin
    if scale is None:
        inputs.append(Input.within("scale gain", 1.0, _SCALE_GAIN_HALF_WIDTH))
    else:
        covariance = np.array(scale.covariance)
        stds = np.sqrt(np.diag(covariance))
        freedom = scale.degrees_of_freedom
        inputs.append(
            Input("scale gain", scale.coefficients[1], float(stds[1]), "", degrees_of_freedom=freedom)
        )
        inputs.append(
            Input("scale offset", scale.coefficients[0], float(stds[0]), "g", degrees_of_freedom=freedom)
        )
        correlation = _correlation(len(inputs), covariance, stds)

    def dilution(x: Mapping[str, float]) -> float:
        def weighed(name: str) -> float:
            return x.get("scale offset", 0.0) + x["scale gain"] * (x[name] - origin)

        before = x[first.name] if isinstance(drink, Input) else weighed(first.name)
        added = weighed("strained weighed") + x["held back"] - before
        return added * x["drink density"] / before

    return budget("dilution by volume", dilution, inputs, unit="ml/ml", correlation=correlation)


def serve_temp_budget(
    reading_c: float,
    tools: Instruments,
    *,
    noise_std_k: float = 0.0,
    rate_k_per_s: float = 0.0,
    corrected_std_k: float | None = None,
) -> Budget:
    """Serve temperature [°C] from the probe's own reading: calibration, resolution, noise and what lag is left.

    `rate_k_per_s` is how fast the reading was still moving, known to ±0.05 K/s; a lag τ leaves τ times that.
    `corrected_std_k` says that the reading is corrected already, and what that left unknown.
    """
    inputs = [
        Input.within("probe reading", reading_c, tools.probe_resolution_k / 2.0, "°C"),
        Input("noise of the reading", 0.0, noise_std_k, "K"),
        _probe_correction(reading_c, tools.probe)
        if corrected_std_k is None
        else Input("probe correction", 0.0, corrected_std_k, "K"),
        Input.within("rate of the reading", rate_k_per_s, _RATE_HALF_WIDTH_K_PER_S, "K/s"),
    ]
    if tools.lag is not None:
        tau_s, std_s = (float(x) for x in tools.lag.apply(reading_c))
        inputs.append(Input("probe lag", tau_s, std_s, "s", degrees_of_freedom=tools.lag.degrees_of_freedom))
    else:
        inputs.append(Input.within("probe lag", 5.0, 4.0, "s"))  # thin sheath to thick capsule (from memory)

    def temp_c(x: Mapping[str, float]) -> float:
        residue = x["probe lag"] * x["rate of the reading"]
        return x["probe reading"] + x["noise of the reading"] + x["probe correction"] + residue

    return budget("serve temperature", temp_c, inputs, unit="°C")


def run_budgets(run: Run, tools: Instruments, poured: Input | None = None) -> tuple[Budget, Budget | None]:
    """The budgets of a run: its dilution, and its serve temperature where a probe was in the drink at the end.

    `poured` stands for the drink's mass [g] where it was not weighed before the ice. A run that was recorded with
    calibrated instruments is corrected already.

    Raises
    ------
    NotEnoughData
        Where the drink was neither weighed nor poured by measure, or not weighed strained.
    """
    if run.scale_std_g is not None and tools.scale is not None:
        tools = replace(tools, scale=tools.scale.already_applied())
    drink = poured if run.drink_mass_g is None else run.drink_mass_g
    if drink is None or run.strained_mass_g is None:
        raise NotEnoughData(
            f"run {run.run} lacks drink_mass_g or strained_mass_g; weigh the drink before and after"
        )
    dilution = dilution_budget(drink, run.strained_mass_g, tools)
    probe = None if run.trace is None else run.trace.probe_c
    if run.trace is None or probe is None or not np.isfinite(probe).any():
        return dilution, None
    seen = np.isfinite(probe)
    if run.duration_s is not None:
        seen &= run.trace.time_s <= run.duration_s
    if np.count_nonzero(seen) < 2:
        return dilution, None
    time_s, reading_c = run.trace.time_s[seen][-10:], probe[seen][-10:]
    rate, level = np.polyfit(time_s - time_s[-1], reading_c, 1)
    scatter = float(np.std(reading_c - level - rate * (time_s - time_s[-1])))
    return dilution, serve_temp_budget(
        float(level),
        tools,
        noise_std_k=scatter,
        rate_k_per_s=float(rate),
        corrected_std_k=run.probe_std_k,
    )


def _probe_correction(reading_c: float, probe: Calibration | None) -> Input:
    if probe is None:
        return Input.within("probe correction", 0.0, _PROBE_HALF_WIDTH_K, "K", Distribution.RECTANGULAR)
    correction, std = (float(x) for x in probe.correction(reading_c))
    return Input("probe correction", correction, std, "K", degrees_of_freedom=probe.degrees_of_freedom)


def _correlation(size: int, covariance: FloatArray, stds: FloatArray) -> FloatArray | None:
    """Of the inputs, the last two of which are the scale's gain and offset; None where these are independent."""
    product = float(stds[0] * stds[1])
    between = 0.0 if product == 0 else float(covariance[0, 1]) / product
    if math.isclose(between, 0.0, abs_tol=1e-9):
        return None
    matrix = np.eye(size)
    matrix[-1, -2] = matrix[-2, -1] = between
    return matrix
