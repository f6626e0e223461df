"""Hot coffee at rest, and the room it loses heat to."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rig.errors import ModelRangeError
from rig.physics.cooling import rest, rest_time
from rig.physics.cup import CUPS
from rig.physics.liquid import Liquid, heat_capacity_j_per_gk, volume_ml
from rig.physics.room_air import Room, at_side, at_top, latent_heat_j_per_g
from rig.physics.standing import CONTACT_W_PER_M2K, Conditions, poured, stand


def coffee(mass_g):
    return Liquid(0.0, 0.0, 0.97 * mass_g, 0.03 * mass_g)


def test_a_drink_rests_where_it_starts_and_a_covered_one_ends_at_the_room():
    state = poured(coffee(40.0), 75.0, 21.0)
    cup, around = CUPS["espresso cup"], Conditions(Room(21.0), covered=True)
    assert stand(state, cup, around, 0.0) is state
    end = stand(state, cup, around, 6 * 3600.0)
    assert end.temp_c == pytest.approx(21.0, abs=0.3)
    assert end.vapour_g == 0.0


def test_an_open_drink_ends_a_little_below_the_room_as_a_wet_bulb_does():
    end = stand(poured(coffee(40.0), 30.0, 21.0), CUPS["mug"], Conditions(Room(21.0, 0.4)), 3600.0 * 3)
    assert 12.0 < float(end.temp_c[0]) < 21.0


@pytest.mark.parametrize("covered", [False, True])
def test_mass_and_energy_are_conserved_to_rounding(covered):
    cup = CUPS["mug"]
    start = poured(coffee(200.0), 88.0, 21.0)
    end = stand(start, cup, Conditions(Room(), covered=covered), 900.0)
    assert end.total_j(cup) - start.total_j(cup) == pytest.approx(end.heat_in_j, abs=1e-6)
    assert end.liquid.mass_g - start.liquid.mass_g == pytest.approx(end.vapour_g, abs=1e-9)
    assert end.heat_in_j < 0.0 and (end.vapour_g < 0.0) == (not covered)


def test_the_steps_agree_with_a_stiff_solver_of_the_same_equations():
    cup, room, liquid = CUPS["mug"], Room(), coffee(200.0)
    contact = float(cup.contact_w_per_k(volume_ml(liquid), CONTACT_W_PER_M2K))

    def slopes(_t, y):
        temp, wall = np.array([y[0]]), np.array([y[1]])
        top = at_top(temp, room, cup.diameter_mm / 1000.0)
        side = at_side(wall, room, cup.height_m)
        c = 200.0 * float(heat_capacity_j_per_gk(liquid, temp)[0])
        flow = contact * (y[1] - y[0])
        return [
            (flow + cup.mouth_m2 * top.heat_w_per_m2[0]) / c,
            (cup.outside_m2 * side.heat_w_per_m2[0] - flow) / cup.heat_capacity_j_per_k,
        ]

    exact = solve_ivp(slopes, (0.0, 600.0), [85.0, 21.0], method="LSODA", rtol=1e-8).y[:, -1]
    mine = stand(poured(liquid, 85.0, 21.0), cup, Conditions(room), 600.0)
    # The outside solver keeps the mass that evaporates: 4 of 200 g, hence half a kelvin.
    assert float(mine.temp_c[0]) == pytest.approx(exact[0], abs=0.6)
    assert float(mine.cup_temp_c[0]) == pytest.approx(exact[1], abs=0.6)


def test_halving_the_step_changes_nothing_that_matters():
    liquid, cup = coffee(40.0), CUPS["espresso cup"]
    whole = stand(poured(liquid, 75.0, 21.0), cup, Conditions(Room()), 120.0)
    parts = poured(liquid, 75.0, 21.0)
    for _ in range(60):
        parts = stand(parts, cup, Conditions(Room()), 2.0)
    assert float(whole.temp_c[0]) == pytest.approx(float(parts.temp_c[0]), abs=0.1)


@pytest.mark.parametrize(
    ("warmer", "cooler"),
    [
        ({"covered": True}, {}),
        ({"cup_temp_c": 60.0}, {"cup_temp_c": 21.0}),
        ({"room": Room(30.0)}, {"room": Room(15.0)}),
        ({"room": Room(21.0, 0.9)}, {"room": Room(21.0, 0.2)}),
    ],
)
def test_a_lid_a_warm_cup_and_a_warm_damp_room_keep_coffee_warm(warmer, cooler):
    a, b = (rest(coffee(40.0), 75.0, CUPS["espresso cup"], [120.0], **k) for k in (warmer, cooler))
    assert a.temp_c.typical[0] > b.temp_c.typical[0]


def test_resting_time_is_when_the_course_gets_there():
    time = rest_time(coffee(40.0), 75.0, 50.0, CUPS["espresso cup"])
    assert 0.0 < time.soonest_s < time.typical_s < time.latest_s
    there = rest(coffee(40.0), 75.0, CUPS["espresso cup"], [time.typical_s]).temp_c.typical[0]
    assert there == pytest.approx(50.0, abs=0.2)


def test_without_loss_drink_and_cup_share_their_heat():
    liquid, cup = coffee(40.0), CUPS["espresso cup"]
    end = stand(poured(liquid, 75.0, 21.0), cup, Conditions(Room(), room_scale=0.0), 3600.0)
    c = 40.0 * float(heat_capacity_j_per_gk(liquid, 50.0))
    shared_c = (c * 75.0 + cup.heat_capacity_j_per_k * 21.0) / (c + cup.heat_capacity_j_per_k)
    assert float(end.temp_c[0]) == pytest.approx(shared_c, abs=0.1)
    assert end.cup_temp_c == pytest.approx(end.temp_c, abs=1e-3)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: rest(coffee(40.0), 99.0, CUPS["mug"], [10.0]),
        lambda: rest(coffee(40.0), 75.0, CUPS["mug"], [-1.0]),
        lambda: rest(coffee(40.0), 75.0, CUPS["mug"], [8000.0]),
        lambda: rest_time(coffee(40.0), 75.0, 15.0, CUPS["mug"]),
        lambda: Room(60.0),
        lambda: Room(21.0, 1.5),
    ],
)
def test_what_is_not_known_is_refused(ask):
    with pytest.raises(ModelRangeError):
        ask()


def test_a_skin_is_no_cooler_than_the_room_lets_it_and_steam_carries_most_of_the_heat():
    hot = at_top(np.array([80.0]), Room(), 0.08)
    latent = hot.water_g_per_m2s * latent_heat_j_per_g(72.0)
    assert 0.6 < float(latent[0] / hot.heat_w_per_m2[0]) < 0.95
    still = at_top(np.array([21.0]), Room(21.0, 1.0), 0.08)
    assert still.heat_w_per_m2 == pytest.approx(0.0, abs=1e-6)
