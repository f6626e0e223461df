"""The tables of the logbook, the same on SQLite and PostgreSQL.

Masses in g, temperatures in °C, times in s, as in `rig.runs.Run`. A trace is kept once, under the digest of
what it holds, as one compressed blob a channel: all that a list or a filter needs stands in plain columns.
"""

from __future__ import annotations

import sqlalchemy as sa

metadata = sa.MetaData()

TEXTS = ("technique", "vessel", "ice", "recipe")
OPTIONAL_TEXTS = ("operator", "session", "notes", "trace_file", "target", "excluded_because")
NUMBERS = (
    "ice_mass_g",
    "ice_temp_c",
    "drink_mass_g",
    "drink_temp_c",
    "vessel_temp_c",
    "room_temp_c",
    "duration_s",
    "strained_mass_g",
    "gross_before_g",
    "gross_after_g",
    "foam_ml",
    "foam_half_life_s",
    "probe_std_k",
    "scale_std_g",
)

SINCE_STEP_4 = ("probe_std_k", "scale_std_g")
"""Numbers of a run that older logbooks did not have: CREATE TABLE leaves them out (`system`), step 4 adds them."""

schema_version = sa.Table(
    "schema_version",
    metadata,
    sa.Column("version", sa.Integer, primary_key=True),
    sa.Column("applied_at", sa.Text, nullable=False),
)

bench = sa.Table(
    "bench",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False, unique=True),
    sa.Column("title", sa.Text, nullable=False),
    sa.Column("toml", sa.Text, nullable=False),
    sa.Column("rev", sa.Integer, nullable=False),
)

bench_history = sa.Table(
    "bench_history",
    metadata,
    sa.Column("bench_id", sa.ForeignKey("bench.id"), primary_key=True),
    sa.Column("rev", sa.Integer, primary_key=True),
    sa.Column("changed_at", sa.Text, nullable=False),
    sa.Column("toml_before", sa.Text, nullable=False),
    sa.Column("why", sa.Text, nullable=False),
)

trace = sa.Table(
    "trace",
    metadata,
    sa.Column("digest", sa.Text, primary_key=True),
    sa.Column("samples", sa.Integer, nullable=False),
)

channel = sa.Table(
    "channel",
    metadata,
    sa.Column("trace", sa.ForeignKey("trace.digest"), primary_key=True),
    sa.Column("position", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("codec", sa.Text, nullable=False),
    sa.Column("data", sa.LargeBinary, nullable=False),
)

run = sa.Table(
    "run",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("bench_id", sa.ForeignKey("bench.id"), nullable=False),
    sa.Column("run", sa.Text, nullable=False),
    sa.Column("position", sa.Integer, nullable=False),
    sa.Column("rev", sa.Integer, nullable=False),
    sa.Column("source", sa.Text, nullable=False),
    sa.Column("imported", sa.Text, nullable=False),
    sa.Column("fingerprint", sa.Text, nullable=False),
    sa.Column("started_at", sa.Text),
    *(sa.Column(name, sa.Text, nullable=False) for name in TEXTS),
    *(sa.Column(name, sa.Text) for name in OPTIONAL_TEXTS),
    *(sa.Column(name, sa.Double, system=name in SINCE_STEP_4) for name in NUMBERS),
    sa.Column("extra", sa.Text, nullable=False),
    sa.Column("trace", sa.ForeignKey("trace.digest")),
    sa.UniqueConstraint("bench_id", "run"),
    sa.Index("run_in_order", "bench_id", "position"),
    sa.Index("run_of_set_up", "bench_id", "technique", "vessel", "ice"),
    sa.Index("run_of_recipe", "bench_id", "recipe"),
    sa.Index("run_with_trace", "trace"),
)

WIDE_INDEXES = {
    "run_in_order": ("bench_id", "position", "id", "rev", "excluded_because"),
    "run_of_set_up": (
        *("bench_id", *TEXTS, "session", "position", "duration_s", "drink_mass_g", "strained_mass_g"),
        *("excluded_because", "id"),
    ),
}
"""What stands in place of the indexes of these names since step 8: they answer lists, counts and the overview alone.

A row of a run is ten times as wide as what they hold of it.
"""

run_deleted = sa.Table(
    "run_deleted",
    metadata,
    sa.Column("run_id", sa.ForeignKey("run.id"), primary_key=True),
    sa.Column("deleted_at", sa.Text, nullable=False),
    sa.Column("why", sa.Text, nullable=False),
)
"""Runs that were deleted: a state that is taken back by removing the row; the run itself stays."""


def present() -> sa.ColumnElement[bool]:
    """The runs that are not deleted."""
    return run.c.id.not_in(sa.select(run_deleted.c.run_id))


run_history = sa.Table(
    "run_history",
    metadata,
    sa.Column("run_id", sa.ForeignKey("run.id"), primary_key=True),
    sa.Column("rev", sa.Integer, primary_key=True),
    sa.Column("changed_at", sa.Text, nullable=False),
    sa.Column("changes", sa.Text, nullable=False),
    sa.Column("why", sa.Text, nullable=False),
    sa.Column("id", sa.Text, system=True),
    sa.Column("follows", sa.Text, system=True),
    sa.Column("made_in", sa.Text, system=True),
)
"""The corrections of runs. Since step 8 each has an `id` of its own in all logbooks, says for each field which
corrections it `follows`, as JSON, and in which logbook it was made; `rev` counts them as they came into this one."""

step = sa.Table(
    "step",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("bench_id", sa.ForeignKey("bench.id"), nullable=False),
    sa.Column("changed_at", sa.Text, nullable=False),
    sa.Column("why", sa.Text, nullable=False),
    sa.Column("is_undo", sa.Boolean, nullable=False),
    sa.Column("began_bench", sa.Boolean, nullable=False),
    sa.Column("bench_rev", sa.Integer),
    sa.Index("step_of_bench", "bench_id", "id"),
)
"""Everything that was done to a bench and its runs at once, and is taken back at once.

`bench_rev`: the revision that it gave the bench; None where it changed runs alone.
"""

step_run = sa.Table(
    "step_run",
    metadata,
    sa.Column("step_id", sa.ForeignKey("step.id"), primary_key=True),
    sa.Column("run_id", sa.ForeignKey("run.id"), primary_key=True),
    sa.Column("rev", sa.Integer, primary_key=True),
)
"""The revisions that a step gave runs; 1: it brought the run in."""

bench_put_away = sa.Table(
    "bench_put_away",
    metadata,
    sa.Column("bench_id", sa.ForeignKey("bench.id"), primary_key=True),
    sa.Column("put_away_at", sa.Text, nullable=False),
)
"""Benches whose beginning was taken back: in no list, until somebody begins or imports them again."""

bench_file = sa.Table(
    "bench_file",
    metadata,
    sa.Column("bench_id", sa.ForeignKey("bench.id"), primary_key=True),
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("data", sa.LargeBinary, nullable=False),
)
"""The files of the folder that was imported last, each compressed, to write it out again as it lay there."""

source = sa.Table(
    "source",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("bench_id", sa.ForeignKey("bench.id"), nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("imported_at", sa.Text, nullable=False),
    sa.UniqueConstraint("bench_id", "name"),
)

finding = sa.Table(
    "finding",
    metadata,
    sa.Column("source_id", sa.ForeignKey("source.id"), primary_key=True),
    sa.Column("position", sa.Integer, primary_key=True),
    sa.Column("gravity", sa.Text, nullable=False),
    sa.Column("what", sa.Text, nullable=False),
    sa.Column("cure", sa.Text, nullable=False),
    sa.Column("file", sa.Text),
    sa.Column("line", sa.Integer),
    sa.Column("column_name", sa.Text),
    sa.Column("run", sa.Text),
)

fit_cache = sa.Table(
    "fit_cache",
    metadata,
    sa.Column("fingerprint", sa.Text, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
    sa.Column("cached_at", sa.Text, nullable=False),
)

bench_statistics = sa.Table(
    "bench_statistics",
    metadata,
    sa.Column("bench_id", sa.ForeignKey("bench.id"), primary_key=True),
    sa.Column("venue", sa.Text, nullable=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
    sa.Column("made_at", sa.Text, nullable=False),
)
"""What each bench's runs say of their effects, by kind and without names; `venue`: the id of its logbook."""

statistics_shared = sa.Table(
    "statistics_shared",
    metadata,
    sa.Column("venue", sa.Text, primary_key=True),
    sa.Column("shared_at", sa.Text, nullable=False),
)
"""One row where other venues of the database are shown `bench_statistics`."""

learned_prior = sa.Table(
    "learned_prior",
    metadata,
    sa.Column("bench_name", sa.Text, primary_key=True),
    sa.Column("population", sa.Text),
    sa.Column("learned_at", sa.Text, nullable=False),
)
"""What the other benches know, as the prior of each bench; NULL where there is no other; under '' for a new one."""

calibration = sa.Table(
    "calibration",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("device", sa.Text, nullable=False),
    sa.Column("channel", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("made_at", sa.Text, nullable=False),
    sa.Column("expires", sa.Text, nullable=False),
    sa.Column("method", sa.Text, nullable=False),
    sa.Column("origin", sa.Double, nullable=False),
    sa.Column("coefficients", sa.Text, nullable=False),
    sa.Column("covariance", sa.Text, nullable=False),
    sa.Column("residual_std", sa.Double, nullable=False),
    sa.Column("degrees_of_freedom", sa.Double),
    sa.Column("points", sa.Text, nullable=False),
    sa.Index("calibration_of_channel", "device", "channel", "kind"),
)

table_profile = sa.Table(
    "table_profile",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("shape", sa.Text, nullable=False),
    sa.Column("settings", sa.Text, nullable=False),
    sa.Column("saved_at", sa.Text, nullable=False),
)

call_made = sa.Table(
    "call_made",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("bench_id", sa.ForeignKey("bench.id"), nullable=False),
    sa.Column("fit", sa.Text, nullable=False),
    sa.Column("asked_at", sa.Text, nullable=False),
    sa.Column("last_asked_at", sa.Text, nullable=False),
    sa.Column("asked_from", sa.Text, nullable=False),
    sa.Column("after_position", sa.Integer, nullable=False),
    *(sa.Column(name, sa.Text, nullable=False) for name in TEXTS),
    sa.Column("conditions", sa.Text, nullable=False),
    sa.Column("target", sa.Text, nullable=False),
    sa.Column("duration_s", sa.Double, nullable=False),
    sa.Column("window_from_s", sa.Double, nullable=False),
    sa.Column("window_to_s", sa.Double, nullable=False),
    sa.Column("odds", sa.Double, nullable=False),
    sa.Column("basis", sa.Text, nullable=False),
    sa.Index("call_made_on_bench", "bench_id", "asked_at"),
)

this_logbook = sa.Table(
    "this_logbook",
    metadata,
    sa.Column("one", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("id", sa.Text, nullable=False),
)
"""What tells this logbook from every other: one row."""

outbox = sa.Table(
    "outbox",
    metadata,
    sa.Column("seq", sa.Integer, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("ref", sa.Text, nullable=False),
    sa.Column("noted_at", sa.Text, nullable=False),
    sqlite_autoincrement=True,
)
"""What is new, in the order in which it became so: of which kind, and its id. It stays, for every logbook that asks."""

peer = sa.Table(
    "peer",
    metadata,
    sa.Column("address", sa.Text, primary_key=True),
    sa.Column("id", sa.Text),
    sa.Column("sent_seq", sa.Integer, nullable=False),
    sa.Column("sent_ref", sa.Text),
    sa.Column("received_seq", sa.Integer, nullable=False),
    sa.Column("received_ref", sa.Text),
    sa.Column("tried_at", sa.Text, nullable=False),
    sa.Column("synced_at", sa.Text),
    sa.Column("said", sa.Text),
)
"""The logbooks that this one is brought together with, and how far that is in both outboxes.

`sent_ref`, `received_ref`: what stood there, so that a logbook that was restored from a copy is noticed.
"""

peer_bench = sa.Table(
    "peer_bench",
    metadata,
    sa.Column("address", sa.ForeignKey("peer.address"), primary_key=True),
    sa.Column("bench", sa.Text, primary_key=True),
    sa.Column("toml", sa.Text, nullable=False),
)
"""What both logbooks said of a bench when they last agreed."""

peer_refused = sa.Table(
    "peer_refused",
    metadata,
    sa.Column("address", sa.ForeignKey("peer.address"), primary_key=True),
    sa.Column("seq", sa.Integer, primary_key=True),
    sa.Column("said", sa.Text, nullable=False),
)
"""What a logbook did not take, such as a deletion by somebody who may not delete there; it is offered again."""
