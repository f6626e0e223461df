"""Texture in a rehearsal: whether each drink held the air that was asked for, as its foam was read."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.advice.call.texture import READING_SD_PCT, air_missed, overrun_words
from rig.bench import Target


def with_texture(
    landed: bool, target: Target, overrun_pct: float | None, everyones: Sequence[float | None]
) -> tuple[bool | None, list[float], str]:
    """Whether a drink landed with its air counted, the room that its air leaves, and how its air missed, in words.

    Where others had their foam read and this one had not, whether it landed is not known unless it missed anyway.
    Where nobody read any, texture is left out of it.
    """
    window, read = target.overrun_window, [v for v in everyones if v is not None]
    if window is None or not read:
        return landed, [], ""
    if overrun_pct is None:
        return (None if landed else False), [], ""
    spread = max(float(np.std(read)), READING_SD_PCT)
    low, high = window
    room = [(overrun_pct - low) / spread, *([] if high is None else [(high - overrun_pct) / spread])]
    missed = air_missed(target, overrun_pct)
    why = ", ".join(f"{limit.value} by {by:.0f} % overrun" for limit, by in missed.items())
    return landed and not missed, room, why


def notes_on_air(target: Target | None, everyones: Sequence[float | None]) -> tuple[str, ...]:
    """What is known of the air that a target asks for."""
    if target is None or target.overrun_window is None:
        return ()
    read = sum(v is not None for v in everyones)
    if read == len(everyones):
        return ()
    ask = "Read the whole drink, foam and all, right after straining (foam_ml, beside the strained mass), to know."
    if not read:
        return (
            f"Nothing is known of texture: nobody read any foam, and {overrun_words(target)} is not judged. {ask}",
        )
    return (
        f"Foam was read in {read} of {len(everyones)} runs; whether the others landed is not known. {ask}",
    )
