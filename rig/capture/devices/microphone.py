"""The microphone of this computer, through PortAudio: what it has heard since one asked last, and nothing kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from queue import SimpleQueue
from typing import Any

import numpy as np

from rig.arrays import FloatArray
from rig.errors import PortError

NEEDS = (
    "pip install 'chillrig[microphone]', and where the system lacks PortAudio, its package (libportaudio2)"
)
Samples = Callable[[], FloatArray]
"""What was heard since it was asked last, (samples,) in −1…1."""


@contextmanager
def microphone() -> Iterator[tuple[Samples, float]]:
    """What the default microphone hears meanwhile, and how many samples a second.

    Raises
    ------
    PortError
        There is none, it is refused, or what reads it is not installed.
    """
    try:
        import sounddevice
    except (ImportError, OSError) as error:
        raise PortError(
            f"a microphone is heard with what is not installed here ({error}): {NEEDS}"
        ) from error
    come: SimpleQueue[FloatArray] = SimpleQueue()

    def heard(block: Any, _frames: int, _time: Any, _status: Any) -> None:
        come.put(np.asarray(block, dtype=float).mean(axis=1))

    try:
        stream = sounddevice.InputStream(channels=1, callback=heard)
        stream.start()
    except (sounddevice.PortAudioError, ValueError) as error:
        raise PortError(f"no microphone can be heard: {error}. Plug one in, or allow it") from error
    try:
        yield (
            lambda: np.concatenate([np.zeros(0), *(come.get() for _ in range(come.qsize()))]),
            stream.samplerate,
        )
    finally:
        stream.close()
