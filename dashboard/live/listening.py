"""A follower of the drink under way that keeps what the screen draws."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path

from rig.capture.decoding.readings import Decoder, Quality, Quantity
from rig.capture.recording.follow import Follower, Moment
from rig.capture.recording.journal import Event

MOVES_HZ, MOVES_READINGS = 0.5, 3
"""So many readings of a motion sensor above this cadence in a row are the start of motion."""

Curve = list[tuple[float, float]]
"""Seconds from the start of the journal, and °C."""


class Listening(Follower):
    """A follower that keeps what the screen draws: every probe's curve."""

    def __init__(self, journal: Path, decoders: dict[str, Decoder]) -> None:
        super().__init__(journal, decoders)
        self._curves: dict[tuple[int, str], Curve] = {}
        self.moves_in_a_row = 0

    @property
    def main(self) -> tuple[int, str] | None:
        """Port and channel of the main probe; None until one is heard."""
        return self._main.get(Quantity.TEMPERATURE)

    @property
    def probe(self) -> Curve:
        """The main probe's; empty until it is heard."""
        return [] if self.main is None else self._curves.get(self.main, [])

    @property
    def others(self) -> dict[str, Curve]:
        """The other probes', by a name that no two share."""
        rest = {key: curve for key, curve in self._curves.items() if key != self.main}
        shared = Counter(name for _, name in rest)
        return {name if shared[name] == 1 else f"{name} {n + 1}": c for (n, name), c in rest.items()}

    def poll(
        self,
        each: Callable[[Moment], None] = lambda moment: None,
        happened: Callable[[Event], None] = lambda event: None,
    ) -> list[Moment]:
        """As the follower does."""
        moments = super().poll(each, happened)
        for moment in moments:
            for sample in moment.samples:
                self._keep(moment, sample.quantity, sample.channel, sample.value, sample.quality)
                if sample.quantity is Quantity.CADENCE:
                    self.moves_in_a_row = self.moves_in_a_row + 1 if sample.value >= MOVES_HZ else 0
        return moments

    def _keep(self, moment: Moment, quantity: Quantity, name: str, value: float, quality: Quality) -> None:
        if quantity is not Quantity.TEMPERATURE or quality not in (Quality.GOOD, Quality.UNSETTLED):
            return
        kept = self._curves.setdefault((moment.port, name), [])
        if not kept or moment.time_s > kept[-1][0]:
            kept.append((moment.time_s, value))
