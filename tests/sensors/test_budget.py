"""Budgets add up, agree with simulation, and show what limits a drink's figures."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from rig.errors import ModelRangeError, NotEnoughData
from rig.runs import Run, Trace
from rig.sensors.budget import Distribution, Input, budget
from rig.sensors.calibration import CalibrationKind, Point, one_value
from rig.sensors.drink_budget import Instruments, dilution_budget, run_budgets, serve_temp_budget
from rig.sensors.line import fit_line

WHEN = datetime(2026, 3, 9, tzinfo=UTC)
DRINK_G, STRAINED_G = 84.0, 119.0

# run-to-run spread of dilution with one hand, one ice: 2 points of dilution (common practice, no source)
RUN_TO_RUN_DILUTION = 0.02
WINDOW_HALF_WIDTH = 0.03  # a target of 30 to 36 % (common practice, no source)


def scale(points: list[Point]) -> Instruments:
    return Instruments(scale=fit_line("scale", "", CalibrationKind.MASS, WHEN, points, method="weights"))


@pytest.mark.parametrize(
    ("distribution", "divisor"),
    [(Distribution.RECTANGULAR, 3.0), (Distribution.TRIANGULAR, 6.0), (Distribution.ARCSINE, 2.0)],
)
def test_a_half_width_becomes_a_standard_uncertainty_by_its_distribution(distribution, divisor):
    assert Input.within("x", 1.0, 0.6, distribution=distribution).std == pytest.approx(
        0.6 / math.sqrt(divisor)
    )


def test_sensitivities_are_the_slopes_of_the_model():
    inputs = [Input("a", 3.0, 0.1), Input("b", 2.0, 0.0), Input("c", 0.0, 0.2)]
    found = budget("y", lambda x: x["a"] ** 2 / x["b"] + math.sin(x["c"]), inputs)
    assert found.sensitivities == pytest.approx((3.0, -9 / 4, 1.0), rel=1e-5)
    assert found.combined_std == pytest.approx(math.hypot(0.3, 0.2), rel=1e-5)
    assert found.shares().sum() == pytest.approx(1.0)


def test_degrees_of_freedom_follow_the_part_that_matters():
    few, many = Input("few", 0.0, 1.0, degrees_of_freedom=4), Input("many", 0.0, 0.01)
    found = budget("y", lambda x: x["few"] + x["many"], [few, many])
    assert found.effective_degrees_of_freedom == pytest.approx(4.0, rel=1e-3)
    assert found.coverage_factor() == pytest.approx(2.776, abs=0.001)  # Student's t, 4 degrees, GUM table G.2
    assert budget("y", lambda x: x["many"], [many]).coverage_factor() == pytest.approx(1.960, abs=0.001)


def test_the_printed_table_names_every_input_and_the_result():
    text = dilution_budget(DRINK_G, STRAINED_G, Instruments()).table()
    for words in (
        "drink weighed",
        "strained weighed",
        "held back",
        "drink density",
        "scale gain",
        "k = 1.96",
    ):
        assert words in text
    assert max(map(len, text.splitlines())) <= 100


def test_nonsense_inputs_are_refused():
    with pytest.raises(ModelRangeError, match="an uncertainty is 0 or more"):
        Input("x", 1.0, -0.1)
    with pytest.raises(ModelRangeError, match="repeat the reading"):
        Input.of_readings("x", [1.0])
    with pytest.raises(ModelRangeError, match="give its standard uncertainty"):
        Input.within("x", 1.0, 0.1, distribution=Distribution.NORMAL)
    with pytest.raises(ModelRangeError, match="positive matrix of 1 inputs"):
        budget("y", lambda x: x["x"], [Input("x", 1.0, 0.1)], correlation=np.eye(2))


def test_dilution_is_water_added_over_starting_volume():
    tools = Instruments(held_back_g=3.0, drink_density_g_per_ml=1.05)
    found = dilution_budget(DRINK_G, STRAINED_G, tools)
    assert found.value == pytest.approx((119.0 + 3.0 - 84.0) / (84.0 / 1.05))


def test_the_budget_agrees_with_a_simulation_of_the_weighings():
    tools = replace(scale([Point(0.0, 0.0, 0.3), Point(200.0, 199.0, 0.3)]), scale_resolution_g=1.0)
    found = dilution_budget(DRINK_G, STRAINED_G, tools)
    assert found.correlation is not None or found.inputs[-1].name == "scale offset"
    rng, n = np.random.default_rng(0), 200_000
    c = tools.scale
    assert c is not None
    offset, gain = rng.multivariate_normal(c.coefficients, np.array(c.covariance), n).T
    drink, strained = (
        offset + gain * (x + rng.uniform(-0.5, 0.5, n) - c.origin) for x in (DRINK_G, STRAINED_G)
    )
    density = rng.normal(tools.drink_density_g_per_ml, tools.drink_density_std_g_per_ml, n)
    held = rng.normal(tools.held_back_g, tools.held_back_std_g, n)
    simulated = (strained + held - drink) * density / drink
    assert found.value == pytest.approx(simulated.mean(), abs=2e-4)
    assert found.combined_std == pytest.approx(simulated.std(), rel=0.01)


def test_a_scales_gain_cancels_where_its_zero_does_not():
    by_gain = Instruments(held_back_g=0.0, held_back_std_g=0.0)
    found = dilution_budget(DRINK_G, STRAINED_G, by_gain)
    assert abs(found.contributions[[i.name for i in found.inputs].index("scale gain")]) < 1e-9


def test_a_scale_that_reads_to_1_g_is_enough_for_a_drink():
    coarse, fine = (
        dilution_budget(DRINK_G, STRAINED_G, Instruments(scale_resolution_g=r)) for r in (1.0, 0.1)
    )
    rounding = math.hypot(*coarse.contributions[:2])
    assert rounding < RUN_TO_RUN_DILUTION / 3  # a third of what one hand varies by adds 6 % to it
    assert coarse.combined_std < 1.15 * fine.combined_std  # what is held back limits, not the digits
    assert coarse.expanded() < WINDOW_HALF_WIDTH
    too_coarse = dilution_budget(DRINK_G, STRAINED_G, Instruments(scale_resolution_g=5.0))
    assert math.hypot(*too_coarse.contributions[:2]) > RUN_TO_RUN_DILUTION


def test_a_calibrated_probe_makes_the_serve_temperature_surer_and_shifts_it():
    points = [Point(0.3, 0.0, 0.07), Point(99.3, 99.0, 0.12)]
    probe = fit_line("probe", "", CalibrationKind.TEMPERATURE, WHEN, points, method="two points")
    by_maker, calibrated = (serve_temp_budget(-3.0, Instruments(probe=p)) for p in (None, probe))
    assert calibrated.value == pytest.approx(-3.3, abs=0.001)
    assert calibrated.combined_std < 0.6 * by_maker.combined_std


def test_what_lag_is_left_is_told_and_counted():
    lag = one_value(
        "probe", "", CalibrationKind.LAG, WHEN, 6.0, 0.3, degrees_of_freedom=20, residual_std=0.1, method="plunge"
    )  # fmt: skip
    moving = serve_temp_budget(-3.0, Instruments(lag=lag), rate_k_per_s=-0.2)
    assert moving.value == pytest.approx(-3.0 - 6.0 * 0.2)
    still = serve_temp_budget(-3.0, Instruments(lag=lag))
    assert moving.combined_std > still.combined_std


def run_with_trace() -> Run:
    time_s = np.arange(-2.0, 12.0, 0.5)
    probe = np.where(time_s < 0, 20.0, 20.0 - 2.0 * time_s)
    return Run(
        "r1", "shake", "tin", "cube", "black", drink_mass_g=DRINK_G, strained_mass_g=STRAINED_G, duration_s=10.0,
        trace=Trace(time_s, {"": probe}),
    )  # fmt: skip


def test_a_runs_budgets_come_from_its_weighings_and_the_end_of_its_trace():
    dilution, temp = run_budgets(run_with_trace(), Instruments())
    assert dilution.value == pytest.approx((STRAINED_G + 1.2 - DRINK_G) / DRINK_G)
    assert temp is not None
    named = {i.name: i.value for i in temp.inputs}
    assert named["probe reading"] == pytest.approx(0.0, abs=1e-6)  # at 10 s, not at the end of the file
    assert named["rate of the reading"] == pytest.approx(-2.0)


def test_a_run_that_was_corrected_when_it_was_recorded_is_not_corrected_again():
    points = [Point(0.0, 0.0, 0.1), Point(200.0, 210.0, 0.1)]
    probe = fit_line(
        "probe",
        "",
        CalibrationKind.TEMPERATURE,
        WHEN,
        [Point(0.5, 0.0, 0.1), Point(60.5, 60.0, 0.1)],
        method="two",
    )
    tools = replace(scale(points), probe=probe)
    raw, raw_temp = run_budgets(run_with_trace(), tools)
    known = replace(run_with_trace(), scale_std_g=0.1, probe_std_k=0.07)
    corrected, temp = run_budgets(known, tools)
    assert raw_temp is not None and temp is not None
    assert corrected.value == pytest.approx((STRAINED_G + 1.2 - DRINK_G) / DRINK_G)
    assert raw.value != pytest.approx(corrected.value, abs=1e-6)
    assert corrected.combined_std == pytest.approx(raw.combined_std, rel=0.1)
    named = {i.name: i for i in temp.inputs}["probe correction"]
    assert (named.value, named.std) == (0.0, 0.07)
    assert raw_temp.value == pytest.approx(temp.value - 0.5)


def test_a_drink_poured_by_jigger_is_as_sure_as_the_pour():
    run = replace(run_with_trace(), drink_mass_g=None)
    dilution, _ = run_budgets(run, Instruments(), Input("drink poured", DRINK_G, 1.7, "g"))
    assert dilution.value == pytest.approx((STRAINED_G + 1.2 - DRINK_G) / DRINK_G)
    assert dilution.shares()[0] > 0.5


def test_a_run_without_a_probe_or_a_weighing_says_so():
    assert run_budgets(replace(run_with_trace(), trace=None), Instruments())[1] is None
    with pytest.raises(NotEnoughData, match="weigh the drink before and after"):
        run_budgets(replace(run_with_trace(), strained_mass_g=None), Instruments())
