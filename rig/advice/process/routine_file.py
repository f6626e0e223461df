"""Read a routine from TOML: which drinks, in which order, in how much time."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

from rig.advice.process.routine import USUAL_S, Order, Stage
from rig.bench import Bench
from rig.errors import BenchError, NotFound, Place
from rig.fitting.situation import NOT_ASKED, Situation

_CONDITIONS = tuple(
    f.name for f in fields(Situation) if f.name not in ("technique", "vessel", "ice", "recipe", *NOT_ASKED)
)


def parse_routine(
    text: str, bench: Bench, file: str = "routine.toml"
) -> tuple[tuple[Order, ...], float | None]:
    """Read a routine.

    `limit_s`, `[times_s]` with any of weigh, ice, strain, garnish; then one `[[drinks]]` each with recipe,
    technique, vessel, ice, and optionally target (the bench's only one else), count, conditions as for a call
    (drink_temp_c, ice_mass_g, …) and times_s of its own.

    Raises
    ------
    BenchError
        Naming file and drink, where something is missing, unknown or of the wrong kind.
    NotFound
        A name that the bench does not hold.
    """
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also of numbers and nesting without end
        raise BenchError(f"not valid TOML: {error}", Place(file=file)) from error
    _only(raw, ("limit_s", "times_s", "drinks", "title"), file, "the routine")
    listed = raw.get("drinks")
    if not isinstance(listed, list) or not listed:
        raise BenchError("no drinks are listed", Place(file=file), "Write one [[drinks]] table for each")
    limit = None if "limit_s" not in raw else _number(raw["limit_s"], "limit_s", file)
    usual = _times(raw.get("times_s", {}), file, "times_s")
    orders: list[Order] = []
    for n, entry in enumerate(listed, start=1):
        if not isinstance(entry, dict):
            raise BenchError(f"drink {n} is no table", Place(file=file))
        orders += _orders(entry, bench, usual, file, f"drink {n}")
    return tuple(orders), limit


_MOST_OF_ONE = 50


def _orders(
    entry: dict[str, Any], bench: Bench, usual: Mapping[Stage, float], file: str, which: str
) -> list[Order]:
    names = ("recipe", "technique", "vessel", "ice")
    _only(entry, (*names, *_CONDITIONS, "target", "count", "times_s"), file, which)
    lacking = [n for n in names if not isinstance(entry.get(n), str)]
    if lacking:
        raise BenchError(f"{which} does not say its {lacking[0]}", Place(file=file))
    bench.recipe(entry["recipe"])
    bench.vessel(entry["vessel"])
    bench.ice_type(entry["ice"])
    name = entry.get("target")
    if name is None and len(bench.targets) != 1:
        raise BenchError(
            f"{which} does not say its target",
            Place(file=file),
            f"One of {', '.join(bench.targets) or 'none'}",
        )
    if name is not None and name not in bench.targets:
        raise NotFound("target", str(name), bench.targets)
    target = bench.targets[name] if name is not None else next(iter(bench.targets.values()))
    stated: dict[str, Any] = {c: _number(entry[c], f"{which}: {c}", file) for c in _CONDITIONS if c in entry}
    count = entry.get("count", 1)
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= _MOST_OF_ONE:
        raise BenchError(f"{which}: count must be a whole number from 1 to {_MOST_OF_ONE}", Place(file=file))
    times = {**usual, **_times(entry.get("times_s", {}), file, which)}
    named = {n: entry[n] for n in names}
    return [Order(Situation(**named, **stated), target, times)] * count


def _only(table: Mapping[str, Any], known: Sequence[str], file: str, which: str) -> None:
    strange = [k for k in table if k not in known]
    if strange:
        raise BenchError(
            f"{which}: unknown key {strange[0]!r}", Place(file=file), f"Known: {', '.join(known)}"
        )


def _number(value: Any, which: str, file: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise BenchError(f"{which} must be a number, found {value!r}", Place(file=file))
    return float(value)


def _times(table: Any, file: str, which: str) -> dict[Stage, float]:
    if not isinstance(table, dict):
        raise BenchError(f"{which}: times_s must be a table", Place(file=file))
    settable = [s.value for s in USUAL_S]
    _only(table, settable, file, f"{which}, times_s")
    out = {Stage(k): _number(v, f"{which}: {k}", file) for k, v in table.items()}
    if any(v < 0 for v in out.values()):
        raise BenchError(f"{which}: a step's time cannot be negative", Place(file=file))
    return out
