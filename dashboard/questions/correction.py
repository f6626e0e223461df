"""What somebody wants to correct about a run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from rig.errors import ModelRangeError, NotFound
from rig.logbook.store import Logbook
from rig.units import typed

FIELDS = {
    "strained_mass_g": ("Strained", "g"),
    "drink_mass_g": ("Drink before the ice", "g"),
    "ice_mass_g": ("Ice", "g"),
    "duration_s": ("Moved", "s"),
    "drink_temp_c": ("Drink before the ice, temperature", "°C"),
    "ice_temp_c": ("Ice temperature", "°C"),
}
"""What can be corrected here, in words, and its unit; all else is corrected on the command line."""
_LONGEST_WHY = 500


@dataclass(frozen=True)
class Correction:
    """One field of a run, its right value and why."""

    field: str
    value: float
    why: str

    @classmethod
    def of(cls, field: Any, value: Any, why: Any) -> Correction:
        """What a form sent.

        Raises
        ------
        NotFound, ModelRangeError
            A field that cannot be corrected here, a value that is no number, or no reason.
        """
        if not isinstance(field, str) or field not in FIELDS:
            raise NotFound("field to correct here", str(field)[:80], FIELDS)
        words, unit = FIELDS[field]
        try:
            number = typed(str(value), unit)
        except ModelRangeError as error:
            raise ModelRangeError(f"{words}: give a number in {unit}; {error}") from error
        return cls(field, number, reason_of(why))

    def make(self, logbook: Logbook, bench: str, run: str) -> str:
        """Correct the run; what to say of it.

        Raises
        ------
        RigError
            The logbook does not take it: no such run, or a value that cannot be.
        """
        logbook.edit_run(bench, run, {self.field: self.value}, self.why)
        words, unit = FIELDS[self.field]
        return f"{words} is now {self.value:g} {unit}. What it was is kept below.".replace(" -", " −")


def reason_of(why: Any) -> str:
    """A reason, which every change needs.

    Raises
    ------
    ModelRangeError
        None was given, or more than a note.
    """
    text = " ".join(why.split()) if isinstance(why, str) else ""
    if not text:
        raise ModelRangeError("say why: whoever reads this later will want to know")
    if len(text) > _LONGEST_WHY:
        raise ModelRangeError(f"keep the reason below {_LONGEST_WHY} characters")
    return text
