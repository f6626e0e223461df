"""The live call as an advisor: from weigh-ins and the trace so far to words on the screen."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.advice.live.live import EVERY_S
from rig.capture.recording.follow import Advisor, StopWords
from rig.runs import Trace
from rig.session.way import WeighedIn
from rig.signals.moments import Rhythm

if TYPE_CHECKING:
    from rig.advice.live.live import LiveCall, LiveEstimate
    from rig.bench import Target
    from rig.fitting.result import Fit

Prepare = Callable[[WeighedIn], Advisor]
"""An advisor for one drink, from what is known once it is weighed in."""


class LiveAdvisor:
    """Asks the live call every `EVERY_S` of motion: on the main probe's trace so far, else by clock and rhythm.

    Where the probe is no longer believed, what it read before still counts.
    """

    def __init__(self, call: LiveCall) -> None:
        self._call = call
        self._time_s: list[float] = []
        self._temp_c: list[float] = []
        self._asked_s = float("-inf")

    def __call__(
        self, time_s: float, temp_c: float | None, rhythm: Rhythm | None, believed_until_s: float = np.inf
    ) -> StopWords | None:
        """The words for this moment; None between two estimates."""
        from rig.advice.live.live import by_the_clock, estimate

        if temp_c is not None and (not self._time_s or time_s > self._time_s[-1]):
            self._time_s.append(time_s)
            self._temp_c.append(temp_c)
        if time_s - self._asked_s < EVERY_S:
            return None
        self._asked_s = time_s
        count = bisect_right(self._time_s, believed_until_s)
        trace = Trace(np.array(self._time_s[:count]), {"": np.array(self._temp_c[:count])})
        if temp_c is None:
            return words(by_the_clock(self._call, time_s, rhythm, trace))
        return words(estimate(self._call, trace, time_s))


def words(said: LiveEstimate) -> StopWords:
    """An estimate in words that can be acted on."""
    from rig.advice.live.live import Word

    left = "" if said.seconds_left is None else f" {max(said.seconds_left, 0.0):.0f} s"
    text = {Word.STOP: "STOP", Word.PAST: "STOP: past the best moment"}.get(
        said.word, f"{said.word.value}{left}"
    )
    return StopWords(
        text,
        said.word in (Word.STOP, Word.PAST),
        said.seconds_left,
        "; ".join(filter(None, (said.cadence, said.note))),
    )


def preparing(
    fit: Fit,
    target: Target,
    given: Mapping[str, Any],
    probe_in_drink: bool,
    called: Callable[[LiveCall], object] = lambda call: None,
) -> Prepare:
    """What makes the advisor once all is weighed in; `given` are the run's fields known beforehand.

    `called` hears the call as it stands before the start.
    """

    def prepare(known: WeighedIn) -> Advisor:
        from rig.advice.live.live import live_call
        from rig.fitting.situation import Situation

        situation = Situation(
            technique=given["technique"],
            vessel=given["vessel"],
            ice=given["ice"],
            recipe=given["recipe"],
            drink_temp_c=known.temp_c if probe_in_drink else None,
            drink_mass_g=known.mass_g.get("drink"),
            ice_mass_g=known.mass_g.get("ice"),
            ice_temp_c=given.get("ice_temp_c"),
            room_temp_c=given.get("room_temp_c"),
            probe_std_k=known.probe_std_k,
            scale_std_g=known.scale_std_g,
        )
        call = live_call(fit, situation, target)
        called(call)
        return LiveAdvisor(call)

    return prepare
