"""`chillrig logbook`: what it makes and brings along, and what it refuses in words."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

from rig.logbook.connect import engine_for, url_from
from rig.logbook.migrations import STEPS, migrate, schema_number
from tests.cli.conftest import Chillrig


def older(file: Path) -> Path:
    """A logbook of two steps ago."""
    engine = engine_for(url_from(file))
    migrate(engine, STEPS[:-2])
    engine.dispose()
    return file


def number(file: Path) -> int:
    engine = engine_for(url_from(file))
    found = schema_number(engine)
    engine.dispose()
    return found


def test_a_trial_of_a_migration_tells_what_it_does_and_leaves_every_byte(
    chillrig: Chillrig, tmp_path: Path
) -> None:
    file = older(tmp_path / "bar.sqlite")
    before = file.read_bytes()
    said = chillrig("logbook", "migrate", "--dry-run", "--logbook", file)
    assert said.code == 0 and file.read_bytes() == before
    assert f"Step {len(STEPS)}: " in said.out and "CREATE TABLE" in said.out
    assert f"schema {len(STEPS) - 2} as before" in said.out
    told = json.loads(chillrig("logbook", "migrate", "--dry-run", "--json", "--logbook", file).out)
    assert (told["schema_before"], told["schema"], len(told["steps"])) == (len(STEPS) - 2, len(STEPS) - 2, 2)
    done = chillrig("logbook", "migrate", "--logbook", file)
    assert f"The logbook now has schema {len(STEPS)}." in done.out and number(file) == len(STEPS)
    assert "nothing to do" in chillrig("logbook", "migrate", "--logbook", file).out


def test_a_file_can_be_made_but_has_no_venues(chillrig: Chillrig, tmp_path: Path) -> None:
    file = tmp_path / "bar.sqlite"
    assert chillrig("logbook", "create", "--logbook", file).code == 0
    assert number(file) == len(STEPS)
    said = chillrig("logbook", "create", "--venue", "harbour", "--logbook", file)
    assert said.code == 1 and "a file is one venue" in said.err
    said = chillrig("logbook", "person", "anna", "--as", "owner", "--venue", "harbour", "--logbook", file)
    assert said.code == 1 and "there is no venue 'harbour'" in said.err


def test_a_right_that_is_none_is_wrong_usage(chillrig: Chillrig) -> None:
    said = chillrig("logbook", "person", "anna", "--as", "boss", "--venue", "harbour")
    assert said.code == 2 and "reader, barista, owner or nobody" in said.err


def test_no_database_is_migrated_that_is_none_of_ours(chillrig: Chillrig, tmp_path: Path) -> None:
    file = tmp_path / "bar.sqlite"
    with sqlite3.connect(file) as connection:
        connection.execute("create table invoices (x)")
    connection.close()
    said = chillrig("logbook", "migrate", "--logbook", file)
    assert said.code == 1 and "not a logbook" in said.err
