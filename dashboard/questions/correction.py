"""What somebody wants to correct about a run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from rig.answer_units import LAB_UNITS, AnswerUnits
from rig.bench import Bench
from rig.errors import ModelRangeError, NotFound
from rig.logbook.motion_moved import move_motion
from rig.logbook.store import Logbook
from rig.run_fields import BY_KEY
from rig.runs import Run
from rig.units import typed

FIELDS = {
    key: (BY_KEY[key].words, BY_KEY[key].unit)
    for key in (
        "strained_mass_g",
        "drink_mass_g",
        "ice_mass_g",
        "duration_s",
        "drink_temp_c",
        "ice_temp_c",
        "vessel_temp_c",
        "room_temp_c",
    )
}
"""The numbers that can be corrected here, in words, and their units."""
NAMES = {key: BY_KEY[key].words for key in ("ice", "vessel", "recipe", "technique")}
"""What is corrected by another name of the bench; all else is corrected on the command line."""
WORDS = {**{field: words for field, (words, _) in FIELDS.items()}, **NAMES}


def standing(run: Run, field: Any, bench: Bench, units: AnswerUnits = LAB_UNITS) -> str:
    """What a run says of a field now, and what may be written there: a bare number in the reader's units."""
    if field in FIELDS:
        value, unit = getattr(run, field), FIELDS[field][1]
        now = "Nothing is noted now" if value is None else f"Now {value:g} {unit}".replace(" -", " −")
        return f"{units.text(now, exact=True)}. Write it in {units.unit(unit)}; leave it empty for not known."
    if field in NAMES:
        shelves = {"ice": bench.ice, "vessel": bench.vessels, "recipe": bench.recipes}
        known = ", ".join(shelves[field]) if field in shelves else "shake, stir, blend, swirl, build"
        return f"Now {getattr(run, field)}. There are: {known}."
    return ""


_LONGEST_WHY = 500


@dataclass(frozen=True)
class Correction:
    """One field of a run, its right value and why."""

    field: str
    value: float | str | None
    why: str

    @classmethod
    def of(cls, field: Any, value: Any, why: Any, units: AnswerUnits = LAB_UNITS) -> Correction:
        """What a form sent, bare numbers in these units.

        Raises
        ------
        NotFound, ModelRangeError
            A field that cannot be corrected here, a value that is no number, or no reason.
        """
        if not isinstance(field, str) or field not in WORDS:
            raise NotFound("field to correct here", str(field)[:80], WORDS)
        said = str(value if value is not None else "").strip()
        if field in NAMES:
            if not said:
                raise ModelRangeError(f"{NAMES[field]}: give its name")
            return cls(field, said[:_LONGEST_WHY], reason_of(why))
        words, unit = FIELDS[field]
        if not said:
            return cls(field, None, reason_of(why))
        try:
            number = units.typed(said, unit)
        except ModelRangeError as error:
            raise ModelRangeError(f"{words}: give a number in {units.unit(unit)}; {error}") from error
        return cls(field, number, reason_of(why))

    def make(self, logbook: Logbook, bench: str, run: str) -> str:
        """Correct the run; what to say of it.

        Raises
        ------
        RigError
            The logbook does not take it: no such run, or a value that cannot be.
        """
        logbook.edit_run(bench, run, {self.field: self.value}, self.why)
        unit = f" {FIELDS[self.field][1]}" if self.field in FIELDS else ""
        now = (
            "not known"
            if self.value is None
            else self.value
            if isinstance(self.value, str)
            else f"{self.value:g}{unit}"
        )
        return f"{WORDS[self.field]} is now {now}. What it was is kept below.".replace(" -", " −")


def moved(logbook: Logbook, bench: str, run: str, starts: Any, lasts: Any, why: Any) -> str:
    """Move a run's start [s of its trace as it stands] and its stop, as a form says them; what to say of it.

    Raises
    ------
    RigError
        No numbers, no reason, or moments that cannot be.
    """
    start_s = _seconds("Starts at", starts) or 0.0
    duration_s = _seconds("Shaken or stirred for", lasts)
    move_motion(logbook, bench, run, start_s, duration_s, reason_of(why))
    lasted = "for how long is not known" if duration_s is None else f"for {duration_s:g} s"
    start = f"The start is {abs(start_s):.1f} s {'later' if start_s > 0 else 'earlier'}. " if start_s else ""
    return f"{start}It was shaken or stirred {lasted}. What it was is kept below."


def _seconds(words: str, said: Any) -> float | None:
    text = str(said if said is not None else "").strip()
    try:
        return typed(text, "s") if text else None
    except ModelRangeError as error:
        raise ModelRangeError(f"{words}: give seconds; {error}") from error


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
