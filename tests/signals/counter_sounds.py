"""A second made-up sound of a bar, written apart from `bar_sounds`: what lies between a clean knock and a real counter.

Here the ice strikes as a burst of noise through the wall's resonances, not as a sum of tones; it rattles from one end
to the other; the hand winds up within its first strokes, drifts and comes to rest; the room answers with an echo; the
lid is tapped shut before, and the tin knocked open after. The noises are a blender that spins up, a tap, glasses that
clink, steam, a crowd, a song with a beat of its own, and ice that is scooped.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from scipy.signal import butter, fftconvolve, lfilter, sosfilt

from tests.signals.bar_sounds import RATE_HZ, Shake

WALLS_HZ = {"steel": (2300.0, 9000.0, 5), "tin on glass": (2800.0, 8000.0, 4), "polymer": (1500.0, 5000.0, 3)}
"""Where a wall rings, and in how many places."""
RINGS_S = {"steel": (0.008, 0.030), "tin on glass": (0.005, 0.018), "polymer": (0.002, 0.007)}


def shaken(rng: np.random.Generator, wall: str, hz: float, lasts_s: float, *, quiet_s: float = 4.0) -> Shake:
    """Ice shaken by a hand that winds up, drifts and comes to rest."""
    size = int((lasts_s + 2.0 * quiet_s) * RATE_HZ)
    at = _ends_s(rng, hz, lasts_s)
    strength = np.exp(rng.normal(0.0, 0.2, at.size))
    strength[1::2] *= rng.uniform(0.5, 1.0)
    wound_up = rng.integers(1, 4)
    strength[:wound_up] *= np.linspace(rng.uniform(0.35, 0.8), 1.0, wound_up + 1)[:-1]
    strength[-1] *= rng.uniform(0.5, 1.0)
    hits = np.zeros(size)
    for t, s in zip(quiet_s + at, strength, strict=True):
        for apart in np.sort(rng.gamma(1.2, 0.006, rng.integers(3, 9))):
            _strike(hits, rng, t + apart, s * rng.uniform(0.2, 1.0))
    for begin, end in pairwise(at):  # pieces that slide and roll between the ends
        for share in rng.uniform(0.15, 0.9, rng.poisson(6)):
            _strike(hits, rng, quiet_s + begin + share * (end - begin), rng.uniform(0.01, 0.08))
    out = _room(rng, _rung(rng, hits, wall))
    inside = out[int(quiet_s * RATE_HZ) : int((quiet_s + at[-1]) * RATE_HZ)]
    out = out / np.sqrt(np.mean(inside**2))
    if rng.random() < 0.5:  # the lid is tapped shut before, the tin knocked open after
        taps = np.zeros(size)
        for t in (quiet_s - rng.uniform(0.9, 2.0), quiet_s + at[-1] + rng.uniform(0.9, 2.0)):
            _strike(taps, rng, t, 1.0)
        ring = _rung(rng, taps, wall)
        out = out + ring / np.abs(ring).max() * 0.7 * np.abs(out).max()
    beats = (at.size - 1) / 2.0
    return Shake(out, quiet_s + at[0], quiet_s + at[-1], beats / (at[-1] - at[0]))


def _ends_s(rng: np.random.Generator, hz: float, lasts_s: float) -> np.ndarray:
    """When the ice strikes an end, from 0 s on: half a cycle each, uneven, wandering, slower or quicker by the end."""
    strokes = int(2.0 * hz * lasts_s)
    wander = lfilter([1.0], [1.0, -0.6], rng.normal(0.0, rng.uniform(0.02, 0.045), strokes))
    drift = 1.0 + rng.uniform(-0.06, 0.06) * np.linspace(-1.0, 1.0, strokes)
    half = 0.5 / hz * drift * (1.0 + wander)
    uneven = rng.uniform(-0.06, 0.06)
    half[::2] *= 1.0 + uneven
    half[1::2] *= 1.0 - uneven
    return np.concatenate([[0.0], np.cumsum(half)])


def _strike(hits: np.ndarray, rng: np.random.Generator, at_s: float, strength: float) -> None:
    first, size = int(at_s * RATE_HZ), int(0.002 * RATE_HZ)
    if 0 <= first < hits.size - size:
        hits[first : first + size] += strength * rng.standard_normal(size) * np.hanning(2 * size)[size:]


def _rung(rng: np.random.Generator, hits: np.ndarray, wall: str) -> np.ndarray:
    """Blows through the resonances of a wall."""
    low, high, places = WALLS_HZ[wall]
    out = 0.3 * hits
    for _ in range(places):
        hz, ring_s = rng.uniform(low, high), rng.uniform(*RINGS_S[wall])
        r = np.exp(-1.0 / (ring_s * RATE_HZ))
        out = out + lfilter([1.0 - r], [1.0, -2.0 * r * np.cos(2 * np.pi * hz / RATE_HZ), r * r], hits) * 3.0
    return np.asarray(out)


def _room(rng: np.random.Generator, dry: np.ndarray) -> np.ndarray:
    """With the echo of a room, 3 to 12 dB below."""
    decay_s, t = rng.uniform(0.15, 0.45), np.arange(int(0.6 * RATE_HZ)) / RATE_HZ
    echo = rng.standard_normal(t.size) * np.exp(-t / (decay_s / 3.0)) * (t > 0.004)
    echo *= 10 ** (-rng.uniform(3.0, 12.0) / 20.0) / np.sqrt(np.sum(echo**2))
    return np.asarray(dry + fftconvolve(dry, echo)[: dry.size])


def _time(lasts_s: float) -> np.ndarray:
    return np.arange(int(lasts_s * RATE_HZ)) / RATE_HZ


def _band(x: np.ndarray, low: float, high: float) -> np.ndarray:
    return np.asarray(sosfilt(butter(2, (low, high), "band", fs=RATE_HZ, output="sos"), x))


def blender(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """Blades that spin up, strike what is in the jar and slow down."""
    t = _time(lasts_s)
    on = np.clip(np.minimum((t - 0.1 * lasts_s) / 0.8, (0.95 * lasts_s - t) / 0.8), 0.0, 1.0)
    phase = 2 * np.pi * np.cumsum(rng.uniform(110, 180) * (0.3 + 0.7 * on)) / RATE_HZ
    whine = sum(np.sin(n * phase + rng.uniform(0, 6)) / n**0.7 for n in range(1, 25))
    gravel = np.repeat(np.exp(0.5 * rng.standard_normal(t.size // 400 + 1)), 400)[: t.size]
    return _unit(on * (whine + gravel * rng.standard_normal(t.size)) + 0.02 * rng.standard_normal(t.size))


def tap(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """Running water: hiss that swells, and drops."""
    t = _time(lasts_s)
    swell = 1.0 + 0.3 * np.sin(2 * np.pi * rng.uniform(0.2, 0.7) * t + rng.uniform(0, 6))
    return _unit(swell * _band(rng.standard_normal(t.size), 400.0, 7000.0))


def clinks(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """Glasses and plates set down: ringing knocks at no beat, over a murmur."""
    out = np.zeros(_time(lasts_s).size)
    for at in np.cumsum(rng.exponential(0.35, int(lasts_s / 0.2))):
        first = int(at * RATE_HZ)
        if first >= out.size:
            break
        t = np.arange(min(int(0.4 * RATE_HZ), out.size - first)) / RATE_HZ
        for _ in range(3):
            out[first : first + t.size] += (
                rng.uniform(0.1, 1.0)
                * np.exp(-t / rng.uniform(0.02, 0.12))
                * np.sin(2 * np.pi * rng.uniform(1800, 8000) * t)
            )
    return _unit(out + 0.3 * crowd(rng, lasts_s))


def steam(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """A wand in milk: hiss that begins and ends, tearing at times."""
    t = _time(lasts_s)
    on = 1.0 / (1.0 + np.exp(-(t - 0.2 * lasts_s) / 0.1)) * (t < 0.9 * lasts_s)
    tears = np.repeat(np.exp(0.6 * rng.standard_normal(t.size // 1500 + 1)), 1500)[: t.size]
    return _unit(
        on * tears * _band(rng.standard_normal(t.size), 800.0, 9500.0) + 0.01 * rng.standard_normal(t.size)
    )


def crowd(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """Many who talk at once: a voice through its formants, and sibilants.

    Above 500 Hz speech falls by some 9 dB an octave over a while (ANSI S3.5, from memory), so the third formant lies
    some 20 dB below the first.
    """
    t = _time(lasts_s)
    out = np.zeros(t.size)
    for _ in range(6):
        loud = _wandering(rng, t, 0.12, 0.2, 0.8)
        pitch = rng.uniform(95, 240) * (1 + 0.06 * np.sin(2 * np.pi * rng.uniform(0.3, 1.5) * t))
        pulse = np.diff(np.floor(np.cumsum(pitch) / RATE_HZ), prepend=0.0)
        voice = sum(
            level * _band(pulse, f, 1.25 * f)
            for level, f in ((1.0, rng.uniform(300, 800)), (0.25, rng.uniform(1000, 2200)), (0.07, 2600.0))
        )
        hiss = _wandering(rng, t, 0.1, -0.8, 1.0)
        out += loud * voice + 0.008 * hiss * _band(rng.standard_normal(t.size), 3500.0, 8500.0)
    return _unit(out)


def _wandering(rng: np.random.Generator, t: np.ndarray, every_s: float, mean: float, sd: float) -> np.ndarray:
    """A level that is drawn anew every so often and never below nothing."""
    at = np.arange(0.0, t[-1] + 2.0 * every_s, every_s)
    return np.maximum(np.interp(t, at, rng.normal(mean, sd, at.size)), 0.0)


def song(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """A band with a kit: kick, snare, hats in eighths or sixteenths that swing, and held chords."""
    t = _time(lasts_s)
    beat_s, swing = 60.0 / rng.uniform(80, 140), rng.uniform(0.0, 0.1)
    every = int(rng.choice([2, 4]))
    out = 0.3 * sum(np.sin(2 * np.pi * f * t) for f in rng.uniform(150, 900, 5))
    for n in range(int(lasts_s / beat_s * every)):
        at = beat_s * (n / every + (swing / every if n % 2 else 0.0))
        kinds = [(0.35, 0.02, 6000.0, 10000.0)]
        if n % (2 * every) == every:
            kinds.append((0.8, 0.08, 1200.0, 8000.0))
        if n % (2 * every) == 0:
            kinds.append((1.5, 0.1, 50.0, 160.0))
        for level, decay_s, low, high in kinds:
            first = int(at * RATE_HZ)
            size = min(int(0.2 * RATE_HZ), out.size - first)
            if size > 50:
                burst = _band(rng.standard_normal(size), low, high) * np.exp(
                    -np.arange(size) / RATE_HZ / decay_s
                )
                out[first : first + size] += level * rng.uniform(0.7, 1.1) * burst / np.abs(burst).max()
    return _unit(out)


def scooping(rng: np.random.Generator, lasts_s: float) -> np.ndarray:
    """A scoop driven into a bin of ice two or three times and tipped out, then a rest."""
    hits = np.zeros(_time(lasts_s).size)
    at = rng.uniform(0.0, 2.0)
    while at < lasts_s:
        for _ in range(rng.integers(1, 4)):
            for t in at + rng.gamma(2.0, 0.06, rng.integers(15, 40)):
                _strike(hits, rng, t, rng.uniform(0.05, 1.0))
            at += rng.uniform(0.5, 1.1)
        for t in at + rng.gamma(2.0, 0.12, rng.integers(15, 40)):
            _strike(hits, rng, t, rng.uniform(0.1, 1.0))
        at += rng.uniform(1.0, 5.0)
    return _unit(_room(rng, _rung(rng, hits, str(rng.choice(list(WALLS_HZ))))))


NOISES: dict[str, Callable[[np.random.Generator, float], np.ndarray]] = {
    f.__name__: f for f in (blender, tap, clinks, steam, crowd, song, scooping)
}


def _unit(x: np.ndarray) -> np.ndarray:
    return np.asarray(x / np.sqrt(np.mean(x**2)))
