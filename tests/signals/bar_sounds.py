"""Made-up sound of a bar: ice struck in a vessel by a hand, over music, voices, a grinder or a scoop; seeded.

Nothing of it comes from the program: a stroke is a burst of short ringing knocks (modes of the vessel's wall), two a
cycle, one at each end, by a hand whose strokes vary in time and strength.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfilt

RATE_HZ = 22_050
MODES_HZ = {
    "metal": (2700, 4300, 6200, 8100),
    "glass": (3400, 5200, 7600, 9300),
    "plastic": (1900, 2600, 3800, 5200),
}
RINGING_S = {"metal": 0.030, "glass": 0.018, "plastic": 0.007}
CYCLE_SD, STRENGTH_SD = 0.04, 0.25


@dataclass(frozen=True)
class Shake:
    """A made-up shake: samples, and when its first and last knock truly were."""

    samples: np.ndarray
    start_s: float
    stop_s: float
    cadence_hz: float


def shake(
    rng: np.random.Generator, vessel: str, cadence_hz: float, lasts_s: float, *, quiet_s: float = 4.0
) -> Shake:
    """Ice shaken in a vessel between two rests."""
    out = np.zeros(int((lasts_s + 2 * quiet_s) * RATE_HZ))
    cycles = 1.0 / cadence_hz * (1.0 + CYCLE_SD * rng.standard_normal(int(lasts_s * cadence_hz) + 1))
    at = quiet_s + np.concatenate([[0.0], np.cumsum(cycles)])
    other_end = at[:-1] + cycles * (0.5 + 0.03 * rng.standard_normal(cycles.size))
    knocks = np.sort(np.concatenate([at[:-1], other_end]))
    near, far = 1.0, rng.uniform(0.55, 0.9)
    for k, t in enumerate(knocks):
        strength = (near if k % 2 == 0 else far) * np.exp(STRENGTH_SD * rng.standard_normal())
        for _ in range(6):  # several pieces of ice, a little apart
            _knock(out, rng, t + rng.exponential(0.006), vessel, strength * rng.uniform(0.3, 1.0))
    true_hz = (knocks.size - 1) / 2.0 / (knocks[-1] - knocks[0])
    return Shake(out / np.sqrt(np.mean(out[out != 0.0] ** 2)), knocks[0], knocks[-1], true_hz)


def _knock(out: np.ndarray, rng: np.random.Generator, at_s: float, vessel: str, strength: float) -> None:
    first = int(at_s * RATE_HZ)
    t = np.arange(min(int(0.12 * RATE_HZ), out.size - first)) / RATE_HZ
    if t.size <= 0:
        return
    ring = sum(
        rng.uniform(0.3, 1.0) * np.sin(2 * np.pi * f * t + rng.uniform(0, 6.28)) for f in MODES_HZ[vessel]
    )
    out[first : first + t.size] += strength * np.exp(-t / RINGING_S[vessel]) * ring


def music(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """Chords, a bass, a drum and a cymbal to a steady beat."""
    t = np.arange(int(lasts_s * RATE_HZ)) / RATE_HZ
    out = np.zeros(t.size)
    beat_s = 60.0 / rng.uniform(90, 130)
    for k, begin in enumerate(np.arange(0.0, lasts_s, beat_s)):
        first, size = int(begin * RATE_HZ), int(beat_s * RATE_HZ)
        local = t[first : first + size] - begin
        root = 110.0 * 2 ** (rng.integers(0, 12) / 12)
        for ratio in (0.5, 1.0, 1.25, 1.5, 2.0):
            out[first : first + size] += 0.4 * np.exp(-local / 0.6) * np.sin(2 * np.pi * root * ratio * local)
        for half in (0, 1):
            hat = int((begin + 0.5 * half * beat_s) * RATE_HZ)
            hiss = rng.standard_normal(min(int(0.05 * RATE_HZ), max(out.size - hat, 0)))
            out[hat : hat + hiss.size] += 0.15 * hiss * np.exp(-np.arange(hiss.size) / RATE_HZ / 0.02)
        if k % 2 == 0:
            out[first : first + size] += np.exp(-local / 0.1) * np.sin(2 * np.pi * 60.0 * local)
    return _unit(out)


def voices(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """Several people who talk: syllables of voiced and hissing sound."""
    out = np.zeros(int(lasts_s * RATE_HZ))
    for _ in range(4):
        at = rng.uniform(0, 1)
        while at < lasts_s - 0.4:
            lasts = rng.uniform(0.08, 0.3)
            first, size = int(at * RATE_HZ), int(lasts * RATE_HZ)
            t, shape = np.arange(size) / RATE_HZ, np.hanning(size)
            pitch = rng.uniform(90, 260)
            voiced = sum(np.sin(2 * np.pi * pitch * n * t) / n for n in range(1, 14))
            hiss = sosfilt(
                butter(2, (2500, 7000), "band", fs=RATE_HZ, output="sos"), rng.standard_normal(size)
            )
            out[first : first + size] += shape * (voiced if rng.uniform() < 0.8 else 0.7 * hiss)
            at += lasts + rng.exponential(0.15)
    return _unit(out)


def grinder(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """A motor's hum and beans that break."""
    t = np.arange(int(lasts_s * RATE_HZ)) / RATE_HZ
    hum = sum(np.sin(2 * np.pi * 50 * n * t) / n for n in range(1, 20))
    return _unit(hum + 1.5 * rng.standard_normal(t.size))


def scoop(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """Ice dug out and dropped: knocks in heaps, at no beat."""
    out = np.zeros(int(lasts_s * RATE_HZ))
    for heap in np.cumsum(rng.exponential(2.5, int(lasts_s / 2.0))):
        for at in heap + np.sort(rng.exponential(0.15, rng.integers(4, 15))):
            if at < lasts_s - 0.2:
                _knock(out, rng, float(at), "plastic", float(rng.uniform(0.3, 1.0)))
    return _unit(out)


NOISES = {"music": music, "voices": voices, "grinder": grinder, "scoop": scoop}


def over(sound: Shake, noise: np.ndarray, signal_to_noise_db: float) -> np.ndarray:
    """The shake over a noise whose power lies so far below that of the shake while it lasts."""
    return sound.samples + noise[: sound.samples.size] * 10 ** (-signal_to_noise_db / 20.0)


def _unit(x: np.ndarray) -> np.ndarray:
    return np.asarray(x / np.sqrt(np.mean(x**2)))
