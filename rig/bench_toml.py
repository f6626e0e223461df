"""A bench as the text of its bench.toml; `rig.bench.parse_bench` reads it back to the same bench.

Written by TOML v1.0.0, the sections on strings, keys, inline tables and dates.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import fields, replace
from datetime import date, datetime, time
from math import isclose
from typing import Any

from rig.bench import Bench, Ingredient
from rig.brewing import DOSE_G, Bean, Brew, weighed

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}
_CONTROL = re.compile(r'[\x00-\x1f\x7f"\\]')


def bench_toml(bench: Bench) -> str:
    """The bench as TOML text; notes go back to the entry they were found in where that is still there."""
    sections: dict[str, Mapping[str, Any]] = {
        "vessels": bench.vessels,
        "ice": bench.ice,
        "recipes": bench.recipes,
        "targets": bench.targets,
        "techniques": bench.techniques,
    }
    homes = [(s, name) for s, entries in sections.items() for name in entries]
    notes: dict[tuple[str, str] | None, dict[str, Any]] = {}
    for path, value in bench.notes.items():
        home, key = _home(path, homes, bench)
        notes.setdefault(home, {})[key] = value
    lines = [f"title = {toml_value(bench.title)}"]
    lines += [f"{toml_key(k)} = {toml_value(v)}" for k, v in notes.get(None, {}).items()]
    for section, entries in sections.items():
        for name, entry in entries.items():
            lines += ["", f"[{section}.{toml_key(name)}]"]
            table = _given(entry) | notes.get((section, name), {})
            for key, value in table.items():
                text = (
                    _ingredients(value) if (section, key) == ("recipes", "ingredients") else toml_value(value)
                )
                lines.append(f"{toml_key(key)} = {text}")
    return "\n".join(lines) + "\n"


def _home(path: str, homes: list[tuple[str, str]], bench: Bench) -> tuple[tuple[str, str] | None, str]:
    """The entry that a note's path names and the key in it; the top of the file where none does."""
    for section, name in homes:
        prefix = f"{section}.{name}."
        key = path.removeprefix(prefix)
        if key != path and key not in _fields(getattr(bench, section)[name]):
            return (section, name), key
    return None, path


def _fields(entry: Any) -> set[str]:
    return {f.name for f in fields(entry)}


def _given(entry: Any) -> dict[str, Any]:
    """The fields of an entry that say something, without its name."""
    return {
        f.name: value
        for f in fields(entry)
        if f.name != "name" and (value := getattr(entry, f.name)) is not None
    }


def _ingredients(listed: tuple[Ingredient, ...]) -> str:
    return "[\n" + "".join(f"  {toml_value(_ingredient(i))},\n" for i in listed) + "]"


def _ingredient(i: Ingredient) -> dict[str, Any]:
    """What an ingredient says beyond what is usual, or beyond what its brew says already.

    A pour drawn from its brew is told beside it; one scaled beyond it as a brew of that size, as long as a dose
    can be so large.
    """
    if i.batch:
        bare = vars(Ingredient(i.name, i.volume_ml, i.mass_g, batch=i.batch))
        said = {k: v for k, v in _given(i).items() if v != bare[k]}
        poured = {k: v for k, v in _given(i).items() if k in ("volume_ml", "mass_g")}
        return {"name": i.name, **poured, **said, "batch": [_ingredient(part) for part in i.batch]}
    if i.brew is not None and (i.mass_g or 0.0) < weighed(i.brew).yield_g.typical * (1.0 - 1e-9):
        amount = "mass_g" if i.volume_ml is None else "volume_ml"
        drawn = vars(Ingredient(i.name, brew=i.brew, **{amount: getattr(i, amount)}))
        if isclose(i.caffeine_mg or 0.0, drawn["caffeine_mg"]):
            drawn["caffeine_mg"] = i.caffeine_mg
        said = {k: v for k, v in _given(i).items() if v != drawn[k] and k != "mass_g"}
        return {"name": i.name, amount: getattr(i, amount), "brew": i.brew} | said
    if i.brew is not None:
        i = replace(i, volume_ml=None)
    brew = None if i.brew is None else i.brew.times((i.mass_g or 0.0) / weighed(i.brew).yield_g.typical)
    if i.brew is None or brew is None or not DOSE_G[0] <= brew.dose_g <= DOSE_G[1]:
        i, usual = replace(i, brew=None), {f.name: f.default for f in fields(Ingredient)}
    else:
        i = replace(i, brew=i.brew if isclose(brew.dose_g, i.brew.dose_g) else brew)
        usual = vars(Ingredient(i.name, brew=i.brew)) | {"mass_g": i.mass_g, "brew": None}
        if isclose(i.caffeine_mg or 0.0, usual["caffeine_mg"]):
            usual["caffeine_mg"] = i.caffeine_mg
    return {"name": i.name} | {k: v for k, v in _given(i).items() if v != usual[k]}


def _brew(brew: Brew) -> dict[str, Any]:
    said = {f.name: getattr(brew, f.name) for f in fields(Brew)}
    said |= {"method": brew.method.label, "bean": brew.bean.label}
    usual = {"count": 1, "bean": Bean.ARABICA.label}
    return {k: v for k, v in said.items() if v is not None and usual.get(k) != v}


def toml_key(key: str) -> str:
    """A key as TOML spells it."""
    return key if _BARE_KEY.fullmatch(key) else _string(key)


def _string(text: str) -> str:
    return '"' + _CONTROL.sub(lambda m: _ESCAPES.get(m[0], f"\\u{ord(m[0]):04x}"), text) + '"'


def toml_value(value: Any) -> str:
    """A value as TOML spells it."""
    match value:
        case Brew():
            return toml_value(_brew(value))
        case bool():
            return "true" if value else "false"
        case str():
            return _string(value)
        case float():
            return repr(float(value))  # a NumPy number spells itself otherwise
        case int():
            return repr(value)
        case datetime() | date() | time():
            return value.isoformat()
        case Mapping():
            return "{ " + ", ".join(f"{toml_key(k)} = {toml_value(v)}" for k, v in value.items()) + " }"
        case list() | tuple():
            return "[" + ", ".join(toml_value(v) for v in value) + "]"
    raise TypeError(f"TOML has no {type(value).__name__}")
