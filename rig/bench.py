"""What a bench is: vessels, ices, recipes, targets and techniques, as validated values.

A bench is described in `bench.toml`; `parse_bench` turns its text into a `Bench` and a list of notes on
what it did not know. Nothing else here reads files.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any, TypeVar

from rig.brewing import Brew, brew_from_table, weighed
from rig.errors import BenchError, NotFound, Place
from rig.names import unclear_among
from rig.recipe import Ingredient as Ingredient
from rig.recipe import Recipe as Recipe
from rig.target import SINGLE, WINDOWS
from rig.target import Target as Target
from rig.target import Window as Window

BENCH_FILE = "bench.toml"


class IceShape(StrEnum):
    """Shapes of ice that the model knows; `edge_mm` is the edge, or the diameter where round."""

    CUBE = "cube"
    BLOCK = "block"
    SPHERE = "sphere"
    PEBBLE = "pebble"
    CRACKED = "cracked"
    CRUSHED = "crushed"


@dataclass(frozen=True)
class Vessel:
    """A shaker, mixing glass, blender jar or cup."""

    name: str
    material: str = "stainless steel"
    mass_g: float | None = None
    heat_capacity_j_per_k: float | None = None
    held_back_g: float | None = None


@dataclass(frozen=True)
class Ice:
    """A kind of ice: shape and size of its pieces, usual temperature, water on its surface, price."""

    name: str
    shape: IceShape = IceShape.CUBE
    edge_mm: float | None = None
    temp_c: float | None = None
    surface_water_pct: float | None = None
    price_per_kg: float | None = None


class Motion(StrEnum):
    """How a technique moves the drink; decides the priors of rate and heat of motion."""

    SHAKE = "shake"
    STIR = "stir"
    BLEND = "blend"
    SWIRL = "swirl"
    BUILD = "build"


@dataclass(frozen=True)
class Technique:
    """A named way of moving the drink, and which of the known motions it is most like."""

    name: str
    like: Motion | None = None


@dataclass(frozen=True)
class Bench:
    """Everything in use on a bench, by name."""

    title: str = "untitled bench"
    vessels: Mapping[str, Vessel] = field(default_factory=dict)
    ice: Mapping[str, Ice] = field(default_factory=dict)
    recipes: Mapping[str, Recipe] = field(default_factory=dict)
    targets: Mapping[str, Target] = field(default_factory=dict)
    techniques: Mapping[str, Technique] = field(default_factory=dict)
    notes: Mapping[str, Any] = field(default_factory=dict)

    def vessel(self, name: str) -> Vessel:
        """The vessel of that name; NotFound names the ones there are."""
        return _named("vessel", self.vessels, name)

    def ice_type(self, name: str) -> Ice:
        """The ice of that name; NotFound names the ones there are."""
        return _named("ice", self.ice, name)

    def recipe(self, name: str) -> Recipe:
        """The recipe of that name; NotFound names the ones there are."""
        return _named("recipe", self.recipes, name)

    def target(self, name: str) -> Target:
        """The target of that name; NotFound names the ones there are."""
        return _named("target", self.targets, name)

    @property
    def names(self) -> tuple[str, ...]:
        """Every name that somebody gave to something on the bench."""
        kinds = (self.vessels, self.ice, self.recipes, self.targets, self.techniques)
        poured = (i.name for r in self.recipes.values() for i in r.ingredients)
        return (self.title, *(name for kind in kinds for name in kind), *poured)

    def motion(self, technique: str) -> Motion | None:
        """Which known motion a technique is like: declared, or by its name, or None."""
        declared = self.techniques.get(technique)
        if declared is not None and declared.like is not None:
            return declared.like
        words = technique.casefold()
        return next((m for m in Motion if m.value in words), None)


Entry = TypeVar("Entry")


def _named(kind: str, entries: Mapping[str, Entry], name: str) -> Entry:
    try:
        return entries[name]
    except KeyError:
        raise NotFound(kind, name, entries) from None


@dataclass(frozen=True)
class BenchNote:
    """Something in bench.toml that was not understood; where it is an entry, it is left out by its name."""

    text: str
    place: Place
    cure: str = ""
    left_out: tuple[str, str] | None = None  # section and name


def parse_bench(text: str, file: str = BENCH_FILE) -> tuple[Bench, tuple[BenchNote, ...]]:
    """Turn the text of a bench.toml into a Bench.

    Returns
    -------
    The bench, and a note for each key that is not known and each entry that is left out because a value in it
    is missing, of the wrong kind or impossible: with file, line and key. Both are kept in `Bench.notes`.

    Raises
    ------
    BenchError
        Where the text is no TOML, or its title or a section is of the wrong kind.
    """
    reader = _Reader(text, file)
    return reader.bench(), tuple(reader.notes)


SECTIONS = ("vessels", "ice", "recipes", "targets", "techniques")
_POSITIVE = {"mass_g", "heat_capacity_j_per_k", "edge_mm", "volume_ml", "density_g_per_ml"}
_PARTS = {"abv_pct", "brix", "solids_pct", "surface_water_pct"}
_OVERDRAWN = 0.01
_NOT_BREWED = ("solids_pct", "abv_pct", "brix", "sugar_g_per_100ml", "density_g_per_ml")
_NOT_NEGATIVE = {"held_back_g", "sugar_g_per_100ml", "caffeine_mg", "price_per_l", "price_per_kg", *_PARTS}
_UPPER = {"abv_pct": 100.0, "brix": 100.0, "surface_water_pct": 60.0, "solids_pct": 100.0}


_MOST_DEPTH = 20


def _deeper(value: Any, most: int) -> bool:
    """Whether tables and lists are nested deeper than so many."""
    level = [value]
    for _ in range(most + 1):
        level = [
            inner
            for v in level
            if isinstance(v, dict | list)
            for inner in (v.values() if isinstance(v, dict) else v)
            if isinstance(inner, dict | list)
        ]
    return bool(level)


def _finite(value: float) -> bool:
    """Whether a number can be reckoned with; an integer may be too large for that."""
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


class _Reader:
    """Walks the parsed TOML, keeps notes on what it does not know, and says where things stand."""

    def __init__(self, text: str, file: str) -> None:
        self.file, self.lines, self.notes = file, text.splitlines(), list[BenchNote]()
        self.kept: dict[str, Any] = {}
        self.drawing: list[str] = []
        try:
            self.raw = tomllib.loads(text)
        except (ValueError, RecursionError) as error:  # also of numbers and nesting without end
            raise BenchError(f"not valid TOML: {error}", Place(file=file)) from error
        if _deeper(self.raw, _MOST_DEPTH):
            raise BenchError(f"its tables are nested more than {_MOST_DEPTH} deep", Place(file=file))

    def place(self, *words: str) -> Place:
        """The line that names these words, in order: the table's header, then the key below it."""
        at = None
        start = 0
        for word in words:
            lines = [n for n in range(start, len(self.lines)) if word in self.lines[n]]
            heads = [n for n in lines if at is None and self.lines[n].lstrip().startswith("[")]
            found = next(iter(heads or lines), None)
            if found is None:
                break
            at, start = found, found
        return Place(file=self.file, line=None if at is None else at + 1, column=None)

    def error(self, what: str, *words: str, cure: str = "") -> BenchError:
        return BenchError(what, self.place(*words), cure)

    def note(self, path: str, value: Any, *words: str) -> None:
        self.kept[path] = value
        self.notes.append(BenchNote(f"unknown key {path!r} kept as a note", self.place(*words)))

    def bench(self) -> Bench:
        for key in self.raw:
            if key not in (*SECTIONS, "title", "note", "notes"):
                self.note(key, self.raw[key], key)
            elif key in ("note", "notes"):
                self.kept[key] = self.raw[key]
        title = self.raw.get("title", "untitled bench")
        if not isinstance(title, str):
            raise self.error("title must be text", "title")
        return Bench(
            title=title,
            vessels=self.entries("vessels", lambda n, t: self.entry(Vessel, "vessels", n, t)),
            ice=self.entries("ice", lambda n, t: self.entry(Ice, "ice", n, t)),
            recipes=self.entries("recipes", self.recipe),
            targets=self.entries("targets", self.target),
            techniques=self.entries("techniques", lambda n, t: self.entry(Technique, "techniques", n, t)),
            notes=self.kept,
        )

    def entries(self, section: str, read: Callable[[str, dict[str, Any]], Entry]) -> dict[str, Entry]:
        """The entries of a section by name, without those that cannot be used as written."""
        found: dict[str, Entry] = {}
        tables = self.raw.get(section, {})
        if not isinstance(tables, dict):
            raise self.error(
                f"{section} must hold one table per entry", section, cure=f'Write [{section}."a name"]'
            )
        for name, table in tables.items():
            try:
                if unclear := unclear_among(section.removesuffix("s"), name, found):
                    raise self.error(unclear[0], name, cure=unclear[1])
                if not isinstance(table, dict):
                    cure = f'Write [{section}."{name}"]'
                    raise self.error(f"{section} must hold one table per entry", name, cure=cure)
                found[name] = read(name, table)
            except BenchError as error:
                self.kept[f"{section}.{name}"] = table
                text = f"{error.what}; {section}.{name} is left out"
                self.notes.append(BenchNote(text, error.place, error.cure, (section, name)))
        return found

    def entry(self, kind: type[Entry], section: str, name: str, table: dict[str, Any]) -> Entry:
        values = self.values(kind, f"{section}.{name}", table, (name,))
        return kind(**{"name": name, **values})

    def values(
        self, kind: type[Any], path: str, table: dict[str, Any], words: tuple[str, ...]
    ) -> dict[str, Any]:
        known = {f.name: f for f in fields(kind) if f.name != "name"}
        out: dict[str, Any] = {}
        for key, value in table.items():
            if key not in known:
                if key != "name":
                    self.note(f"{path}.{key}", value, *words, key)
                continue
            out[key] = self.value(path, key, value, words)
        return out

    def value(self, path: str, key: str, value: Any, words: tuple[str, ...]) -> Any:
        if key == "shape":
            return self.choice(IceShape, path, key, value, words)
        if key == "like":
            return self.choice(Motion, path, key, value, words)
        if key == "material":
            if not isinstance(value, str):
                raise self.error(f"{path}: material must be text", *words, key)
            return value
        if key == "allergens":
            if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
                raise self.error(f"{path}: allergens must be a list of names", *words, key)
            return tuple(value)
        if key == "batch":
            return self.batch(path, value, words)
        if key == "brew":
            return self.brew(f"{path}.brew", value, (*words, key))
        return self.number(path, key, value, words)

    def batch(self, path: str, value: Any, words: tuple[str, ...]) -> tuple[Ingredient, ...]:
        """What a batch is made of: another recipe of the bench by its name, or its ingredients listed."""
        if isinstance(value, list) and value:
            return tuple(self.ingredient(words[0], i) for i in value)
        recipes = self.raw.get("recipes", {})
        if not isinstance(value, str):
            raise self.error(
                f"{path}: batch is the name of a recipe, or a list of ingredients", *words, "batch"
            )
        if value not in recipes:
            raise self.error(f"{path}: {NotFound('recipe', value, recipes)}", *words, "batch")
        if value in (*self.drawing, words[0]):
            raise self.error(f"{path}: {value!r} is drawn from itself", *words, "batch")
        self.drawing.append(words[0])
        try:
            return self.recipe(value, recipes[value]).ingredients
        finally:
            self.drawing.pop()

    def brew(self, path: str, table: Any, words: tuple[str, ...]) -> Brew:
        try:
            made, unknown = brew_from_table(table)
        except BenchError as error:
            at = (error.place.column,) if error.place.column else ()
            raise self.error(f"{path}: {error.what}", *words, *at, cure=error.cure) from error
        for key in unknown:
            self.note(f"{path}.{key}", table[key], *words, key)
        return made

    def choice(self, kind: type[StrEnum], path: str, key: str, value: Any, words: tuple[str, ...]) -> Any:
        try:
            return kind(value)
        except ValueError:
            options = ", ".join(kind)
            raise self.error(f"{path}: {key} {value!r} is not one of {options}", *words, key) from None

    def number(self, path: str, key: str, value: Any, words: tuple[str, ...]) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not _finite(value):
            raise self.error(f"{path}: {key} must be a number, found {str(value)[:40]}", *words, key)
        if key in _POSITIVE and value <= 0:
            raise self.error(f"{path}: {key} must be above zero, found {value:g}", *words, key)
        if key in _NOT_NEGATIVE and value < 0:
            raise self.error(f"{path}: {key} cannot be negative, found {value:g}", *words, key)
        if value > _UPPER.get(key, math.inf):
            raise self.error(f"{path}: {key} cannot exceed {_UPPER[key]:g}, found {value:g}", *words, key)
        return float(value)

    def recipe(self, name: str, table: dict[str, Any]) -> Recipe:
        for key in table:
            if key != "ingredients":
                self.note(f"recipes.{name}.{key}", table[key], name, key)
        listed = table.get("ingredients")
        if not isinstance(listed, list) or not listed:
            raise self.error(f"recipe {name!r} lists no ingredients", name)
        return Recipe(name, tuple(self.ingredient(name, i) for i in listed))

    def ingredient(self, recipe: str, table: Any) -> Ingredient:
        if not isinstance(table, dict) or not isinstance(table.get("name"), str):
            raise self.error(f"recipe {recipe!r}: each ingredient needs a name", recipe)
        name = table["name"]
        words = (recipe, name)
        values = self.values(Ingredient, f"recipes.{recipe}.{name}", table, words)
        amounts = sum(key in values for key in ("volume_ml", "mass_g"))
        if amounts > 1 or not (amounts or "brew" in values):
            what = f"recipe {recipe!r}: {name!r} needs volume_ml or mass_g, one of the two, or brew in their place"
            raise self.error(what, *words)
        if "batch" in values and (not amounts or "brew" in values):
            what = f"recipe {recipe!r}: {name!r} is drawn from a batch: it needs volume_ml or mass_g, and no brew"
            raise self.error(what, *words)
        if amounts and "brew" in values:
            self.refuse_overdrawn(recipe, Ingredient(name=name, **values), words)
        beside = next((k for k in _NOT_BREWED if k in values and "brew" in values), None)
        if beside is not None:
            what = f"recipe {recipe!r}: {name!r} is brewed, so {beside} follows from the brew or is another ingredient"
            raise self.error(what, *words, beside, cure="List what else is in it as an ingredient of its own")
        if "brix" in values and "sugar_g_per_100ml" in values:
            raise self.error(f"recipe {recipe!r}: {name!r} gives sugar twice, as brix and per 100 ml", *words)
        return Ingredient(name=name, **values)

    def refuse_overdrawn(self, recipe: str, drawn: Ingredient, words: tuple[str, ...]) -> None:
        """A brew gives no more than it yields."""
        assert drawn.brew is not None and drawn.mass_g is not None
        most_g = weighed(drawn.brew).yield_g.high
        if drawn.mass_g > most_g * (1.0 + _OVERDRAWN):
            what = f"recipe {recipe!r}: {drawn.mass_g:.4g} g of {drawn.name!r} are more than its brew of {most_g:.4g} g"
            raise self.error(what, *words, cure="Draw less, or give count, how many such brews are made")

    def target(self, name: str, table: dict[str, Any]) -> Target:
        values: dict[str, Any] = {}
        for key, value in table.items():
            if key in SINGLE:
                values[key] = self.number(f"targets.{name}", key, value, (name,))
            elif key in WINDOWS:
                if not isinstance(value, list) or len(value) != 2:
                    raise self.error(f"target {name!r}: {key} must be [low, high]", name, key)
                values[key] = tuple(self.number(f"targets.{name}", "", v, (name, key)) for v in value)
            else:
                self.note(f"targets.{name}.{key}", value, name, key)
        try:
            return Target(name=name, **values)
        except BenchError as error:
            raise self.error(error.what, name, cure=error.cure) from error
