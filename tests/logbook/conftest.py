"""Logbooks to test with: SQLite always, PostgreSQL where CHILLRIG_TEST_POSTGRES holds a URL."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np
import pytest
import sqlalchemy as sa

from rig.bench import Bench, Ice, IceShape, Ingredient, Motion, Recipe, Target, Technique, Vessel
from rig.errors import Place
from rig.logbook import schema
from rig.logbook.connect import url_from
from rig.logbook.migrations import migrate
from rig.logbook.store import Logbook, open_logbook
from rig.logbook.venues import Right, add_venues, let_in
from rig.runs import Finding, Gravity, Run, RunBook, Trace


def trace(seed: int, samples: int = 50) -> Trace:
    """A trace with every kind of channel and gaps in each."""
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.01, 0.2, samples)) - 1

    def channel() -> np.ndarray:
        values = rng.normal(0, 1, samples)
        values[rng.random(samples) < 0.1] = np.nan
        return values

    probes = {"": channel(), "tin wall": channel(), "c": channel()}
    return Trace(time_s, probes, scale_g=channel(), room_c=channel(), cadence_hz=channel())


BENCH = Bench(
    title="Test bar",
    vessels={"tin": Vessel("tin", mass_g=235.1, held_back_g=2.5), "glass": Vessel("glass", material="glass")},
    ice={"cube": Ice("cube", edge_mm=25), "pebble": Ice("pebble", IceShape.PEBBLE, surface_water_pct=4)},
    recipes={
        "black": Recipe(
            "black",
            (Ingredient("coffee", volume_ml=50, caffeine_mg=80), Ingredient("rum", mass_g=33, abv_pct=42)),
        ),
        "white": Recipe("white", (Ingredient("milk", volume_ml=90, allergens=("milk",), solids_pct=9),)),
    },
    targets={"coupe": Target(serve_temp_c_max=-2, dilution_by_volume=(0.3, 0.36), name="coupe")},
    techniques={"dry tumble": Technique("dry tumble", Motion.SHAKE)},
    notes={"owner": "the bar", "vessels.tin.bought": date(2026, 3, 9)},
)
RUNS = (
    Run(
        run="r1",
        technique="shake",
        vessel="tin",
        ice="cube",
        recipe="black",
        started_at=datetime(
            2026, 3, 9, 18, 30, 1, 250_000, tzinfo=timezone(timedelta(hours=-9, minutes=-30))
        ),
        operator="A",
        session="evening",
        ice_mass_g=210.1,
        ice_temp_c=-16,
        drink_mass_g=1 / 3 + 84,
        drink_temp_c=24.30000000000001,
        vessel_temp_c=21,
        room_temp_c=22,
        duration_s=12,
        strained_mass_g=120.3,
        trace=trace(1),
        trace_file="r1.csv",
        notes="two lines,\n“quoted” — ☕",
        gross_before_g=530,
        gross_after_g=529,
        foam_ml=12,
        foam_half_life_s=40,
        target="coupe",
        extra={"garnish": "three beans", "ice_mass_g (2)": "x"},
    ),
    Run(
        "r2",
        "stir",
        "glass",
        "pebble",
        "white",
        session="evening",
        started_at=datetime(2026, 3, 9, tzinfo=UTC),
    ),
    Run(
        "r10", "dry tumble", "tin", "cube", "white", session="late", trace=trace(2), excluded_because="spilt"
    ),
    Run(
        "r3",
        "shake",
        "tin",
        "cube",
        "black",
        session="late",
        trace=trace(1),
        started_at=datetime.fromisoformat("2026-03-09T01:00"),
    ),
)
FINDINGS = (
    Finding(Gravity.NOTE, "unknown key", Place("bench.toml", 3)),
    Finding(Gravity.DOUBT, "140 lies outside", Place("run_sheet.csv", 4, "drink_temp_c", "r2"), "Write 60"),
    Finding(Gravity.LEFT_OUT, "no vessel", Place("run_sheet.csv", 5, "vessel", "r9")),
)


@pytest.fixture
def book() -> RunBook:
    """A bench with four runs that use every field, two of them with the same trace."""
    return RunBook(BENCH, RUNS, FINDINGS)


@pytest.fixture(params=["sqlite", "postgresql", "venue"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The URL of an empty logbook of each kind: a file, a database of one's own, a venue of one that is shared."""
    if request.param == "venue":
        yield Shared(request.getfixturevalue("crowd")).login("harbour", Right.OWNER)
    else:
        with empty_logbook(request.param, tmp_path) as at:
            yield at


@pytest.fixture(params=["sqlite", "postgresql"])
def own_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The URL of an empty logbook whose tables are one's own, to be taken apart: one that no venues share."""
    with empty_logbook(request.param, tmp_path) as at:
        yield at


@contextmanager
def empty_logbook(kind: str, folder: Path) -> Iterator[str]:
    """The URL of an empty logbook in a file or in a database of its own."""
    if kind == "sqlite":
        yield f"sqlite:///{folder / 'log.sqlite'}"
    else:
        with empty_schema() as at:
            yield at.render_as_string(False)


@pytest.fixture(scope="session")
def crowd() -> Iterator[sa.URL]:
    """A logbook in PostgreSQL that many venues share: every test has its own among those of the tests before it."""
    with empty_schema() as at:
        keeper = sa.create_engine(at)
        migrate(keeper)
        with keeper.begin() as connection:
            add_venues(connection, ["first"])
        keeper.dispose()
        yield at


@pytest.fixture
def shared(crowd: sa.URL) -> Shared:
    """Venues of one's own in the logbook of a crowd."""
    return Shared(crowd)


def without_step_8(connection: sa.Connection) -> None:
    """Take the outbox and what came after it out of a logbook again, as one was before it had any."""
    for table in (schema.bench_statistics, schema.statistics_shared, schema.learned_prior):
        table.drop(connection)
    for table in (schema.peer_bench, schema.peer_refused, schema.peer, schema.outbox, schema.this_logbook):
        table.drop(connection)
    connection.exec_driver_sql("drop index correction_by_id")
    for column in ("id", "follows", "made_in"):
        connection.exec_driver_sql(f"alter table run_history drop column {column}")
    connection.execute(sa.delete(schema.schema_version).where(schema.schema_version.c.version > 7))


def server_url() -> sa.URL:
    """The PostgreSQL to test with."""
    server = os.environ.get("CHILLRIG_TEST_POSTGRES")
    if not server:
        pytest.skip("set CHILLRIG_TEST_POSTGRES to the URL of a PostgreSQL database to test with")
    return url_from(server)


@contextmanager
def empty_schema() -> Iterator[sa.URL]:
    """The URL of a schema of its own on the server, which stands for a database; gone afterwards."""
    server, name = server_url(), f"test_{uuid4().hex[:16]}"
    engine = sa.create_engine(server)
    with engine.begin() as connection:
        connection.exec_driver_sql(f"create schema {name}")
    at = server.update_query_dict({"options": f"-csearch_path={name}"})
    yield at
    with engine.begin() as connection:
        connection.exec_driver_sql(f"drop schema {name} cascade")
        # roles are the server's: those of this logbook go with it, and the logins that were members of them
        mine = "select oid from pg_roles where rolname like :mine"
        members = f"select member from pg_auth_members where roleid in ({mine})"
        every = sa.text(
            f"select rolname from pg_roles where oid in ({mine} union {members}) and not rolsuper"
        )
        for role in connection.scalars(every, {"mine": f"chillrig.%{name}%"}).all():
            connection.exec_driver_sql(f'drop role "{role}"')
    engine.dispose()


@dataclass
class Shared:
    """Venues in a shared logbook and logins for them, all known to the server by names of their own."""

    at: sa.URL
    mark: str = field(default_factory=lambda: uuid4().hex[:12])

    @property
    def keeper(self) -> str:
        """The URL of who keeps the logbook."""
        return self.at.render_as_string(False)

    def venue(self, name: str) -> str:
        """The full name of a venue, which is added where it is not there yet."""
        full = f"{name} {self.mark}"
        with keeping(self.at) as connection:
            add_venues(connection, [full])
        return full

    def person(self, name: str, **rights: Right) -> str:
        """The URL of a new login with rights by venue."""
        with keeping(self.at) as connection:
            connection.exec_driver_sql(f"create role {self.known_as(name)} login")
        for venue, right in rights.items():
            full = self.venue(venue)
            with keeping(self.at) as connection:
                let_in(connection, full, self.known_as(name), right)
        return self.at.set(username=self.known_as(name)).render_as_string(False)

    def login(self, venue: str, right: Right) -> str:
        """The URL of a new login with one right at one venue."""
        return self.person(f"{venue}_{right}", **{venue: right})

    def known_as(self, person: str) -> str:
        """How the server knows a person."""
        return f"t{self.mark}_{person}"

    def role(self, venue: str, right: str) -> str:
        """The name of a venue's role."""
        with keeping(self.at) as connection:
            query = sa.text(f"select {right} from venue where name = :name")
            return str(connection.scalar(query, {"name": f"{venue} {self.mark}"}))


@contextmanager
def keeping(at: sa.URL) -> Iterator[sa.Connection]:
    """A transaction of who keeps a logbook."""
    engine = sa.create_engine(at)
    with engine.begin() as connection:
        yield connection
    engine.dispose()


@pytest.fixture
def logbook(url: str) -> Iterator[Logbook]:
    """An empty open logbook."""
    with open_logbook(url) as opened:
        yield opened


@pytest.fixture
def statements() -> Iterator[Callable[[Logbook], list[str]]]:
    """A function that returns the list in which every SQL statement of a logbook will appear."""
    watched: list[tuple[sa.Engine, Any]] = []

    def watch(logbook: Logbook) -> list[str]:
        seen: list[str] = []

        def note(_c: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
            seen.append(statement)

        engine = logbook._engine
        sa.event.listen(engine, "before_cursor_execute", note)
        watched.append((engine, note))
        return seen

    yield watch
    for engine, note in watched:
        sa.event.remove(engine, "before_cursor_execute", note)
