"""What can be said of each thing on a bench: names, units, usual ranges; from what somebody typed, and back.

Forms and commands are made from these. `usual` is a help to whoever fills them in; only the reader of bench folders
judges.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from rig.bench import IceShape, Motion
from rig.brewing import Bean, BrewMethod
from rig.errors import BenchError, ModelRangeError, NotFound, Place
from rig.units import typed, typed_share


class Kind(StrEnum):
    """How a field is written."""

    TEXT = "text"
    NUMBER = "number"
    SHARE = "share"
    CHOICE = "choice"
    NAMES = "names"
    RECIPE = "recipe"


@dataclass(frozen=True)
class Field:
    """One field of an entry: its key in bench.toml (of a table in a table "brew.dose_g"), and how it is asked for.

    `window`: two values, from and to. `usual` is the range most lie in; `whole`: a whole number.
    """

    key: str
    words: str
    kind: Kind = Kind.NUMBER
    unit: str = ""
    usual: tuple[float, float] | None = None
    choices: tuple[str, ...] = ()
    hint: str = ""
    window: bool = False
    whole: bool = False

    @property
    def help(self) -> str:
        """What belongs there."""
        said = []
        if self.usual is not None:
            low, high = (f"{v:g}".replace("-", "−") for v in self.usual)
            said.append(f"Usually {low} to {high} {self.unit}".strip() + ".")
        if self.hint:
            said.append(self.hint)
        return " ".join(said)

    @property
    def label(self) -> str:
        """Its words with the unit."""
        return f"{self.words} [{self.unit}]" if self.unit else self.words


@dataclass(frozen=True)
class Shelf:
    """A section of bench.toml: what one entry is called, what it is, its fields; `parts`: those of each ingredient."""

    section: str
    one: str
    several: str
    what: str
    fields: tuple[Field, ...]
    parts: tuple[Field, ...] = ()


_MATERIAL = "Steel, glass, copper, plastic, wood … Steel where nothing is said."
_INGREDIENT = (
    Field("name", "Name", Kind.TEXT),
    Field("volume_ml", "Volume", unit="ml", usual=(5, 120), hint="Volume or mass, one of the two."),
    Field("mass_g", "Mass", unit="g", usual=(5, 120)),
    Field("abv_pct", "Alcohol", unit="% vol", usual=(0, 60)),
    Field(
        "sugar_g_per_100ml", "Sugar", unit="g/100 ml", usual=(0, 90), hint="Sugar or °Brix, one of the two."
    ),
    Field("brix", "Sugar, as °Brix", unit="°Bx", usual=(0, 70)),
    Field("temp_c", "Kept at", unit="°C", usual=(-18, 95), hint="Empty: room temperature."),
    Field("allergens", "Allergens", Kind.NAMES, hint="Parted by commas."),
    Field("caffeine_mg", "Caffeine", unit="mg", usual=(0, 200)),
    Field("solids_pct", "Other solids", unit="% by mass", usual=(0, 15)),
    Field(
        "price_per_l", "Price of a litre", hint="In your money: for what a drink costs. Per litre or per kg."
    ),
    Field("price_per_kg", "Price of a kilogram"),
    Field("density_g_per_ml", "Density", unit="g/ml", usual=(0.9, 1.4), hint="Only where it was measured."),
    Field("batch", "Drawn from the batch", Kind.RECIPE, hint="Another recipe of this bench, made ahead."),
    Field("brew.method", "Brewed as", Kind.CHOICE, choices=tuple(m.label for m in BrewMethod)),
    Field("brew.dose_g", "Coffee", unit="g", usual=(7, 100)),
    Field("brew.water_g", "Brew water", unit="g", usual=(50, 1500), hint="Water or yield, one will do."),
    Field("brew.yield_g", "Brew in the cup", unit="g", usual=(20, 1200)),
    Field("brew.tds_pct", "Strength", unit="% TDS", usual=(1, 12)),
    Field("brew.count", "How many such brews", usual=(1, 4), whole=True),
    Field("brew.bean", "Bean", Kind.CHOICE, choices=tuple(b.label for b in Bean)),
)
SHELVES: Mapping[str, Shelf] = {
    shelf.section: shelf
    for shelf in (
        Shelf(
            "recipes",
            "recipe",
            "Recipes",
            "A drink before any ice has touched it. Declare every allergen: guests rely on it.",
            (),
            _INGREDIENT,
        ),
        Shelf(
            "targets",
            "target",
            "Targets",
            "The window a drink must land in. Give one limit or more.",
            (
                Field("serve_temp_c_max", "Served at most at", unit="°C", usual=(-6, 6)),
                Field("serve_temp_c_min", "Served at least at", unit="°C", usual=(-12, 0)),
                Field(
                    "dilution_by_volume",
                    "Water added ÷ starting volume",
                    Kind.SHARE,
                    usual=(0.2, 0.6),
                    window=True,
                    hint="30 % is 0.30.",
                ),
                Field("abv_pct", "Alcohol in the glass", unit="% vol", usual=(8, 30), window=True),
                Field("volume_ml", "In the glass", unit="ml", usual=(70, 200), window=True),
                Field("overrun_pct", "Air ÷ liquid", unit="%", usual=(5, 60), window=True),
                Field("overrun_pct_min", "Air ÷ liquid, at least", unit="%", usual=(5, 40)),
            ),
        ),
        Shelf(
            "vessels",
            "vessel",
            "Vessels",
            "What a drink is shaken or stirred in.",
            (
                Field("material", "Material", Kind.TEXT, hint=_MATERIAL),
                Field("mass_g", "Mass, empty", unit="g", usual=(120, 900)),
                Field(
                    "heat_capacity_j_per_k",
                    "Heat capacity",
                    unit="J/K",
                    usual=(50, 700),
                    hint="Only where it was measured.",
                ),
                Field("held_back_g", "Held back", unit="g", usual=(1, 6), hint="Left in it after straining."),
            ),
        ),
        Shelf(
            "ice",
            "ice",
            "Ice",
            "A kind of ice, as it comes to the vessel.",
            (
                Field("shape", "Shape", Kind.CHOICE, choices=tuple(IceShape)),
                Field("edge_mm", "Edge, or diameter", unit="mm", usual=(6, 60)),
                Field("temp_c", "Usual temperature", unit="°C", usual=(-20, 0)),
                Field("surface_water_pct", "Water on its surface", unit="% by mass", usual=(0, 15)),
                Field(
                    "price_per_kg", "Price of a kilogram", hint="In your money: for what a night's ice costs."
                ),
            ),
        ),
        Shelf(
            "techniques",
            "technique",
            "Techniques",
            "A way of moving the drink that goes by a name of its own.",
            (Field("like", "Most like", Kind.CHOICE, choices=tuple(Motion)),),
        ),
    )
}
"""Every section of a bench, in the order in which one makes a drink up."""


def shelf_of(name: str) -> Shelf:
    """The shelf of a section, by its own name or what one entry is called.

    Raises
    ------
    NotFound
        There is none.
    """
    plain = name.casefold().strip()
    for shelf in SHELVES.values():
        if plain in (shelf.section, shelf.one):
            return shelf
    raise NotFound("shelf of a bench", name[:80], [s.one for s in SHELVES.values()])


def written(field: Field, table: Mapping[str, Any]) -> tuple[str, ...]:
    """What a table of bench.toml says of a field, as it is typed: one text, or two of a window; "" for nothing."""
    value: Any = table
    for key in field.key.split("."):
        value = value.get(key) if isinstance(value, Mapping) else None
    if field.window:
        listed = value if isinstance(value, list) and len(value) == 2 else ("", "")
        return tuple(_text(v) for v in listed)
    if field.kind is Kind.NAMES:
        return (", ".join(map(str, value)),) if isinstance(value, list) else (_text(value),)
    return (_text(value) if isinstance(value, str | int | float) else "",)


def _text(value: Any) -> str:
    return "" if value is None else f"{value:.10g}" if isinstance(value, float) else str(value)


def changed_table(
    fields: Sequence[Field], table: Mapping[str, Any], said: Mapping[str, Sequence[str]]
) -> dict[str, Any]:
    """A table of bench.toml once what was typed is in it: texts by key, one or two; "" takes a value out.

    What is not said stays as it is, and so does what was typed as it stands.

    Raises
    ------
    BenchError
        Naming every field that cannot be read, and what to write.
    """
    out = {k: dict(v) if isinstance(v, dict) else v for k, v in table.items()}
    wrong = []
    for field in fields:
        texts = tuple(" ".join(str(t).split()) for t in said.get(field.key, ()))
        plain = tuple(t.replace("\N{MINUS SIGN}", "-") for t in texts)
        if not texts or written(field, table) in (texts, plain):
            continue
        try:
            value = _value(field, texts)
        except ModelRangeError as error:
            wrong.append(f"{field.words}: {error}")
            continue
        _put(out, field.key.split("."), value)
    if wrong:
        raise BenchError("; ".join(wrong), Place(), "Write a number, with a unit of its kind if you like")
    return out


def _put(table: dict[str, Any], keys: list[str], value: Any) -> None:
    """Set a value, or take it out where it is None; a table in it that is left empty goes."""
    if len(keys) > 1:
        inner = table.setdefault(keys[0], {})
        _put(inner, keys[1:], value)
        if not inner:
            del table[keys[0]]
    elif value is None:
        table.pop(keys[0], None)
    else:
        table[keys[0]] = value


def _value(field: Field, texts: Sequence[str]) -> Any:
    if not any(texts):
        return None
    if field.window:
        if len(texts) != 2 or not all(texts):
            raise ModelRangeError("give both ends, from and to")
        return [_number(field, t) for t in texts]
    text = texts[0]
    if field.kind in (Kind.TEXT, Kind.RECIPE):
        return text
    if field.kind is Kind.CHOICE:
        return text.casefold() if text.casefold() in field.choices else text
    if field.kind is Kind.NAMES:
        return [name.strip() for name in text.replace(";", ",").split(",") if name.strip()]
    return _number(field, text)


_CONVERTED = ("°C", "g", "ml")


def _number(field: Field, text: str) -> float | int:
    if field.kind is Kind.SHARE:
        value = typed_share(text)[0]
    else:
        # a unit that is converted from nothing may be typed as it stands beside the field
        known = field.unit in _CONVERTED
        value = typed(text if known else text.removesuffix(field.unit).strip(), field.unit if known else "")
    value = round(value, 4)
    return int(value) if value.is_integer() else value


def summary(shelf: Shelf, table: Mapping[str, Any]) -> str:
    """What an entry says, in one line."""
    if shelf.parts:
        listed = table.get("ingredients")
        named = [i for i in listed if isinstance(i, dict)] if isinstance(listed, list) else []
        return ", ".join(f"{i.get('name', '?')}{_amount(i)}" for i in named) or "no ingredients"
    return ", ".join(t for f in shelf.fields if (t := _of_field(f, table))) or "nothing said"


def was_and_is(section: str, key: str, before: Any, after: Any) -> tuple[str, str]:
    """A field of an entry before and after a change, in words; "" is the whole entry, None where it was not there.

    Of a recipe's ingredients only those that changed.
    """
    shelf = SHELVES.get(section)
    if shelf is None or not key:
        return _plainly(shelf, before), _plainly(shelf, after)
    if shelf.parts and key == "ingredients":
        listed = [
            [i for i in v if isinstance(i, dict)] if isinstance(v, list) else [] for v in (before, after)
        ]
        was, now = ([i for i in mine if i not in other] for mine, other in (listed, listed[::-1]))
        return _poured(shelf, was), _poured(shelf, now)
    field = next((f for f in shelf.fields if f.key == key), None)
    if field is None:
        return _shown(before), _shown(after)
    return _of_field(field, {key: before}) or "–", _of_field(field, {key: after}) or "–"


def words_of(section: str, key: str) -> str:
    """What a field of an entry is called."""
    shelf = SHELVES.get(section)
    known = () if shelf is None else shelf.fields
    return next((f.words.casefold() for f in known if f.key == key), key.replace("_", " "))


def _plainly(shelf: Shelf | None, table: Any) -> str:
    if shelf is None or not isinstance(table, dict):
        return _shown(table)
    return summary(shelf, table) if not shelf.parts else _poured(shelf, table.get("ingredients"))


def _poured(shelf: Shelf, listed: Any) -> str:
    said = []
    for table in listed if isinstance(listed, list) else []:
        told = [t for f in shelf.parts if f.key != "name" and (t := _of_field(f, table))]
        said.append(f"{table.get('name', '?')} ({', '.join(told)})" if told else str(table.get("name", "?")))
    return "; ".join(said) or "–"


def _of_field(field: Field, table: Mapping[str, Any]) -> str:
    """What a table says of a field, with its unit, and its words where the unit does not tell."""
    texts = [
        t.replace("-", "−") if field.kind in (Kind.NUMBER, Kind.SHARE) else t for t in written(field, table)
    ]
    if not any(texts):
        return ""
    value = f"{' to '.join(texts)} {field.unit}".strip()
    return (
        value
        if field.key in ("volume_ml", "mass_g") and not field.window
        else f"{field.words.casefold()} {value}"
    )


def _shown(value: Any) -> str:
    return "–" if value is None else str(value)


def _amount(ingredient: Mapping[str, Any]) -> str:
    for key, unit in (("volume_ml", "ml"), ("mass_g", "g")):
        if key in ingredient:
            return f" {_text(ingredient[key])} {unit}"
    return ""
