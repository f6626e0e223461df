"""Table profiles in the logbook: what a person settled about a logger's files, found again by name or shape."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from rig.errors import NotFound
from rig.logbook.changes import now_text
from rig.logbook.records import json_text
from rig.logbook.schema import table_profile as table
from rig.logbook.store import Logbook


@dataclass(frozen=True)
class StoredProfile:
    """A profile: its name, the shape of the files it was made for, its settings as plain values."""

    name: str
    shape: str
    settings: Mapping[str, Any]


def keep_profile(logbook: Logbook, profile: StoredProfile) -> None:
    """Store a profile; one of the same name is replaced."""
    values = {"shape": profile.shape, "settings": json_text(dict(profile.settings)), "saved_at": now_text()}
    with logbook._writing() as connection:
        connection.execute(table.delete().where(table.c.name == profile.name))
        connection.execute(table.insert(), {"name": profile.name} | values)


def profile_named(logbook: Logbook, name: str) -> StoredProfile:
    """The profile of a name; NotFound names the ones there are."""
    every = profiles(logbook)
    for profile in every:
        if profile.name == name:
            return profile
    raise NotFound("table profile", name, [p.name for p in every])


def profiles(logbook: Logbook) -> tuple[StoredProfile, ...]:
    """Every profile, the one saved last first."""
    with logbook._reading() as connection:
        rows = connection.execute(sa.select(table).order_by(table.c.saved_at.desc(), table.c.name)).mappings()
        return tuple(StoredProfile(r["name"], r["shape"], json.loads(r["settings"])) for r in rows)
