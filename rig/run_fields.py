"""What is written down of a run, in words and units: the columns of a sheet, the fields of a form."""

from __future__ import annotations

from rig.bench_fields import Field, Kind

RUN_FIELDS = (
    Field("run", "Run", Kind.TEXT),
    Field("started_at", "Started", Kind.TEXT, hint="Year first: 2026-03-09 18:30."),
    Field("operator", "Operator", Kind.TEXT),
    Field("session", "Session", Kind.TEXT),
    Field("technique", "Technique", Kind.TEXT),
    Field("vessel", "Which vessel", Kind.TEXT),
    Field("ice", "Which ice", Kind.TEXT),
    Field("recipe", "Which recipe", Kind.TEXT),
    Field("ice_mass_g", "Ice", unit="g", usual=(80, 350)),
    Field("ice_temp_c", "Ice temperature", unit="°C", usual=(-20, 0)),
    Field("drink_mass_g", "Drink before the ice", unit="g", usual=(60, 200)),
    Field("drink_temp_c", "Drink before the ice, temperature", unit="°C", usual=(2, 30)),
    Field("vessel_temp_c", "Vessel temperature", unit="°C", usual=(-18, 25)),
    Field("room_temp_c", "Room temperature", unit="°C", usual=(18, 26)),
    Field("duration_s", "Shaken or stirred", unit="s", usual=(5, 40)),
    Field("strained_mass_g", "Strained", unit="g", usual=(80, 260)),
    Field("target", "Target", Kind.TEXT),
    Field("gross_before_g", "Vessel and all, before", unit="g", usual=(300, 1200)),
    Field("gross_after_g", "Vessel and all, after", unit="g", usual=(300, 1200)),
    Field("foam_ml", "Drink with its foam", unit="ml", usual=(80, 250)),
    Field("foam_half_life_s", "Half of the foam gone after", unit="s", usual=(20, 300)),
    Field("notes", "Notes", Kind.TEXT),
    Field("excluded_because", "Left out because", Kind.TEXT, hint="Empty: it counts."),
)
"""In the order of a notebook; the trace is no cell, and what a calibration leaves unknown is worked out."""
BY_KEY = {field.key: field for field in RUN_FIELDS}
