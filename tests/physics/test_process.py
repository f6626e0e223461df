"""The steps of making a drink, run through by the models."""

import numpy as np
import pytest

from rig.arrays import FloatArray
from rig.errors import BenchError, ModelRangeError
from rig.physics.cup import CUPS
from rig.physics.liquid import Liquid
from rig.physics.melt import MeltInputs
from rig.physics.process import (
    AddIce,
    Agitate,
    BlendForAir,
    Drink,
    OverIce,
    PourInto,
    Rest,
    Start,
    Strain,
    aerated,
    run,
)
from rig.physics.standing import GlassIce


def one(value: float) -> FloatArray:
    return np.array([float(value)])


def shake_rates(**changes: float) -> MeltInputs:
    usual = {
        "drink_temp_c": 20, "ice_mass_g": 150, "ice_temp_c": -5, "surface_water_g": 0, "vessel_temp_c": 21,
        "room_temp_c": 21, "ice_w_per_k": 95, "breakage_per_s": 0.012, "core_w_per_k": 6,
        "inner_j_per_k": 75, "outer_j_per_k": 40, "film_w_per_k": 60, "wall_w_per_k": 8,
        "room_w_per_k": 0.4, "power_w": 4, "ramp_s": 0.35, "wash_s": 0.2, "shield_per_k": 0.04, "thickness_power": 0.16,
    }  # fmt: skip
    return MeltInputs(**{k: one(v) for k, v in (usual | changes).items()})


DRINK = Liquid(12.0, 6.0, 70.0, 3.0)
START = Start.of(DRINK, 75.0)
SHAKE = Agitate("shake", 12.0, shake_rates(), 80.0, 5.0)
WHOLE = [
    Rest(120.0, CUPS["steel pitcher"]),
    BlendForAir(10.0, 60.0, 60.0, 5.0, 200.0, 21.0),
    AddIce(100.0, -16.0, 1.0),
    AddIce(50.0, -2.0, 2.0),
    SHAKE,
    Strain(2.5),
    OverIce(GlassIce(50.0, -10.0, surface_water_g=1.0)),
    PourInto(CUPS["rocks glass"], 4.0),
    Drink(10.0, 6),
]


@pytest.mark.parametrize("number", range(1, len(WHOLE) + 1))
def test_mass_and_energy_balance_after_every_step(number):
    made = run(WHOLE[:number], START)
    first, last = made[0], made[-1]
    book = last.ledger
    heat = book["heat_in_j"] + book["brought_j"] - book["left_j"] + book["model_error_j"]
    assert last.inside_j - first.inside_j == pytest.approx(heat, abs=1e-6)
    assert last.inside_g - first.inside_g == pytest.approx(book["brought_g"] - book["left_g"], abs=1e-9)


def test_the_melt_models_own_error_is_a_thousandth_of_the_heat_it_moves():
    made = run(WHOLE[:5], START)[-1]
    melted_j = 333.0 * float(made.added_g[0])
    assert abs(float(made.ledger["model_error_j"][0])) < 3e-3 * melted_j


def test_alcohol_and_sugar_neither_come_nor_go_but_by_what_is_held_back():
    made = run(WHOLE[:6], START)
    assert made[4].liquid.ethanol_g == pytest.approx(12.0)
    assert made[-1].liquid.ethanol_g == pytest.approx(12.0 * made[-1].share)
    assert made[-1].liquid.sugar_g / made[-1].liquid.ethanol_g == pytest.approx(0.5)
    assert made[-1].dilution_by_volume == pytest.approx(made[-2].dilution_by_volume)


def test_lanes_are_each_of_them_alone():
    together = run(WHOLE, Start.of(DRINK, np.array([75.0, 60.0])), lanes=2)[-1]
    for k, temp in enumerate((75.0, 60.0)):
        alone = run(WHOLE, Start.of(DRINK, temp))[-1]
        assert together.temp_c[k] == pytest.approx(alone.temp_c[0], abs=0.02)
        assert together.abv_pct[k] == pytest.approx(alone.abv_pct[0], abs=0.02)


ON_ICE = [AddIce(150.0, -10.0), SHAKE]


@pytest.mark.parametrize(
    ("more", "less"),
    [
        (run([AddIce(150.0, -10.0), Agitate("shake", 20.0, shake_rates())], START),
         run([AddIce(150.0, -10.0), Agitate("shake", 6.0, shake_rates())], START)),
        (run(ON_ICE, START), run([Rest(300.0, CUPS["steel pitcher"]), *ON_ICE], START)),
        (run([AddIce(150.0, -2.0), SHAKE], START), run([AddIce(150.0, -18.0), SHAKE], START)),
        (run([AddIce(150.0, -2.0, 15.0), SHAKE], START), run([AddIce(150.0, -2.0), SHAKE], START)),
        (run([BlendForAir(20.0, 200.0), *ON_ICE], START), run([BlendForAir(20.0, 0.0), *ON_ICE], START)),
    ],
)  # fmt: skip
def test_longer_hotter_wetter_and_warmer_ice_dilute_more(more, less):
    assert more[-1].dilution_by_volume > less[-1].dilution_by_volume
    assert more[-1].abv_pct < less[-1].abv_pct


def test_two_short_shakes_are_about_one_long_one():
    halves = run([AddIce(150.0, -10.0), *[Agitate("shake", 6.0, shake_rates(ramp_s=0.01))] * 2], START)[-1]
    whole = run([AddIce(150.0, -10.0), Agitate("shake", 12.0, shake_rates(ramp_s=0.01))], START)[-1]
    # Not the same: between two goes the walls and the cores of the ice even out, and so take up more.
    assert halves.temp_c == pytest.approx(whole.temp_c, abs=1.5)
    assert halves.added_g == pytest.approx(whole.added_g, rel=0.06)


def test_a_motors_work_is_the_heat_in_drink_and_jar():
    made = run([BlendForAir(30.0, 100.0, jar_j_per_k=150.0, jar_temp_c=75.0)], START)[-1]
    assert made.ledger["heat_in_j"] == pytest.approx(3000.0)
    assert 75.0 < float(made.temp_c[0]) < 75.0 + 3000.0 / (150.0 + 91.0 * 3.5)


def test_air_goes_in_towards_its_plateau_and_never_out_by_moving():
    assert aerated(0.0, 5.0, 80.0, 5.0) == pytest.approx(80.0 * (1.0 - np.exp(-1.0)))
    assert aerated(90.0, 5.0, 80.0, 5.0) == pytest.approx(90.0)
    assert aerated(aerated(0.0, 3.0, 80.0, 5.0), 4.0, 80.0, 5.0) == pytest.approx(
        aerated(0.0, 7.0, 80.0, 5.0)
    )
    plain, airy = (run([*ON_ICE[:1], Agitate("shake", 12.0, shake_rates(), p)], START)[-1] for p in (0, 80))
    assert airy.volume_ml > plain.volume_ml and airy.liquid.mass_g == pytest.approx(plain.liquid.mass_g)


@pytest.mark.parametrize(
    ("steps", "number"),
    [
        ([SHAKE], 1),
        ([AddIce(100.0, 0.0), Rest(10.0, CUPS["mug"])], 2),
        ([AddIce(100.0, 0.0), BlendForAir(10.0)], 2),
        ([AddIce(100.0, 0.0), PourInto(CUPS["tall glass"], 4.0)], 2),
        ([Drink(5.0)], 1),
    ],
)
def test_steps_in_an_order_that_cannot_be_are_named_by_number(steps, number):
    with pytest.raises(BenchError, match=f"step {number}"):
        run(steps, START)


@pytest.mark.parametrize(
    "steps",
    [
        [AddIce(0.0, 0.0)],
        [AddIce(100.0, 0.0, 95.0)],
        [AddIce(100.0, -45.0)],
        [AddIce(100.0, 0.0), Agitate("shake", 0.0, shake_rates())],
        [*ON_ICE, Strain(500.0)],
        [OverIce(GlassIce(400.0)), PourInto(CUPS["rocks glass"], 4.0)],
        [BlendForAir(600.0, 200.0)],
    ],
)
def test_what_the_models_do_not_know_is_refused(steps):
    with pytest.raises(ModelRangeError):
        run(steps, START)
