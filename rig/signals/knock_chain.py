"""Which of all that knocks in a room is one shake: the chain of knocks that keeps a beat.

Dynamic programming over onset strength, as in beat tracking (e.g. Ellis, J. New Music Research 36 (2007) 51, from
memory). A shake differs from ice that is scooped, or dropped, beside it: its knocks come in time, there is little
between two of them, and it is louder than the room. Each knock of a chain must pay for itself by all three, so that the
chain ends where the shake does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from rig.arrays import FloatArray, IntArray

_LEAST, _MOST = 0.1, 1.2
"""Onsets weaker than the first share of the shake's own are none; stronger than the second count no more."""
_PAYS, _PAYS_CLEAR = 0.35, 0.5
"""What a knock must bring, in shares of the shake's own strength: in a room about as loud, and in one far below."""
_LOUD = 0.8
"""What being as loud as the shake, not as the room, is worth."""
_TIGHT = 10.0
"""What a knock out of time costs, for its squared log ratio."""
_SKIP = 0.5
"""What a knock that was not heard costs."""
_BETWEEN = 10.0
"""What onsets between two knocks cost, for their mean strength."""
_BESIDE = 0.15
"""So much of the time between knocks belongs to each: ice strikes in several pieces."""


@dataclass(frozen=True, eq=False)
class Chain:
    """Knocks of one chain, (knocks,): the frame of each, and how many beats it comes after the first."""

    frame: IntArray
    beat: IntArray

    def between(self, first: float, last: float) -> Chain:
        """The knocks between two frames; the whole chain where that leaves no beat."""
        kept = (self.frame >= first) & (self.frame <= last)
        return Chain(self.frame[kept], self.beat[kept]) if kept.sum() > 1 else self

    @property
    def lag(self) -> float:
        """Mean frames from beat to beat; 0 where there is only one."""
        steps = int(self.beat[-1] - self.beat[0])
        return float(self.frame[-1] - self.frame[0]) / steps if steps else 0.0


def chain_of(onset: FloatArray, louder: FloatArray, usual: FloatArray, lag: float, clear: float) -> Chain:
    """The chain of knocks that is worth most.

    Parameters
    ----------
    onset
        (frames,) onset strength.
    louder
        (frames,) from −1, as loud as the room, to 1, as loud as the shake.
    usual
        Onset strength in a stretch that is surely the shake's.
    lag
        Frames from knock to knock, about.
    clear
        From 0, the room is about as loud as the shake, to 1, it is far below.
    """
    strong = np.percentile(uniform_filter1d(usual, 3), 100.0 * (1.0 - min(1.2 / lag, 0.5)))
    strength = np.minimum(uniform_filter1d(onset, 3) / max(float(strong), 1e-12), _MOST)
    heard = strength >= _LEAST
    pays = _PAYS + (_PAYS_CLEAR - _PAYS) * clear
    so_far = np.concatenate([[0.0], np.cumsum(strength)])
    steps = np.array([1, 2])
    back = np.concatenate([np.arange(int((n - 0.3) * lag), int((n + 0.4) * lag) + 2) for n in steps])
    step = np.where(back < 1.55 * lag, 1, 2)
    cost = _TIGHT * np.log(back / (lag * step)) ** 2 + np.where(step > 1, _SKIP, 0.0)
    beside = min(max(2, round(_BESIDE * lag)), int(lag / 3.0))
    worth = np.where(heard, strength - pays + _LOUD * louder, -np.inf)
    before = np.full(onset.size, -1)
    for frame in np.flatnonzero(heard):
        at = frame - back
        at = at[at >= 0]
        between = so_far[frame - beside] - so_far[np.minimum(at + beside + 1, frame - beside)]
        chained = worth[at] - cost[: at.size] - _BETWEEN * between / lag
        best = int(np.argmax(chained)) if at.size else 0
        if at.size and chained[best] > 0.0:
            worth[frame] += chained[best]
            before[frame] = at[best]
    chain = [int(np.argmax(worth))]
    while before[chain[-1]] >= 0:
        chain.append(int(before[chain[-1]]))
    frames = np.array(chain[::-1], dtype=np.int64)
    each = np.where(np.diff(frames) < 1.55 * lag, 1, 2)
    return Chain(frames, np.concatenate([[0], np.cumsum(each)]))
