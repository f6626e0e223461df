"""One way of making a drink as a short TOML list of steps, read and checked; `rig.advice.process.steps` runs it."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from rig.errors import BenchError, Place


class Kind(StrEnum):
    """What a step does; any other word is a technique, by which the drink is moved on its ice."""

    REST = "rest"
    AIR = "blend for air"
    ICE = "add ice"
    STRAIN = "strain"
    OVER = "over ice"
    POUR = "pour into"
    STAY = "stay in"
    DRINK = "drink"
    MOVE = "move"


_NEEDS: dict[Kind, frozenset[str]] = {
    Kind.REST: frozenset({"duration_s"}),
    Kind.AIR: frozenset({"duration_s"}),
    Kind.ICE: frozenset({"ice"}),
    Kind.STRAIN: frozenset(),
    Kind.OVER: frozenset({"ice", "mass_g"}),
    Kind.POUR: frozenset({"glass"}),
    Kind.STAY: frozenset({"glass"}),
    Kind.DRINK: frozenset({"minutes"}),
    Kind.MOVE: frozenset({"duration_s"}),
}
_MAY: dict[Kind, frozenset[str]] = {
    Kind.REST: frozenset({"cup", "cup_temp_c", "covered"}),
    Kind.AIR: frozenset({"vessel", "power_w", "overrun_pct"}),
    Kind.ICE: frozenset({"mass_g", "temp_c"}),
    Kind.STRAIN: frozenset({"held_back_g"}),
    Kind.OVER: frozenset({"temp_c"}),
    Kind.POUR: frozenset({"kept", "temp_c"}),
    Kind.STAY: frozenset(),
    Kind.DRINK: frozenset({"sips"}),
    Kind.MOVE: frozenset({"vessel", "vessel_temp_c", "overrun_pct"}),
}
_WORDS = {"ice", "glass", "cup", "vessel", "kept"}
_AT_TOP = {"recipe", "temp_c", "mass_g", "vessel", "room_temp_c"}


@dataclass(frozen=True)
class Described:
    """One step as written: its kind, the technique where it moves the drink, and its values by key."""

    kind: Kind
    technique: str
    values: Mapping[str, Any]
    place: Place

    @property
    def label(self) -> str:
        """What it is called."""
        return self.technique if self.kind is Kind.MOVE else self.kind.value


@dataclass(frozen=True)
class Process:
    """A drink and the steps it is made by; None means as usual for the bench."""

    recipe: str
    temp_c: float | None
    mass_g: float | None
    vessel: str | None
    room_temp_c: float
    steps: tuple[Described, ...]


def parse_steps(text: str, file: str = "steps.toml") -> Process:
    """Read a list of steps.

    Raises
    ------
    BenchError
        With file and line: no TOML, no steps, or a step whose keys are missing, unknown or of the wrong kind.
    """
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also of numbers and nesting without end
        raise BenchError(f"not valid TOML: {error}", Place(file=file)) from error
    lines = text.splitlines()
    heads = [n for n, line in enumerate(lines, start=1) if line.replace(" ", "").startswith("[[step]]")]
    top = Place(file=file, line=1)
    _require_known(raw, _AT_TOP | {"step"}, top)
    listed = raw.get("step")
    if not isinstance(raw.get("recipe"), str) or not isinstance(listed, list) or not listed:
        cure = 'Write recipe = "a name" and then [[step]] for each thing that is done'
        raise BenchError("a list of steps names a recipe and holds at least one [[step]]", top, cure)
    for key in _AT_TOP & raw.keys():
        _require_value(key, raw[key], top)
    steps = []
    for k, table in enumerate(listed):
        place = Place(file=file, line=heads[k] if k < len(heads) else None)
        steps.append(_step(table, place))
    return Process(
        recipe=raw["recipe"],
        temp_c=raw.get("temp_c"),
        mass_g=raw.get("mass_g"),
        vessel=raw.get("vessel"),
        room_temp_c=float(raw.get("room_temp_c", 21.0)),
        steps=tuple(steps),
    )


def _step(table: Any, place: Place) -> Described:
    if not isinstance(table, dict) or not isinstance(table.get("kind"), str):
        raise BenchError("a step needs its kind", place, 'Write kind = "shake" or the like')
    word = table["kind"]
    kind = next((k for k in Kind if k.value == word and k is not Kind.MOVE), Kind.MOVE)
    values = {k: v for k, v in table.items() if k != "kind"}
    if "minutes" in values and kind is not Kind.DRINK and "duration_s" not in values:
        _require_value("minutes", values["minutes"], place)
        values["duration_s"] = 60.0 * values.pop("minutes")
    missing = sorted(_NEEDS[kind] - values.keys())
    if missing:
        raise BenchError(f"{word!r} needs {' and '.join(missing)}", place)
    _require_known(values, _NEEDS[kind] | _MAY[kind], place, word)
    for key, value in values.items():
        _require_value(key, value, place)
    return Described(kind, word, values, place)


def _require_known(
    values: Mapping[str, Any], known: frozenset[str] | set[str], place: Place, of: str = ""
) -> None:
    unknown = sorted(values.keys() - known)
    if unknown:
        whose = f"{of!r}" if of else "the file"
        cure = f"Known: {', '.join(sorted(known))}"
        raise BenchError(f"{whose} has no key {unknown[0]!r}", place, cure)


def _require_value(key: str, value: Any, place: Place) -> None:
    if key in _WORDS or key == "recipe":
        good, kind = isinstance(value, str), "text"
    elif key == "covered":
        good, kind = isinstance(value, bool), "true or false"
    else:
        good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        kind = "a number"
    if not good:
        raise BenchError(f"{key} must be {kind}, found {value!r}", place)
    if key in ("duration_s", "minutes", "mass_g", "sips") and value <= 0:
        raise BenchError(f"{key} must be above zero, found {value:g}", place)
    if key in ("power_w", "overrun_pct", "held_back_g") and value < 0:
        raise BenchError(f"{key} cannot be negative, found {value:g}", place)
