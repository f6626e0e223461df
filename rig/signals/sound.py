"""What a microphone hears of a shake: when it began and stopped, its cadence and how even that was.

Ice strikes both ends of the vessel in every stroke, so that knocks come at twice the cadence. They are short and reach
high, where music and voices have little: onsets above `BAND_HZ` are found, and where they repeat at a beat that a
hand can keep, somebody shakes (autocorrelation of the onset strength; common in beat tracking, e.g. Ellis,
J. New Music Research 36 (2007) 51, from memory). A beat that keeps more exact time than a hand is a machine's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot
from typing import Any

import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d
from scipy.signal import butter, find_peaks, sosfilt

from rig.arrays import BoolArray, FloatArray
from rig.errors import NotEnoughData
from rig.signals.knock_chain import Chain, chain_of
from rig.signals.moments import Moment, Source

BAND_HZ = (1800.0, 9000.0)
LEAST_RATE_HZ = 8000.0
SLOWEST_HZ, FASTEST_HZ = 1.6, 7.5
"""Strokes a second that a hand makes (common practice, no source)."""
USUAL_CADENCE_HZ = 3.5
"""Half way between the two, as ratios go."""
SHORTEST_S = 3.0
FRAME_S = 0.004
"""How long power is averaged over: short beside the time between two knocks."""
_WINDOW_S, _STEP_S = 1.6, 0.1
_PAUSE_S, _REACH_S = 0.8, 3.0
STILL_S = 1.0
"""A shake whose last knock is nearer than this to the end of what was heard may still go on."""
_REPEATS, _CLEARLY = 0.22, 0.35
"""How strongly onsets must repeat where somebody shakes, and in its best stretch."""
_MACHINE_CV, _HAND_CV = 0.03, 0.21
"""A hand's time between knocks varies by more than the first of its mean, and what varies by more than the second is no
beat."""
_LEAST_LOUDER = 0.4
"""How much more power, as a logarithm, there must be in the band than before and after."""
_CLEAR = (1.0, 2.0)
"""Where a shake has so much more power than the room, as a logarithm, it begins to be clear of it, and is."""
_LEAST_REST_S = 0.5
"""So much of the room must be heard beside a shake, to tell that it is louder."""
_AS_MUCH = 0.3
"""What it falls by over what it rises by, or the other way round, where both are a shake's."""


@dataclass(frozen=True)
class HeardShake:
    """A shake as it sounds: start and stop, strokes a second with their standard uncertainty, and how even they were.

    `stroke_cv`: standard deviation of the time between knocks over its mean. `goes_on`: it had not stopped when what
    was heard of it ended; `stop` is then the last knock so far.
    """

    start: Moment
    stop: Moment
    cadence_hz: float
    cadence_std_hz: float
    stroke_cv: float
    goes_on: bool = False

    def later(self, by_s: float) -> HeardShake:
        """The same shake on a clock that began so much earlier."""
        start, stop = (replace(m, time_s=m.time_s + by_s) for m in (self.start, self.stop))
        return replace(self, start=start, stop=stop)

    @property
    def duration_s(self) -> float:
        """Seconds between the two."""
        return self.stop.time_s - self.start.time_s

    @property
    def duration_std_s(self) -> float:
        """Standard uncertainty of the duration [s]."""
        return float(np.hypot(self.start.uncertainty_s, self.stop.uncertainty_s))


def hear_shake(samples: FloatArray, rate_hz: float) -> HeardShake:
    """Find the longest shake in a sound.

    Parameters
    ----------
    samples
        (samples,) of one channel, any unit.
    rate_hz
        Samples a second, `LEAST_RATE_HZ` or more.

    Raises
    ------
    NotEnoughData
        Where no shake can be told from the room, with what was heard instead.
    """
    return hear_power(band_power(samples, rate_hz))


def band_sections(rate_hz: float) -> FloatArray:
    """Biquads (sections, 6) one after the other that leave the band, as b0 b1 b2 a0 a1 a2 with a0 = 1.

    A Butterworth band-pass of order 4, twice: run forward only, so that whoever hears live can run it as well.

    Raises
    ------
    NotEnoughData
        Where so few samples a second hold nothing of the band.
    """
    if rate_hz < LEAST_RATE_HZ:
        raise NotEnoughData(
            f"{rate_hz:g} samples a second hear no ice: record with {LEAST_RATE_HZ:g} or more"
        )
    once = butter(4, (BAND_HZ[0], min(BAND_HZ[1], 0.45 * rate_hz)), "band", fs=rate_hz, output="sos")
    return np.asarray(np.vstack([once, once]))


class BandMeter:
    """Mean square in the band, frame by frame, of sound that comes in pieces: all that a shake is heard by.

    Frame k holds the samples from ⌊k·FRAME_S·rate⌋ on, whatever the rate, and is told once it is whole.
    """

    def __init__(self, rate_hz: float) -> None:
        """Raises NotEnoughData as `band_sections`."""
        self._sections, self._frame = band_sections(rate_hz), FRAME_S * rate_hz
        self._held = np.zeros((len(self._sections), 2))
        self._told, self._begun = 0, np.zeros(0)

    def add(self, samples: FloatArray) -> FloatArray:
        """The frames (frames,) that are whole by now and were not before."""
        if len(samples) == 0:
            return np.zeros(0)
        passed, self._held = sosfilt(self._sections, np.asarray(samples, dtype=float), zi=self._held)
        square = np.concatenate([self._begun, passed**2])
        first = self._edge(self._told)
        frames = int((first + square.size) / self._frame + 1e-9)
        while self._edge(frames) > first + square.size:
            frames -= 1
        edges = self._edge(np.arange(self._told, frames + 1)) - first
        self._told, self._begun = frames, square[edges[-1] :]
        if edges.size < 2:
            return np.zeros(0)
        return np.asarray(np.add.reduceat(square[: edges[-1]], edges[:-1]) / np.diff(edges))

    def _edge(self, frame: Any) -> Any:
        return np.floor(frame * self._frame + 1e-9).astype(np.int64)


def band_power(samples: FloatArray, rate_hz: float) -> FloatArray:
    """The frames (frames,) of a whole sound, as `BandMeter` tells them.

    Raises
    ------
    NotEnoughData
        As `band_sections`.
    """
    return BandMeter(rate_hz).add(samples)


def hear_power(band: FloatArray) -> HeardShake:
    """Find the longest shake in the power of the band, frame by frame, as `band_power` has it.

    Raises
    ------
    NotEnoughData
        Where no shake can be told from the room, with what was heard instead.
    """
    if band.size * FRAME_S < _WINDOW_S:
        raise NotEnoughData(
            f"{band.size * FRAME_S:.1f} s of sound are too short: record before, during and after"
        )
    power, onset = _onsets(band)
    first, last = _shaken(onset)
    knock_s = _knock_s(onset[first:last])
    knocks = _knocks(onset, first, last, knock_s)
    rise, fall, smooth = _loud(power, first, last, knock_s)
    chain = _chain(onset, smooth, first, last, rise, fall, knock_s)
    start, stop = _edges(chain, knocks, rise, fall, knock_s)
    outside = np.concatenate([smooth[:rise], smooth[fall:]])
    rested = outside.size * FRAME_S >= _LEAST_REST_S and fall > rise
    louder = float(smooth[rise:fall].mean() - outside.mean()) if rested else 0.0
    inside = knocks[(knocks >= start.time_s) & (knocks <= stop.time_s)]
    cv = _evenness(inside, knock_s)
    if cv < _MACHINE_CV:
        raise NotEnoughData(
            "what repeats keeps more exact time than a hand: music or a machine, and no shake over it"
        )
    if louder < _LEAST_LOUDER or cv > _HAND_CV or stop.time_s - start.time_s < SHORTEST_S:
        raise NotEnoughData(
            "nothing stands out as a shake: record nearer to the shaker, with a rest before and after"
        )
    slack = 0.25 * knock_s
    moved = chain.between((start.time_s - slack) / FRAME_S, (stop.time_s + slack) / FRAME_S)
    cadence_hz = 0.5 / (moved.lag * FRAME_S or knock_s)
    if not SLOWEST_HZ <= cadence_hz <= FASTEST_HZ:
        raise NotEnoughData(
            f"what repeats would be {cadence_hz:.1f} strokes a second, which no hand keeps: no shake"
        )
    cadence_std_hz = cadence_hz * max(cv, 0.02) / np.sqrt(max(inside.size, 2))
    goes_on = band.size * FRAME_S - stop.time_s < STILL_S
    return HeardShake(start, stop, cadence_hz, float(cadence_std_hz), cv, goes_on)


def _onsets(power: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Power over its floor (frames,), and how far its logarithm rises above what it just was (frames,)."""
    floor = np.percentile(power, 20.0) + 1e-6 * np.percentile(power, 99.0) + 1e-30
    level = np.log(power + floor)
    rise = np.zeros_like(level)
    rise[2:] = np.maximum(level[2:] - np.maximum(level[1:-1], level[:-2]), 0.0)
    rise[1:] = np.maximum(rise[1:], np.maximum(level[1:] - level[:-1], 0.0) * 0.7)
    return power + floor, np.asarray(np.minimum(rise, 4.0))


def _repeats(onset: FloatArray) -> FloatArray:
    """Autocorrelation of onset strength over its value at no lag, (lags,), of lags from 0 on."""
    smooth = uniform_filter1d(onset, 5)
    x = smooth - smooth.mean()
    size = 1 << (2 * x.size - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(x, size)) ** 2
    found = np.fft.irfft(spectrum, size)[: x.size]
    return np.asarray(found / max(found[0], 1e-12) * x.size / (x.size - np.arange(x.size)))


_LAGS = np.arange(round(0.5 / FASTEST_HZ / FRAME_S), round(1.0 / SLOWEST_HZ / FRAME_S))


def _shaken(onset: FloatArray) -> tuple[int, int]:
    """First and last frame of the longest stretch in which onsets repeat."""
    window, step = round(_WINDOW_S / FRAME_S), round(_STEP_S / FRAME_S)
    begins = np.arange(0, onset.size - window + 1, step)
    strength = np.array([_repeats(onset[b : b + window])[_LAGS].max() for b in begins])
    strength = median_filter(strength, 5, mode="nearest")
    runs = _runs(strength > _REPEATS, round(_PAUSE_S / _STEP_S))
    runs = [(a, b) for a, b in runs if strength[a:b].max() > _CLEARLY]
    if not runs:
        raise NotEnoughData(
            "no strokes can be told from the room: record nearer to the shaker, or when it is quieter"
        )
    a, b = max(runs, key=lambda r: (r[1] - r[0]) * float(strength[r[0] : r[1]].mean()))
    first, last = begins[a], begins[b - 1] + window
    if (last - first) * FRAME_S < SHORTEST_S:
        raise NotEnoughData(
            f"strokes are heard for {(last - first) * FRAME_S:.1f} s only: too short for a shake"
        )
    return int(first), int(last)


def _runs(on: BoolArray, bridge: int) -> list[tuple[int, int]]:
    """Half-open runs of True, gaps of up to `bridge` closed."""
    at = np.flatnonzero(on)
    if not at.size:
        return []
    cuts = np.flatnonzero(np.diff(at) > bridge + 1)
    starts, ends = np.concatenate([[0], cuts + 1]), np.concatenate([cuts, [at.size - 1]])
    return [(int(at[s]), int(at[e]) + 1) for s, e in zip(starts, ends, strict=True)]


def _knock_s(onset: FloatArray) -> float:
    """Time between knocks [s]: the shortest lag at which onsets repeat nearly as well as at their best."""
    r = _repeats(onset)
    peaks = _LAGS[0] + find_peaks(r[_LAGS])[0]
    if not peaks.size:
        raise NotEnoughData("what is heard keeps no beat: record nearer to the shaker")
    good = peaks[r[peaks] > 0.45 * r[peaks].max()]
    lag = float(good.min())
    for times in (2, 4, 8):  # a whole number of knocks later the beat is known that much better
        around = np.arange(int(times * lag - 0.3 * lag), int(times * lag + 0.3 * lag) + 1)
        around = around[(around > 0) & (around < r.size - 1)]
        if around.size and r[around].max() > 0.3 * r[good].max():
            lag = float(around[np.argmax(r[around])]) / times
    return lag * FRAME_S


def _knocks(onset: FloatArray, first: int, last: int, knock_s: float) -> FloatArray:
    """Times of the knocks [s] in and a little around a stretch."""
    a, b = max(first - round(_WINDOW_S / FRAME_S), 0), min(last + round(_WINDOW_S / FRAME_S), onset.size)
    strong = np.percentile(onset[first:last], 90.0)
    at, _ = find_peaks(
        uniform_filter1d(onset[a:b], 3),
        height=0.35 * strong,
        distance=max(round(0.6 * knock_s / FRAME_S), 1),
    )
    return np.asarray((a + at) * FRAME_S)


def _evenness(knocks: FloatArray, knock_s: float) -> float:
    """Coefficient of variation of the time between knocks that follow each other; a scuff before or after is none."""
    apart = np.diff(knocks[1:-1])
    apart = apart[(apart > 0.6 * knock_s) & (apart < 1.5 * knock_s)]
    return float(np.std(apart) / np.mean(apart)) if apart.size >= 5 else 0.1


def _loud(power: FloatArray, first: int, last: int, knock_s: float) -> tuple[int, int, FloatArray]:
    """Where the power in the band rises before a stretch and falls after it, and that power, smooth, as a logarithm.

    What falls by much less than it rose, or the other way round, is the hand's own unevenness: on that side no rest was
    heard (yet).
    """
    smooth = np.log(uniform_filter1d(power, max(round(knock_s / FRAME_S), 1)))
    middle, reach = (first + last) // 2, round(_REACH_S / FRAME_S)
    begin, end = max(first - reach, 0), min(last + reach, power.size)
    rise, by = _risen(smooth[begin:middle])
    fall, back = _risen(smooth[middle:end][::-1])
    least = _AS_MUCH * max(by, back)
    return begin + (rise if by >= least else 0), end - (fall if back >= least else 0), smooth


def _chain(
    onset: FloatArray, smooth: FloatArray, first: int, last: int, rise: int, fall: int, knock_s: float
) -> Chain:
    """The knocks of the shake, in a stretch and around it."""
    reach = round(_REACH_S / FRAME_S)
    begin, end = max(first - reach, 0), min(last + reach, onset.size)
    shaken = float(np.median(smooth[first:last]))
    outside = np.concatenate([smooth[:rise], smooth[fall:]])
    room = float(np.median(outside)) if outside.size else shaken - 1.0
    apart = max(shaken - room, _LEAST_LOUDER)
    louder = np.clip(2.0 * (smooth[begin:end] - 0.5 * (shaken + room)) / apart, -1.0, 1.0)
    clear = float(np.clip((apart - _CLEAR[0]) / (_CLEAR[1] - _CLEAR[0]), 0.0, 1.0))
    chain = chain_of(onset[begin:end], louder, onset[first:last], knock_s / FRAME_S, clear)
    return replace(chain, frame=chain.frame + begin)


def _edges(chain: Chain, knocks: FloatArray, rise: int, fall: int, knock_s: float) -> tuple[Moment, Moment]:
    """First and last knock: those of the chain, unless it is no louder there than the room is."""
    half = 0.5 * knock_s
    inside = knocks[(knocks > rise * FRAME_S - half) & (knocks < fall * FRAME_S + half)]
    loud = (inside[0], inside[-1]) if inside.size else (rise * FRAME_S, fall * FRAME_S)
    at = max(loud[0], chain.frame[0] * FRAME_S), min(loud[1], chain.frame[-1] * FRAME_S)
    unsure_s = edge_std_s(knock_s)
    start, stop = (Moment(float(t), unsure_s, Source.SOUND, "first and last knock of the ice") for t in at)
    return start, stop


def edge_std_s(knock_s: float) -> float:
    """Standard uncertainty [s] of a start or stop heard by its knock, where knocks are `knock_s` apart."""
    return hypot(0.5 * knock_s, 0.02)


def _risen(x: FloatArray) -> tuple[int, float]:
    """Where a level rises, and by how much: the best two levels by least squares; 0 and 0.0 where it never does."""
    count = np.arange(1, x.size)
    total, so_far = x.sum(), np.cumsum(x)[:-1]
    risen = (total - so_far) / (x.size - count) - so_far / count
    between = np.where(risen > _LEAST_LOUDER, risen**2 * count * (x.size - count), 0.0)
    best = int(np.argmax(between))
    return (best + 1, float(risen[best])) if between.any() else (0, 0.0)
