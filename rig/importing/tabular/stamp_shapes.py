"""A column of stamps read at once: the clock's digits by their places, and what stands around them once a text.

Long recordings hold hundreds of thousands of different stamps, but few days; taking each apart is too slow.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from rig.arrays import BoolArray, FloatArray, IntArray
from rig.importing.tabular.stamps import HALF_DAY_H, Stamp, Stamps, clock_exists, stamp_from, stamps_from

Texts = npt.NDArray[np.bytes_]
_Bytes = npt.NDArray[np.uint8]

_RUN = re.compile(rb"\d+")
_COMPACT_DIGITS = 6  # of a clock written as 101500
_MOST_SHAPES = 24
_MOST_FRAMES = 5000
_ZERO = np.uint8(ord("0"))


@dataclass(frozen=True)
class _Shape:
    """Where the digits of hour, minute, second and fraction stand in texts like a model, and the model's stamp.

    `runs` are all runs of digits: where a text has others its digits mean something else. A text's frame is what is
    left of it with a 1 for every digit of its clock, which is a time by any clock.
    """

    fields: tuple[tuple[int, int], ...]
    runs: tuple[tuple[int, int], ...]
    like: Stamp

    @property
    def places(self) -> list[int]:
        """The place of every digit of the clock."""
        return [place for field in self.fields for place in range(*field)]

    def clock_s(self, grid: _Bytes) -> tuple[FloatArray, BoolArray]:
        """The seconds that digits show, and whether a clock can; of bytes of shape (rows, places)."""
        if not self.fields:
            return np.zeros(len(grid)), np.ones(len(grid), dtype=np.bool_)
        counts = [_number(grid[:, start:end]) for start, end in self.fields]
        hour, minute = counts[:2]
        second = counts[2] if self.like.parts == 3 else np.zeros_like(hour)
        exists = clock_exists(hour, minute, second, self.like.date is not None, self.like.has_half_day)
        hour = np.mod(hour, HALF_DAY_H) if self.like.has_half_day else hour
        clock_s: FloatArray = hour * 3600.0 + minute * 60.0 + second
        if self.like.has_fraction:
            start, end = self.fields[-1]
            clock_s += counts[-1] / 10.0 ** (end - start)
        return clock_s, exists

    def of_frame(self, frame: bytes) -> tuple[Stamp | None, float]:
        """A frame's stamp, if it is one as the model is, and its clock beyond what its digits show [s]."""
        stamp = stamp_from(_text(frame)) if not self.fields or _runs(frame) == self.runs else None
        if stamp is None or _form(stamp) != _form(self.like):
            return None, 0.0
        return stamp, (stamp.clock or 0.0) - float(self.clock_s(_grid(np.array([frame])))[0][0])


def read_stamps(texts: Texts) -> tuple[Stamps, BoolArray]:
    """The stamps of texts, and which texts are one; both of shape (rows,)."""
    known: list[Stamp | None] = []
    which = np.full(len(texts), -1, dtype=np.int64)
    clock_s = np.full(len(texts), np.nan)
    left = np.flatnonzero(texts != b"")
    for _ in range(_MOST_SHAPES):
        if not len(left):
            break
        own = texts[left] if len(left) < len(texts) else texts
        model = bytes(own[len(own) // 2])
        if (shape := _shape_of(model)) is None:
            left = left[own != model]
            continue
        if (read := _by_shape(own, shape)) is None:
            break
        framed, frame, seconds = read
        which[left] = np.where(frame >= 0, frame + len(known), -1)
        if shape.fields:
            clock_s[left] = seconds
        known += framed
        left = left[frame < 0]
    alone, code = np.unique(texts[left], return_inverse=True)
    which[left] = code + len(known)
    known += [stamp_from(_text(t)) for t in alone]
    stamps = stamps_from(known, which)
    is_stamp = np.array([s is not None for s in known] + [False])[which]
    return replace(stamps, clock_s=np.where(np.isnan(clock_s), stamps.clock_s, clock_s)), is_stamp


def _shape_of(model: bytes) -> _Shape | None:
    """The shape of a stamp's text: the digits that prove to be its clock's; None where it is no stamp."""
    like = stamp_from(_text(model))
    if like is None:
        return None
    runs = _runs(model)
    pieces = [piece for run in runs for piece in (_pieces(*run) if like.parts == 3 else [run])]
    count = like.parts + like.has_fraction
    for first in range(len(pieces) - count + 1 if count else 0):
        shape = _Shape(tuple(pieces[first : first + count]), runs, like)
        stamp, offset_s = shape.of_frame(_framed(model, shape))
        same = stamp is not None and (stamp.date, stamp.zone_s) == (like.date, like.zone_s)
        shown_s, exists = shape.clock_s(_grid(np.array([model])))
        if same and exists[0] and abs(shown_s[0] + offset_s - (like.clock or 0.0)) < 1e-6:
            return shape
    return _Shape((), runs, like)


def _by_shape(texts: Texts, shape: _Shape) -> tuple[list[Stamp | None], IntArray, FloatArray] | None:
    """The stamps of the frames of texts, which one each text has (-1: it is of another shape), and its clock [s].

    None where there are too many frames for the shape to be any help.
    """
    framed, fits = texts.copy(), np.ones(len(texts), dtype=np.bool_)
    grid, frame_grid = _grid(texts), _grid(framed)
    for place in shape.places:
        fits &= grid[:, place] - _ZERO <= 9
        frame_grid[:, place] = ord("1")
    turns = np.flatnonzero(np.concatenate(([True], framed[1:] != framed[:-1])))
    frames, code = np.unique(framed[turns], return_inverse=True)
    if len(frames) > _MOST_FRAMES:
        return None
    read = [shape.of_frame(bytes(frame)) for frame in frames]
    frame = np.repeat(code, np.diff(np.append(turns, len(texts))))
    clock_s, exists = shape.clock_s(grid)
    clock_s += np.array([offset_s for _, offset_s in read])[frame]
    fits &= exists & np.array([stamp is not None for stamp, _ in read])[frame]
    return [stamp for stamp, _ in read], np.where(fits, frame, -1), np.where(fits, clock_s, np.nan)


def _runs(text: bytes) -> tuple[tuple[int, int], ...]:
    return tuple(run.span() for run in _RUN.finditer(text))


def _grid(texts: Texts) -> _Bytes:
    """The bytes of texts, shape (rows, places)."""
    return texts.view(np.uint8).reshape(len(texts), -1)


def _number(digits: _Bytes) -> npt.NDArray[np.int32]:
    total = np.zeros(len(digits), dtype=np.int32)
    for place in range(digits.shape[1]):
        total = total * 10 + (digits[:, place] - _ZERO)
    return total


def _pieces(start: int, end: int) -> list[tuple[int, int]]:
    """A run of digits, in pairs where it may be a clock without colons."""
    if end - start != _COMPACT_DIGITS:
        return [(start, end)]
    return [(at, at + 2) for at in range(start, end, 2)]


def _framed(text: bytes, shape: _Shape) -> bytes:
    frame = bytearray(text)
    for place in shape.places:
        frame[place] = ord("1")
    return bytes(frame)


def _text(raw: bytes) -> str:
    return bytes(raw).decode("utf-8", errors="replace").strip()


def _form(stamp: Stamp) -> tuple[object, ...]:
    return stamp.parts, stamp.has_fraction, stamp.has_half_day, stamp.date is None
