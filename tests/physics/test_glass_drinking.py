"""A drink from first to last sip."""

import numpy as np
import pytest

from rig.bench import IceShape
from rig.errors import ModelRangeError
from rig.physics.cup import CUPS, Cup, CupMaterial, GlassState
from rig.physics.glass import require_fits, serve, sips
from rig.physics.liquid import Liquid, freezing_point_c
from rig.physics.room_air import Room
from rig.physics.standing import TYPICAL_LANE, Conditions, GlassIce, poured, spread, stand

DRINK = Liquid(17.0, 8.0, 95.0, 0.0)
ICE = GlassIce(100.0, -8.0)
ROCKS, COUPE = CUPS["rocks glass"], CUPS["coupe"]


@pytest.mark.parametrize("ice", [None, ICE, GlassIce(60.0, -1.0, IceShape.CRUSHED, 8.0, 6.0)])
@pytest.mark.parametrize("glass_c", [21.0, 4.0, -15.0])
def test_mass_and_energy_are_conserved_to_rounding(glass_c, ice):
    start = poured(DRINK, -3.0, glass_c, ice)
    end = stand(start, ROCKS, Conditions(Room()), 600.0, ice)
    assert end.total_j(ROCKS) - start.total_j(ROCKS) == pytest.approx(end.heat_in_j, abs=1e-6)
    before = start.liquid.mass_g + start.ice_g
    assert end.liquid.mass_g + end.ice_g - before == pytest.approx(end.vapour_g, abs=1e-9)


def test_sips_take_all_of_the_drink_and_what_has_melted():
    start = poured(DRINK, -3.0, 4.0, ICE)
    made = sips(start, ROCKS, Conditions(Room()), 10.0, 8, ICE)
    melted = ICE.mass_g - made.left.ice_g
    got = made.drunk_g.sum(axis=0)
    assert got == pytest.approx(DRINK.mass_g + melted + made.left.vapour_g, abs=1e-9)
    ethanol = made.drunk_g * 0.0 + made.abv_pct
    assert np.all(np.diff(ethanol, axis=0) < 0.0)


@pytest.mark.parametrize("ice", [None, ICE])
def test_a_colder_glass_serves_a_colder_drink_and_over_ice_a_stronger_one(ice):
    served = [serve(DRINK, -3.0, ROCKS, s.temp_c(21.0), 10.0, 6, ice=ice) for s in GlassState]
    first = [s.temp_c.typical[0] for s in served]
    assert first[0] > first[1] > first[2]
    if ice is not None:
        added = [s.added_by_volume.typical[-1] for s in served]
        assert added[0] > added[1] > added[2]


def test_without_ice_a_drink_warms_from_sip_to_sip_and_keeps_its_strength():
    made = serve(DRINK, -3.0, COUPE, 21.0, 10.0, 8)
    assert np.all(np.diff(made.temp_c.typical) > 0.0)
    assert np.ptp(made.abv_pct.typical) < 0.1
    assert np.all(made.ice_left_g.high == 0.0)


def test_ice_in_the_glass_keeps_a_drink_colder_and_thins_it():
    bare, iced = (serve(DRINK, -3.0, ROCKS, 21.0, 15.0, 6, ice=i) for i in (None, ICE))
    assert iced.temp_c.typical[-1] < bare.temp_c.typical[-1]
    assert iced.added_by_volume.typical[-1] > 0.1 > bare.added_by_volume.typical[-1]


def test_small_ice_thins_a_drink_sooner_than_one_large_piece():
    small = GlassIce(100.0, -1.0, IceShape.CRACKED, 15.0)
    large = GlassIce(100.0, -1.0, IceShape.BLOCK, 50.0)
    served = [serve(DRINK, 5.0, ROCKS, 21.0, 5.0, 4, ice=i) for i in (small, large)]
    assert served[0].added_by_volume.typical[0] > served[1].added_by_volume.typical[0]


def test_with_ice_at_rest_a_shielded_drink_settles_on_its_freezing_point():
    ice = GlassIce(150.0, 0.0, IceShape.CRACKED, 15.0)
    end = stand(poured(DRINK, 10.0, 10.0, ice), ROCKS, Conditions(Room(), room_scale=0.0), 3600.0, ice)
    assert end.temp_c == pytest.approx(freezing_point_c(end.liquid), abs=0.05)
    assert end.cup_temp_c == pytest.approx(end.temp_c, abs=0.05)


def test_all_ice_melts_in_a_warm_room_given_time():
    ice = GlassIce(10.0, -5.0, IceShape.CRACKED, 15.0)
    end = stand(poured(DRINK, 20.0, 21.0, ice), ROCKS, Conditions(Room()), 1800.0, ice)
    assert end.ice_g == 0.0
    assert end.liquid.mass_g == pytest.approx(DRINK.mass_g + 10.0 + end.vapour_g, abs=1e-9)


def test_lanes_are_each_of_them_alone():
    around = spread(Room())
    together = stand(poured(DRINK, -3.0, 4.0, ICE, (9,)), ROCKS, around, 300.0, ICE)
    k = 7
    alone = Conditions(Room(), np.ravel(around.room_scale)[k], np.ravel(around.contact_scale)[k])
    one = stand(poured(DRINK, -3.0, 4.0, ICE), ROCKS, alone, 300.0, ICE)
    assert float(together.temp_c[k]) == pytest.approx(float(one.temp_c[0]), abs=0.02)
    assert np.ravel(around.room_scale)[TYPICAL_LANE] == np.ravel(around.contact_scale)[TYPICAL_LANE] == 1.0


def test_ranges_hold_the_usual_value():
    made = serve(DRINK, -3.0, COUPE, 4.0, 5.0, 4)
    assert np.all(made.temp_c.low <= made.temp_c.typical) and np.all(made.temp_c.typical <= made.temp_c.high)


def test_a_frozen_glass_that_freezes_a_weak_drink_says_so():
    heavy = Cup("heavy", CupMaterial.SODA_LIME, 600.0, 300.0, 78.0)
    weak = Liquid(4.0, 4.0, 90.0, 0.0)
    assert serve(weak, 0.0, heavy, -15.0, 3.0, 3).freezes
    assert not serve(weak, 0.0, heavy, 4.0, 3.0, 3).freezes


@pytest.mark.parametrize(
    "ask",
    [
        lambda: serve(DRINK, -3.0, COUPE, 4.0, 10.0, ice=GlassIce(150.0)),
        lambda: serve(DRINK, -3.0, COUPE, 4.0, 10.0, 1),
        lambda: serve(DRINK, -3.0, COUPE, 4.0, 200.0),
        lambda: serve(DRINK, -3.0, COUPE, 4.0, 0.1),
        lambda: serve(DRINK, -20.0, COUPE, 4.0, 10.0),
        lambda: serve(DRINK, -3.0, COUPE, -30.0, 10.0),
        lambda: poured(Liquid(0.0, 0.0, 0.0, 0.0), 5.0, 5.0),
        lambda: Cup("nothing", CupMaterial.STEEL, 0.0, 100.0, 60.0),
    ],
)
def test_what_cannot_be_is_refused(ask):
    with pytest.raises(ModelRangeError):
        ask()


def test_floating_ice_takes_room_by_its_weight():
    require_fits(ROCKS, 200.0, 100.0)
    with pytest.raises(ModelRangeError, match="do not fit"):
        require_fits(ROCKS, 200.0, 101.0)
