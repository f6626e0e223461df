"""A sound file, as a phone or a laptop records it, as one channel of samples."""

from __future__ import annotations

import struct
import warnings
from pathlib import Path

import numpy as np

from rig.arrays import FloatArray
from rig.errors import TableRefused

MOST_BYTES = 1 << 28
CURE = "Save it as uncompressed .wav (PCM), one take a file"


def sound_from(path: Path) -> tuple[FloatArray, float]:
    """Samples (samples,) in −1…1, its channels averaged, and how many a second.

    Raises
    ------
    TableRefused
        No such file, one too large, or none that holds plain sound.
    """
    from scipy.io import wavfile

    if not path.is_file():
        raise TableRefused("there is no such file", str(path), cure="Check the name")
    if path.stat().st_size > MOST_BYTES:
        raise TableRefused(
            f"the file is larger than {MOST_BYTES >> 20} MiB", str(path), cure="Cut out the take"
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)  # chunks of notes, which are not sound
            rate, samples = wavfile.read(path)
    except (ValueError, EOFError, OSError, MemoryError, struct.error) as error:
        raise TableRefused(f"this is no sound that can be read ({error})", str(path), cure=CURE) from error
    if samples.size == 0:
        raise TableRefused("the file holds no sound", str(path), cure=CURE)
    full = _full_scale(samples.dtype)
    level = samples.astype(float) - (128.0 if samples.dtype == np.uint8 else 0.0)
    return np.asarray(level.reshape(len(samples), -1).mean(axis=1) / full), float(rate)


def _full_scale(kind: np.dtype) -> float:
    """The largest value of a kind of sample."""
    if kind == np.uint8:
        return 128.0
    return float(np.iinfo(kind).max) if kind.kind == "i" else 1.0
