"""The tables of the open data: every column with its type, its unit and what it means.

The description follows Data Package 2.0 and its Table Schema (datapackage.org); units are said in `unit`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from rig.bench_fields import SHELVES, Field, Kind
from rig.plausible import RUN as MEASURED
from rig.run_fields import BY_KEY

FORMAT = "chillrig open data 1"
"""What the package says it is; the number rises where an older reader would misread it."""
DESCRIPTION = "datapackage.json"
_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
TEXT, NUMBER, INTEGER, OBJECT, ARRAY = "string", "number", "integer", "object", "array"


@dataclass(frozen=True)
class Column:
    """One column: its type by Table Schema (an object is JSON text), what it means, its unit."""

    name: str
    kind: str
    meaning: str
    unit: str = ""
    required: bool = False

    @property
    def is_text(self) -> bool:
        """Whether it holds text, JSON too."""
        return self.kind in (TEXT, OBJECT, ARRAY)

    def described(self) -> dict[str, Any]:
        """Its field descriptor."""
        said: dict[str, Any] = {"name": self.name, "type": self.kind, "description": self.meaning}
        if self.unit:
            said["unit"] = self.unit
        if self.required:
            said["constraints"] = {"required": True}
        return said


@dataclass(frozen=True)
class Table:
    """One table: what a row is, its columns, its key, and which columns name rows of another table."""

    name: str
    row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    refers: tuple[tuple[tuple[str, ...], str, tuple[str, ...]], ...] = ()

    @property
    def file(self) -> str:
        """Its file in the folder."""
        return f"{self.name}.parquet"

    def described(self) -> dict[str, Any]:
        """Its resource descriptor, but for what only the finished file tells."""
        schema: dict[str, Any] = {"fields": [c.described() for c in self.columns]}
        if self.key:
            schema["primaryKey"] = list(self.key)
        if self.refers:
            schema["foreignKeys"] = [
                {"fields": list(mine), "reference": {"resource": other, "fields": list(theirs)}}
                for mine, other, theirs in self.refers
            ]
        return {
            "name": self.name,
            "type": "table",
            "path": self.file,
            "format": "parquet",
            "mediatype": "application/vnd.apache.parquet",
            "description": f"One row {self.row}.",
            "schema": schema,
        }


_BENCH = Column("bench", TEXT, "The bench's name in the logbook", required=True)
_RUN = Column("run", TEXT, "The run's name on its bench", required=True)
_TRACE_UNITS = "°C for probe_c, probe_NAME_c and room_c, g for scale_g, Hz for cadence_hz"
_MEANINGS: Mapping[str, str] = {
    "started_at": "When it was started, by ISO 8601, with the offset from UTC where that is known",
    "operator": "Whose hands made it; without names: hand 1, hand 2 … within each bench",
    "session": "The session it belongs to; without names: session 1, session 2 … within each bench",
    "technique": "How the drink was moved",
    "vessel": "What it was moved in; described in vessels",
    "ice": "Which ice; described in ice",
    "recipe": "Which recipe; described in recipes",
    "target": "The target it was made for; described in targets",
    "ice_mass_g": "Mass of the ice",
    "ice_temp_c": "Temperature of the ice before it met the drink",
    "drink_mass_g": "Mass of the drink before the ice",
    "drink_temp_c": "Temperature of the drink before the ice",
    "vessel_temp_c": "Temperature of the vessel before the drink",
    "room_temp_c": "Temperature of the room",
    "duration_s": "How long it was moved",
    "strained_mass_g": "Mass of the drink strained off",
    "gross_before_g": "Mass of vessel, drink and ice before it was moved",
    "gross_after_g": "Mass of vessel, drink and ice after it was moved",
    "foam_ml": "Volume of the whole drink, foam and all, right after straining",
    "foam_half_life_s": "Time until half of the foam is gone",
    "probe_std_k": "Standard uncertainty that a calibration leaves to the main probe's readings",
    "scale_std_g": "Standard uncertainty that a calibration leaves to a weigh-in of the drink",
    "notes": "What was noted",
    "excluded_because": "Why it is left out of fits; empty where it counts",
    "trace_file": "The name of the file that the trace came from",
    "extra": "Further columns of its run sheet, by name",
}
_REQUIRED = ("technique", "vessel", "ice", "recipe")


def _measured(name: str) -> Column:
    unit = MEASURED[name].unit if name in MEASURED else ""
    kind = NUMBER if name in MEASURED else OBJECT if name == "extra" else TEXT
    return Column(name, kind, _MEANINGS[name], unit, name in _REQUIRED)


RUN_COLUMNS = (*(key for key in BY_KEY if key != "run"), "probe_std_k", "scale_std_g", "trace_file", "extra")
"""The fields of a run that stand in a column of their own name."""

BENCHES = Table(
    "benches",
    "a bench",
    (
        _BENCH,
        Column("title", TEXT, "Its title"),
        Column("runs", INTEGER, "How many of its runs are in the table of runs", required=True),
        Column("bench_toml", TEXT, "All that is known of it, as the text of a bench.toml", required=True),
    ),
    key=("bench",),
)
RUNS = Table(
    "runs",
    "a run, one drink made once; empty means not measured",
    (
        _BENCH,
        _RUN,
        *(_measured(name) for name in RUN_COLUMNS),
        Column("trace", INTEGER, "Which trace was recorded of it, by its number in traces"),
        Column("rev", INTEGER, "Its revision: 1 as it came in, one more with each correction", required=True),
        Column("source", TEXT, "The file or folder that it came from"),
        Column("as_imported", OBJECT, "What that said of it, by the names of these columns"),
    ),
    key=("bench", "run"),
    refers=((("bench",), "benches", ("bench",)),),
)
CORRECTIONS = Table(
    "corrections",
    "a value of a run that was changed after it had come in",
    (
        _BENCH,
        _RUN,
        Column("rev", INTEGER, "The revision that the change made", required=True),
        Column("changed_at", TEXT, "When, in UTC by ISO 8601", required=True),
        Column("why", TEXT, "Why it was changed"),
        Column("field", TEXT, "Which column of runs", required=True),
        Column("before", TEXT, "What it was, as JSON, in that column's unit; a trace by its digest"),
        Column("after", TEXT, "What it is since, as JSON, in that column's unit; a trace by its digest"),
        Column("change", TEXT, "The change's id, the same in every logbook that holds it", required=True),
        Column("follows", ARRAY, "Ids of the changes of this field that it knew of, as a JSON list"),
        Column("made_in", TEXT, "The logbook that it was made in"),
    ),
    key=("bench", "run", "rev", "field"),
    refers=((("bench", "run"), "runs", ("bench", "run")),),
)
FINDINGS = Table(
    "findings",
    "something odd that was found in a bench's material",
    (
        _BENCH,
        Column("run", TEXT, "The run it is about"),
        Column("gravity", TEXT, "note, doubt or left out", required=True),
        Column("what", TEXT, "What was found", required=True),
        Column("cure", TEXT, "What to do about it"),
        Column("file", TEXT, "The file it was found in"),
        Column("line", INTEGER, "The line of that file"),
        Column("column", TEXT, "The column of that file"),
    ),
)
CHANNELS = Table(
    "channels",
    "a channel of a trace, in the order of traces; the first probe is the main one",
    (
        Column("trace", INTEGER, "Number of the trace", required=True),
        Column("digest", TEXT, "SHA-256 of what the trace holds; corrections name it so", required=True),
        Column("channel", TEXT, "Its name; time_s where a trace holds its moments alone", required=True),
        Column("unit", TEXT, "Its unit"),
        Column("samples", INTEGER, "How many readings it has", required=True),
    ),
    key=("trace", "channel"),
)
TRACES = Table(
    "traces",
    "a reading: one channel of one trace at one moment",
    (
        Column("trace", INTEGER, "Number of the trace, as in runs", required=True),
        Column(
            "channel",
            TEXT,
            "What was read: probe_c, probe_NAME_c, scale_g, room_c, cadence_hz",
            required=True,
        ),
        Column("time_s", NUMBER, "When, from the start of motion; negative before it", "s", True),
        Column("value", NUMBER, f"What was read: {_TRACE_UNITS}; empty where nothing was"),
    ),
    refers=((("trace", "channel"), "channels", ("trace", "channel")),),
)


def field_columns(field: Field) -> Iterator[Column]:
    """The columns of a field of a bench's entry; a window has one for each end."""
    name = field.key.replace(".", "_")
    kind = NUMBER if field.kind in (Kind.NUMBER, Kind.SHARE) else TEXT
    meaning = ". ".join(t.rstrip(".") for t in (field.words, field.hint) if t)
    if field.window:
        yield Column(f"{name}_from", kind, f"{meaning}: at least", field.unit)
        yield Column(f"{name}_to", kind, f"{meaning}: at most", field.unit)
    else:
        yield Column("ingredient" if name == "name" else name, kind, meaning, field.unit)


def _shelf(section: str) -> Table:
    shelf = SHELVES[section]
    one = Column(shelf.one, TEXT, f"The {shelf.one}'s name, as runs say it", required=True)
    row = f"a {shelf.one} of a bench"
    key: tuple[str, ...] = ("bench", shelf.one)
    first: tuple[Column, ...] = (_BENCH, one)
    if shelf.parts:
        row = f"an ingredient of a {shelf.one}"
        first += (Column("position", INTEGER, "Its place among the ingredients, from 1", required=True),)
        key += ("position",)
    fields = [c for field in (*shelf.fields, *shelf.parts) for c in field_columns(field)]
    return Table(section, row, (*first, *fields), key, ((("bench",), "benches", ("bench",)),))


SHELF_TABLES: Mapping[str, Table] = {section: _shelf(section) for section in SHELVES}
"""What is on the benches, for whoever reads the data elsewhere; on the way back `bench_toml` says it all."""

TABLES = (BENCHES, *SHELF_TABLES.values(), RUNS, CORRECTIONS, FINDINGS, CHANNELS, TRACES)


def description(
    made_at: str, finished: Mapping[str, Mapping[str, Any]], *, with_names: bool
) -> dict[str, Any]:
    """The Data Package of finished tables; `finished`: what is known of each file, by its table's name."""
    return {
        "$schema": _PROFILE,
        "name": "chillrig-logbook",
        "title": "Drinks shaken, stirred or blended on ice: runs and traces",
        "description": "Masses in g, temperatures in °C, times in s. See each column's description.",
        "created": made_at,
        "chillrig": {"format": FORMAT, "names": with_names},
        "resources": [table.described() | dict(finished[table.name]) for table in TABLES],
    }
