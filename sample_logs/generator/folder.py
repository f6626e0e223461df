"""Write a bench folder: bench.toml, run_sheet.csv and one trace file a run."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from sample_logs.generator.instruments import Record
from sample_logs.generator.liquid import Drink, Pour

COLUMNS = (
    "run",
    "started_at",
    "operator",
    "session",
    "technique",
    "vessel",
    "ice",
    "ice_mass_g",
    "ice_temp_c",
    "recipe",
    "drink_mass_g",
    "drink_temp_c",
    "vessel_temp_c",
    "room_temp_c",
    "duration_s",
    "strained_mass_g",
    "trace",
    "notes",
)


@dataclass(frozen=True)
class SheetRow:
    """One run of the sheet: who, when, what, and the record of it."""

    run: str
    started_at: str
    operator: str
    session: str
    technique: str
    vessel: str
    ice: str
    recipe: str
    record: Record
    notes: str = ""
    extra: Mapping[str, str] = field(default_factory=dict)
    """Cells of optional columns."""


Value = str | float | int | tuple[float, float]


@dataclass(frozen=True)
class BenchText:
    """The parts of a bench.toml; inner mappings are keys as the contract names them."""

    title: str
    note: str
    vessels: Mapping[str, Mapping[str, Value]]
    ices: Mapping[str, Mapping[str, Value]]
    drinks: Sequence[Drink]
    targets: Mapping[str, Mapping[str, Value]]

    def render(self) -> str:
        """The file's text."""
        lines = [f'title = "{self.title}"', f'note = "{self.note}"', ""]
        for section, entries in (("vessels", self.vessels), ("ice", self.ices)):
            for name, keys in entries.items():
                lines += [f'[{section}."{name}"]', *(f"{k} = {_toml(v)}" for k, v in keys.items()), ""]
        for drink in self.drinks:
            lines += [f'[recipes."{drink.name}"]', "ingredients = ["]
            lines += [f"  {{ {_pour(p)} }}," for p in drink.pours]
            lines += ["]", ""]
        for name, keys in self.targets.items():
            lines += [f'[targets."{name}"]', *(f"{k} = {_toml(v)}" for k, v in keys.items()), ""]
        return "\n".join(lines).rstrip() + "\n"


def _toml(value: Value) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return f"[{value[0]:.2f}, {value[1]:.2f}]"
    return f"{value:g}"


def _pour(pour: Pour) -> str:
    parts = [f'name = "{pour.name}"', f"volume_ml = {pour.volume_ml:g}"]
    for key in ("abv_pct", "sugar_g_per_100ml", "solids_pct", "caffeine_mg"):
        if getattr(pour, key):
            parts.append(f"{key} = {getattr(pour, key):g}")
    if pour.allergens:
        parts.append("allergens = [" + ", ".join(f'"{a}"' for a in pour.allergens) + "]")
    return ", ".join(parts)


def _cell(value: float | None, decimals: int = 1) -> str:
    return "" if value is None else f"{value:.{decimals}f}"


def write_bench(folder: Path, bench: BenchText, rows: Sequence[SheetRow]) -> None:
    """Write the folder; the same input gives the same bytes."""
    traces = folder / "traces"
    traces.mkdir(parents=True, exist_ok=True)
    _save(folder / "bench.toml", bench.render())
    sheet = io.StringIO()
    out = csv.writer(sheet, lineterminator="\n")
    optional = list(dict.fromkeys(k for row in rows for k in row.extra))
    out.writerow([*COLUMNS, *optional])
    for row in rows:
        r = row.record
        trace = f"traces/{row.run}.csv" if r.trace_time_s is not None else ""
        who = (row.run, row.started_at, row.operator, row.session, row.technique, row.vessel, row.ice)
        ice = (_cell(r.ice_mass_g), _cell(r.ice_temp_c))
        start = (_cell(r.drink_mass_g), _cell(r.drink_temp_c), _cell(r.vessel_temp_c), _cell(r.room_temp_c))
        end = (_cell(r.duration_s), _cell(r.strained_mass_g), trace, row.notes)
        out.writerow([*who, *ice, row.recipe, *start, *end, *(row.extra.get(k, "") for k in optional)])
        if trace:
            _save(folder / trace, trace_text(r))
    _save(folder / "run_sheet.csv", sheet.getvalue())


def trace_text(record: Record) -> str:
    """A trace file: seconds from the start of motion, and what was read."""
    columns = {"time_s": record.trace_time_s, "probe_c": record.trace_probe_c}
    decimals = {"time_s": 2, "probe_c": 2, "cadence_hz": 1}
    if record.trace_cadence_hz is not None:
        columns["cadence_hz"] = record.trace_cadence_hz
    lines = [",".join(columns)]
    for values in zip(*columns.values(), strict=True):
        cells = (
            "" if np.isnan(v) else f"{v + 0.0:.{decimals[k]}f}" for k, v in zip(columns, values, strict=True)
        )
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


def _save(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")
