"""The simulated rig: real lines over a real port, of a drink that behaves as drinks do."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from rig.bench import Ice, IceShape, Ingredient, Motion, Recipe
from rig.capture.decoding.lines import LineSplitter
from rig.capture.decoding.readings import Identity, Reading
from rig.capture.decoding.wire import WireDecoder
from rig.capture.devices.ports import PortSpec
from rig.capture.devices.simulated.drink import Hands, SimulatedDrink, make_drink
from rig.capture.devices.simulated.rig import SimulatedRig
from rig.capture.devices.transport import Link, Refusal, open_link
from rig.errors import PortError
from tests.capture.unruly import UnrulyDevice

drink_of = cache(make_drink)


def link_to(spec: str | PortSpec) -> Link:
    link = open_link(spec if isinstance(spec, str) else spec.address)
    assert not isinstance(link, Refusal), link
    return link


def hear(link: Link, splitter: LineSplitter, lines: int) -> list[object]:
    said: list[object] = []
    silences = 0
    while len(said) < lines:
        arrival = link.read()
        silences += arrival is None
        assert silences < 25, f"only {len(said)} of {lines} lines"
        if arrival is not None:
            said += [WireDecoder().decode(line) for line in splitter.feed(arrival.data)]
    return said


@pytest.fixture
def device(tmp_path: Path) -> Iterator[UnrulyDevice]:
    device = UnrulyDevice(tmp_path / "probe", lambda s: [("probe", 20 - s, "C")], rate_hz=10)
    yield device
    device.close()


def test_every_line_is_a_valid_reading_with_counts_and_ticks_in_step(device: UnrulyDevice) -> None:
    link = link_to(device.address)
    device.identify()
    device.send(30)
    identity, *readings = hear(link, LineSplitter(), 31)
    assert isinstance(identity, Identity)
    assert identity.board == "sim-1"
    assert [r.sequence for r in readings if isinstance(r, Reading)] == list(range(30))
    assert [r.tick_ms for r in readings if isinstance(r, Reading)] == [100 * n for n in range(30)]
    link.close()


def test_the_board_clock_wraps_as_a_32_bit_count_does(tmp_path: Path) -> None:
    device = UnrulyDevice(tmp_path / "old", lambda s: [("probe", 1.0, "C")], first_tick_ms=2**32 - 150)
    link = link_to(device.address)
    device.send(4)
    ticks = [r.tick_ms for r in hear(link, LineSplitter(), 4) if isinstance(r, Reading)]
    assert ticks == [2**32 - 150, 2**32 - 50, 50, 150]
    link.close()
    device.close()


def test_a_boot_starts_count_and_clock_anew_and_names_the_board(device: UnrulyDevice) -> None:
    link = link_to(device.address)
    device.send(5)
    device.reset()
    device.send(2)
    said = hear(link, LineSplitter(), 8)
    assert isinstance(said[5], Identity)
    assert [(r.sequence, r.tick_ms) for r in said[6:] if isinstance(r, Reading)] == [(0, 0), (1, 100)]
    link.close()


def test_unplugged_it_is_gone_and_replugged_it_has_another_name(device: UnrulyDevice) -> None:
    was = device.link.readlink()
    link = link_to(device.address)
    device.unplug()
    with pytest.raises(PortError):
        while True:
            link.read()
    link.close()
    assert isinstance(open_link(device.address), Refusal)
    device.replug()
    assert device.link.readlink() != was
    link_to(device.address).close()


def test_no_fault_of_a_line_makes_a_reading(device: UnrulyDevice) -> None:
    link, splitter = link_to(device.address), LineSplitter()
    device.garbage(200, seed=3)
    device.wrong_speed(50)
    device.endless_line(1000)
    device.write(b"\n")
    device.identify()
    said: list[object] = []
    while not any(isinstance(s, Identity) for s in said):
        said += hear(link, splitter, 1)
    assert not any(isinstance(s, Reading) for s in said)
    assert splitter.overlong == 1
    link.close()


def test_the_same_seed_is_the_same_drink_and_another_is_not() -> None:
    one, again, other = make_drink(5), make_drink(5), make_drink(6)
    assert np.array_equal(one.course.temp_c, again.course.temp_c)
    assert one.strained_g(12.0) == again.strained_g(12.0)
    assert abs(one.temp_c(12.0) - other.temp_c(12.0)) > 0.01


def test_seeds_vary_hands_ice_and_start() -> None:
    drinks = [drink_of(seed) for seed in range(4)]
    for what in ("strength", "film_g", "drink_temp_c", "cadence"):
        values = [float(getattr(d.charge, what)[0]) for d in drinks]
        assert np.std(values) > 0, what


@pytest.mark.parametrize("seed", range(3))
def test_a_drink_cools_and_thins_while_moved_and_heat_is_kept(seed: int) -> None:
    drink = drink_of(seed)
    after_s = np.array([0.0, 3.0, 6.0, 12.0, 24.0])
    temps = [drink.temp_c(t) for t in after_s]
    added = [drink.added_g(t) for t in after_s]
    assert all(np.diff(temps) < 0)
    assert all(np.diff(added) > 0)
    assert temps[-1] < 2.0
    moved_j = float(drink.course.heat_moved_j[0])
    assert abs(float(drink.course.heat_residual_j[0])) < 1e-3 * moved_j
    strained = drink.strained_g(12.0)
    assert drink.drink_mass_g < strained < drink.drink_mass_g + added[-1] + 5.0


def test_it_is_made_of_what_the_bench_has() -> None:
    recipe = Recipe(
        "custom", (Ingredient("coffee", mass_g=60.0), Ingredient("rum", volume_ml=40, abv_pct=40))
    )
    made = make_drink(
        3, recipe, motion=Motion.STIR, vessel="jam jar", ice=Ice("pond", IceShape.CRUSHED), ice_mass_g=150.0
    )
    assert made.plan.setting.technique == "stir"
    assert made.plan.setting.ice == "crushed"
    assert made.drink_mass_g == pytest.approx(60 + 40 * 0.95, rel=0.06)
    assert made.ice_mass_g == pytest.approx(150.0, rel=0.12)


def hands_of(drink: SimulatedDrink) -> tuple[Hands, list[float]]:
    now = [0.0]
    return Hands(drink, lambda: now[-1]), now


def test_the_probe_follows_the_drink_by_its_lag() -> None:
    drink = drink_of(4)
    hands, now = hands_of(drink)
    before = [hands.probe_c(t / 10) for t in range(20)]
    now.append(2.0)
    hands.start()
    during = [hands.probe_c(2.0 + t / 10) for t in range(1, 121)]
    now.append(14.0)
    hands.stop()
    after = [hands.probe_c(14.0 + t / 10) for t in range(1, 100)]
    tools = drink.world.instruments
    assert np.mean(before) == pytest.approx(drink.temp_c(0.0) + tools.probe_offset_k, abs=0.3)
    assert during[9] > drink.temp_c(1.0)
    assert np.mean(after[-40:]) == pytest.approx(drink.temp_c(12.0) + tools.probe_offset_k, abs=0.3)


def test_the_scale_settles_at_what_lies_on_it() -> None:
    hands, _ = hands_of(drink_of(4))
    hands.scale_g(0.0)
    hands.put_on_scale(312.4)
    shown = [hands.scale_g(0.1 * n) for n in range(1, 40)]
    assert shown[0] < 300
    assert np.mean(shown[-20:]) == pytest.approx(312.4, abs=0.2)


def test_the_motion_sensor_moves_only_while_hands_do() -> None:
    drink = drink_of(4)
    hands, now = hands_of(drink)
    assert hands.cadence_hz(1.0) == 0.0
    now.append(2.0)
    hands.start()
    assert np.mean([hands.cadence_hz(3.0) for _ in range(50)]) == pytest.approx(drink.cadence_hz, rel=0.05)
    now.append(5.0)
    hands.stop()
    assert hands.cadence_hz(5.0) == 0.0
    assert hands.moved_s == pytest.approx(3.0)


def test_a_rig_sends_by_itself_until_it_is_put_away() -> None:
    with SimulatedRig(make_drink(1), time_scale=20) as rig:
        links = [link_to(spec) for spec in rig.ports]
        for link, channels in zip(links, ({"probe", "cadence"}, {"scale"}), strict=True):
            said = [s for s in hear(link, LineSplitter(), 20) if isinstance(s, Reading)]
            assert {x.channel for x in said[-1].samples} == channels
            link.close()
    assert not Path(rig.ports[0].address).exists()
