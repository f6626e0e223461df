"""Weigh-ins from a scale's stream: plateaus found, steps named, the doubtful said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import reduce

import numpy as np
import pytest

from rig.capture.to_run.weighing import (
    PanState,
    Step,
    StepKind,
    WeighIn,
    accept,
    advance,
    skip,
)
from rig.session.way import Way
from rig.signals.scale import Plateau, PlateauFinder, plateaus

RATE_HZ = 10.0


class Pan:
    """A simulated scale: what is done on the pan, reading by reading, resolution 0.1 g."""

    def __init__(self, seed: int = 1, noise_g: float = 0.05, drift_g_per_s: float = 0.0) -> None:
        self._rng = np.random.default_rng(seed)
        self._noise_g, self._drift = noise_g, drift_g_per_s
        self.mass_g: list[float] = []
        self._level = 0.0

    @property
    def time_s(self):
        return np.arange(len(self.mass_g)) / RATE_HZ

    def _read(self, true_g: float) -> None:
        drift = self._drift * len(self.mass_g) / RATE_HZ
        self.mass_g.append(round(true_g + drift + self._rng.normal(0, self._noise_g), 1))

    def rest(self, seconds: float = 4.0) -> Pan:
        for _ in range(int(seconds * RATE_HZ)):
            self._read(self._level)
        return self

    def pour(self, grams: float, seconds: float = 3.0) -> Pan:
        for share in np.linspace(0, 1, int(seconds * RATE_HZ) + 1)[1:]:
            self._read(self._level + grams * share)
        self._level += grams
        return self

    def put(self, grams: float) -> Pan:
        self._level += grams
        for swing in (8.0, -5.0, 2.0, -1.0):
            self._read(self._level + swing)
        return self

    def knock(self) -> Pan:
        for swing in (25.0, -14.0, 6.0, -3.0):
            self._read(self._level + swing)
        return self

    def lean(self, grams: float, seconds: float) -> Pan:
        for _ in range(int(seconds * RATE_HZ)):
            self._read(self._level + grams)
        return self

    def tare(self) -> Pan:
        self._level = 0.0
        return self

    def found(self):
        return plateaus(self.time_s, self.mass_g)

    def named(self, steps) -> PanState:
        return named(self.found(), steps)


RECIPE = (("coffee concentrate", 52.0), ("dark spirit", 33.2), ("syrup", 18.5))


def steps_of(vessel_g: float | None = None) -> tuple[Step, ...]:
    way = Way("shake", tuple(RECIPE), vessel_g)
    return (*way.before, *way.after)


def named(found: Iterable[Plateau], steps: Sequence[Step]) -> PanState:
    return reduce(advance, found, PanState(tuple(steps)))


STEPS = steps_of()


def whole_weigh_in(pan: Pan) -> Pan:
    pan.rest().put(235.0).rest().pour(52.4).rest().pour(33.0).rest().pour(18.9).rest()
    pan.put(110.0).rest(3).put(98.5).rest()
    pan.put(-547.8).rest(20).put(545.6).rest().put(-545.6).rest(3)
    return pan.put(160.0).rest().pour(141.3, 6).rest()


def masses(state: PanState) -> dict[str, float]:
    return {w.step.name: w.mass_g for w in state.named}


TRUTH = {
    "empty vessel": 235.0,
    "coffee concentrate": 52.4,
    "dark spirit": 33.0,
    "syrup": 18.9,
    "ice": 208.5,
    "empty glass": 160.0,
    "strained": 141.3,
}


class TestPlateaus:
    def test_a_plateau_has_value_spread_and_time(self):
        (plateau,) = Pan(noise_g=0.1).rest(5).found()
        assert plateau.mass_g == pytest.approx(0.0, abs=0.05)
        assert 0.07 < plateau.std_g < 0.15
        assert (plateau.start_s, plateau.stop_s) == (0.0, pytest.approx(4.9))
        assert plateau.readings == 50 and not plateau.drifting

    def test_a_pour_is_no_plateau(self):
        found = Pan().rest().pour(50, 20).rest().found()
        assert [round(p.mass_g) for p in found] == [0, 50]

    def test_a_slow_drift_is_one_plateau_that_says_so(self):
        (plateau,) = Pan(drift_g_per_s=0.03, noise_g=0.02).rest(60).found()
        assert plateau.drifting
        assert plateau.last_g - plateau.first_g == pytest.approx(1.8, abs=0.2)

    def test_overload_and_the_scales_own_mark_end_a_plateau(self):
        pan = Pan().rest(6)
        assert len(pan.found()) == 1
        overload = list(pan.mass_g)
        overload[30] = float("nan")
        assert len(plateaus(pan.time_s, overload)) == 2
        settled = np.arange(60) != 30
        assert len(plateaus(pan.time_s, pan.mass_g, settled=settled)) == 2

    def test_two_readings_of_a_slow_balance_are_not_enough(self):
        assert plateaus([0.0, 2.0], [5.0, 5.0]) == ()
        assert len(plateaus([0.0, 1.0, 2.0], [5.0, 5.0, 5.0])) == 1

    def test_an_empty_stream_has_no_plateau(self):
        assert plateaus([], []) == ()
        assert PlateauFinder().finish() is None


class TestNaming:
    @pytest.mark.parametrize("seed", range(5))
    def test_a_whole_weigh_in_is_named(self, seed):
        state = whole_weigh_in(Pan(seed)).named(STEPS)
        assert masses(state) == pytest.approx(TRUTH, abs=0.15)
        assert state.expecting is None
        assert state.returned_g == pytest.approx(545.6, abs=0.15)
        assert state.doubts == ()
        assert all(0 < w.std_g < 0.2 for w in state.named)

    def test_times_lie_in_the_plateaus_and_rise(self):
        state = whole_weigh_in(Pan()).named(STEPS)
        times = [w.time_s for w in state.named]
        assert times == sorted(times)
        assert 4.0 < times[0] < 9.0

    @pytest.mark.parametrize("seed", range(3))
    def test_knocks_and_a_lift_in_between_change_nothing(self, seed):
        pan = Pan(seed).rest().put(235.0).rest().knock().rest().pour(52.4).rest().knock().rest(2)
        pan.put(-287.4).rest(3).put(287.4).rest().pour(33.0).rest()
        state = pan.named(STEPS)
        assert masses(state) == pytest.approx(dict(list(TRUTH.items())[:3]), abs=0.15)
        assert state.doubts == ()

    def test_a_hand_on_the_pan_is_said_and_spoils_nothing(self):
        pan = Pan().rest().put(235.0).rest().lean(300.0, 3).rest().pour(52.4).rest()
        state = pan.named(STEPS)
        assert masses(state) == pytest.approx(dict(list(TRUTH.items())[:2]), abs=0.15)
        assert [d.what for d in state.doubts] == ["+300.0 g where 52.0 g of coffee concentrate were to come"]

    def test_drift_between_the_steps_does_not_enter_the_masses(self):
        pan = Pan(drift_g_per_s=0.02)
        pan.rest().put(235.0).rest(60).pour(52.4).rest(60).pour(33.0).rest(10)
        weighed = pan.named(STEPS).named
        assert [w.mass_g for w in weighed[1:]] == pytest.approx([52.4, 33.0], abs=0.2)
        assert "drifted by +1." in weighed[0].doubt

    def test_a_pause_in_the_pour_is_waited_for(self):
        state = Pan().rest().put(235.0).rest().pour(20.0).rest().pour(32.4).rest().named(STEPS)
        assert masses(state)["coffee concentrate"] == pytest.approx(52.4, abs=0.15)
        assert state.doubts == ()

    def test_a_scale_set_to_zero_between_steps_is_followed(self):
        pan = Pan().rest().put(235.0).rest().tare().rest().pour(52.4).rest().tare().rest().pour(33.0).rest()
        state = pan.named(STEPS)
        assert masses(state) == pytest.approx(dict(list(TRUTH.items())[:3]), abs=0.15)
        assert "set to zero" in state.named[1].doubt

    def test_two_ingredients_poured_together_are_said_not_guessed(self):
        state = Pan().rest().put(235.0).rest().pour(85.2).rest().named(STEPS)
        assert [w.step.name for w in state.named] == ["empty vessel"]
        assert state.doubts[-1].what == "+85.2 g could be coffee concentrate, dark spirit poured together"

    def test_a_step_left_out_is_said_not_guessed(self):
        state = Pan().rest().put(235.0).rest().pour(33.2).rest().named(STEPS)
        assert [w.step.name for w in state.named] == ["empty vessel"]
        assert "dark spirit with coffee concentrate left out" in state.doubts[-1].what

    def test_what_a_person_says_settles_it(self):
        found = Pan().rest().put(235.0).rest().pour(33.2).rest().found()
        state = named(found[:2], STEPS)
        by_skipping = skip(state)
        assert by_skipping.expecting is not None and by_skipping.expecting.name == "dark spirit"
        by_accepting = accept(state, found[2])
        assert by_accepting.named[-1].step.name == "coffee concentrate"
        assert by_accepting.named[-1].mass_g == pytest.approx(33.2, abs=0.15)

    def test_ice_followed_by_a_like_mass_is_named_with_a_doubt(self):
        steps = (Step("tin", StepKind.VESSEL), Step("ice"), Step("soda", expected_g=60.0))
        state = Pan().rest().put(200.0).rest().put(100.0).rest().put(61.0).rest().named(steps)
        assert masses(state) == pytest.approx({"tin": 200.0, "ice": 100.0, "soda": 61.0}, abs=0.15)
        assert state.named[-1].doubt == "could be more ice"

    def test_a_known_vessel_is_not_mistaken_for_another(self):
        steps = steps_of(vessel_g=235.0)
        state = Pan().rest().put(410.0).rest().named(steps)
        assert state.named == ()
        assert state.doubts[0].what == "410.0 g where the empty vessel should weigh 235.0 g"

    def test_a_small_dash_counts_once_it_is_poured_and_not_before(self):
        steps = (Step("tin", StepKind.VESSEL), Step("bitters", expected_g=1.6))
        resting = Pan().rest().put(200.0).rest().knock().rest()
        assert len(resting.named(steps).named) == 1
        assert masses(resting.pour(1.7, 2).rest().named(steps))["bitters"] == pytest.approx(1.7, abs=0.15)

    def test_more_on_the_pan_after_the_last_step_is_said(self):
        steps = (Step("tin", StepKind.VESSEL),)
        state = Pan().rest().put(200.0).rest().put(50.0).rest().named(steps)
        assert "after the last step" in state.doubts[-1].what


class TestAsItHappens:
    def test_the_causal_weigh_in_ends_as_the_whole_stream_does(self):
        pan = whole_weigh_in(Pan(3))
        live = WeighIn(STEPS)
        for t, m in zip(pan.time_s, pan.mass_g, strict=True):
            live.update(float(t), m)
        assert live.state == pan.named(STEPS)

    def test_a_step_is_named_within_two_seconds_of_resting(self):
        pan = Pan(3).rest().put(235.0).rest(2.0)
        live = WeighIn(STEPS)
        for t, m in zip(pan.time_s, pan.mass_g, strict=True):
            live.update(float(t), m)
        assert masses(live.state) == pytest.approx({"empty vessel": 235.0}, abs=0.15)
        assert live.plateau is not None

    def test_named_steps_are_never_taken_back(self):
        pan = whole_weigh_in(Pan(4))
        live, names = WeighIn(STEPS), []
        for t, m in zip(pan.time_s, pan.mass_g, strict=True):
            live.update(float(t), m)
            now = [w.step.name for w in live.state.named]
            assert now[: len(names)] == names
            names = now

    def test_accepting_needs_a_steady_scale(self):
        live = WeighIn(STEPS)
        assert not live.accept()
        pan = Pan().rest().put(235.0).rest().pour(70.0).rest()
        for t, m in zip(pan.time_s, pan.mass_g, strict=True):
            live.update(float(t), m)
        assert live.accept()
        assert live.state.named[-1].mass_g == pytest.approx(70.0, abs=0.15)
        live.skip()
        assert live.state.expecting is not None and live.state.expecting.name == "syrup"
