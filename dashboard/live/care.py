"""The logbook's own health: how large it is, and when it was last copied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rig.logbook.copies import backups_of
from rig.logbook.store import Logbook


@dataclass(frozen=True)
class Health:
    """What is known of a logbook without reading all of it; `size_bytes` is None where it is no file."""

    where: str
    size_bytes: int | None
    benches: int
    runs: int
    last_backup: datetime | None


def file_of(logbook: Logbook) -> Path | None:
    """The logbook's file; None where it lives in a database server."""
    return None if "://" in logbook.where else Path(logbook.where)


def health_of(logbook: Logbook, runs_of_benches: Sequence[int]) -> Health:
    """Look at a logbook whose benches have so many runs."""
    file = file_of(logbook)
    copies = [] if file is None else backups_of(file)
    # what was written ahead and is not in the file yet takes room too
    parts = [] if file is None else [p for p in (file, file.with_name(f"{file.name}-wal")) if p.exists()]
    return Health(
        logbook.where,
        None if file is None else sum(p.stat().st_size for p in parts),
        len(runs_of_benches),
        sum(runs_of_benches),
        copies[-1][0] if copies else None,
    )
