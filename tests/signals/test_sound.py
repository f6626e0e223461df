"""A shake is heard through a bar's noise; noise alone is no shake."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import NotEnoughData
from rig.signals.moments import Source
from rig.signals.sound import (
    FASTEST_HZ,
    FRAME_S,
    SHORTEST_S,
    BandMeter,
    HeardShake,
    band_power,
    hear_power,
    hear_shake,
)
from tests.judge.hearing import EDGE_S, FAMILIES, Right, by_file, takes
from tests.signals.bar_sounds import MODES_HZ, NOISES, RATE_HZ, music, over, shake


def _heard(seed: int, signal_to_noise_db: float, sounds: str = "bar") -> list[Right]:
    """Of one shake in each vessel over each noise: whether start, stop and cadence are right."""
    return [by_file(take) for take in takes(FAMILIES[sounds], seed, signal_to_noise_db)]


UNSEEN = (201, 202, 203, 204, 205, 206)
"""Seeds that nothing was tuned on."""


@pytest.mark.parametrize(("signal_to_noise_db", "least"), [(10.0, 0.95), (0.0, 0.85)])
def test_start_stop_and_cadence_are_heard_over_the_room(signal_to_noise_db: float, least: float) -> None:
    right = np.array([r for seed in UNSEEN for r in _heard(seed, signal_to_noise_db)])
    assert np.all(right.mean(axis=0) >= least), right.mean(axis=0)


def test_a_hand_that_winds_up_in_a_room_with_an_echo_is_heard_nearly_as_well() -> None:
    """Sounds written apart from those above; the README has what more of them come to, and what is asked."""
    right = np.array([r for seed in (1001, 1002) for r in _heard(seed, 10.0, "counter")])
    assert np.all(right.mean(axis=0) >= 0.9), right.mean(axis=0)


def test_a_shake_that_goes_on_is_never_said_to_have_stopped_whenever_one_looks() -> None:
    """A hand is uneven: while it has not been heard to rest, a softer second is no rest."""
    rng = np.random.default_rng(8)
    made = shake(rng, "metal", 3.6, 7.0, quiet_s=3.0)
    power = band_power(over(made, music(rng, made.samples.size / RATE_HZ + 0.1), 15.0), RATE_HZ)
    for end_s in np.arange(made.start_s + SHORTEST_S + 0.5, made.stop_s + 0.5, 0.1):
        heard = hear_power(power[: round(end_s / FRAME_S)])
        assert heard.goes_on
        assert heard.start.time_s == pytest.approx(made.start_s, abs=EDGE_S)
        assert heard.stop.time_s == pytest.approx(min(end_s, made.stop_s), abs=0.4)


@pytest.mark.parametrize("cut_s", [0.05, 0.12, 0.3])
def test_music_up_to_the_shake_is_not_its_start_though_nothing_was_heard_before_the_music(
    cut_s: float,
) -> None:
    """The first quarter of a second is no room to be louder than, wherever in a bar of the music it falls."""
    rng = np.random.default_rng(8)
    made = shake(rng, "metal", 3.6, 7.0, quiet_s=3.0)
    sound = over(made, music(rng, made.samples.size / RATE_HZ + 0.1), 15.0)
    power = band_power(sound[int(cut_s * RATE_HZ) :], RATE_HZ)
    for end_s in np.arange(3.2, 4.2, 0.1):
        with pytest.raises(NotEnoughData):
            hear_power(power[: round(end_s / FRAME_S)])


@pytest.mark.parametrize("noise", NOISES)
def test_a_room_without_a_shake_is_no_shake(noise: str) -> None:
    rng = np.random.default_rng(5)
    for _ in range(4):
        with pytest.raises(NotEnoughData):
            hear_shake(NOISES[noise](rng, 30.0), RATE_HZ)


def test_a_beat_slower_than_any_hands_is_no_shake() -> None:
    """Syllables that happen to come in time: knocks 0.45 s apart would be 1.1 strokes a second."""
    rng, beat_s = np.random.default_rng(3), 0.45
    out = np.zeros(int(14.0 * RATE_HZ))
    for at in 4.0 + beat_s * np.arange(14) + 0.02 * rng.standard_normal(14):
        t = np.arange(int(0.1 * RATE_HZ)) / RATE_HZ
        first = int(at * RATE_HZ)
        out[first : first + t.size] += np.exp(-t / 0.01) * rng.standard_normal(t.size)
    with pytest.raises(NotEnoughData):
        hear_shake(out + 1e-3 * rng.standard_normal(out.size), RATE_HZ)


def test_a_beat_more_exact_than_a_hands_is_a_machines() -> None:
    t = np.arange(int(12.0 * RATE_HZ)) / RATE_HZ
    clicks = np.exp(-(t % 0.125) / 0.006) * np.sin(2 * np.pi * 4000.0 * t) * ((t > 3.0) & (t < 9.0))
    with pytest.raises(NotEnoughData, match="more exact time than a hand"):
        hear_shake(clicks + 1e-4 * np.random.default_rng(1).standard_normal(t.size), RATE_HZ)


@pytest.mark.parametrize(("scale", "rate_hz"), [(1e-4, RATE_HZ), (30_000.0, RATE_HZ), (1.0, 44_100)])
def test_loudness_and_sampling_change_nothing(scale: float, rate_hz: float) -> None:
    made = shake(np.random.default_rng(2), "metal", 4.0, 8.0)
    at = np.arange(int(made.samples.size * rate_hz / RATE_HZ)) * RATE_HZ / rate_hz
    found: HeardShake = hear_shake(scale * np.interp(at, np.arange(made.samples.size), made.samples), rate_hz)
    assert found.cadence_hz == pytest.approx(made.cadence_hz, rel=0.02)
    assert found.duration_s == pytest.approx(made.stop_s - made.start_s, abs=0.3)
    assert 0.0 < found.cadence_std_hz < 0.2 and found.cadence_hz < FASTEST_HZ


@pytest.mark.parametrize(
    ("samples", "rate_hz", "says"),
    [
        (np.zeros(40_000), RATE_HZ, "no strokes|keeps no beat|nothing stands out"),
        (np.ones(4_000), RATE_HZ, "too short"),
        (np.ones(40_000), 4_000.0, "samples a second"),
    ],
)
def test_what_cannot_be_told_is_said(samples: np.ndarray, rate_hz: float, says: str) -> None:
    with pytest.raises(NotEnoughData, match=says):
        hear_shake(samples, rate_hz)


def test_cadence_is_counted_knock_by_knock_within_what_it_says() -> None:
    """Twelve takes over music, voices and machines: within one part in a hundred, whatever the first frame cut."""
    off = []
    for seed in range(8, 20):
        rng = np.random.default_rng(seed)
        made = shake(rng, list(MODES_HZ)[seed % 3], rng.uniform(2.2, 6.5), 7.0, quiet_s=3.0)
        noise = list(NOISES.values())[seed % len(NOISES)](rng, made.samples.size / RATE_HZ + 0.1)
        found = hear_shake(over(made, noise, 10.0), RATE_HZ)
        assert found.start.source is Source.SOUND
        off.append(found.cadence_hz / made.cadence_hz - 1.0)
        assert abs(found.cadence_hz - made.cadence_hz) < 2.0 * found.cadence_std_hz
    assert np.sqrt(np.mean(np.square(off))) < 0.005


@pytest.mark.parametrize("rate_hz", [8000.0, 22_050.0, 44_100.0, 48_000.0])
def test_a_frame_lasts_four_milliseconds_at_any_rate(rate_hz: float) -> None:
    """A click after ten seconds is in the frame of that time; at 44,100 a second frames are of 176 and 177 samples."""
    samples = np.zeros(int(12.0 * rate_hz))
    samples[int(10.001 * rate_hz)] = 1.0
    assert int(np.argmax(band_power(samples, rate_hz))) in (2500, 2501)


@pytest.mark.parametrize("rate_hz", [RATE_HZ, 44_100.0])
def test_sound_in_pieces_is_measured_as_the_whole(rate_hz: float) -> None:
    samples = np.random.default_rng(6).standard_normal(50_001)
    meter = BandMeter(rate_hz)
    pieces = [meter.add(piece) for piece in np.split(samples, [1, 40, 41, 7_000, 7_100, 30_000])]
    assert np.concatenate(pieces) == pytest.approx(band_power(samples, rate_hz))
