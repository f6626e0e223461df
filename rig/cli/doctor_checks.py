"""What `chillrig doctor` looks at in a logbook and round it: each says what it found, or what to do."""

from __future__ import annotations

import os
import shutil
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rig.errors import LogbookError, RigError
from rig.session.places import data_folder, logbook_at, recordings_beside

LEAST_FREE_BYTES = 200 * 1024 * 1024
OLD_COPY = timedelta(days=14)
_EARLIEST = datetime(2024, 1, 1, tzinfo=UTC)
"""No clock that is right shows an earlier time than this program's own."""


def logbook_is_whole(told: str | None) -> str:
    """SQLite's own check of all of it, and what a restore that was cut short left."""
    from rig.logbook.copies import faults_of
    from rig.logbook.passwords import has_password

    at = logbook_at(told)
    if (file := _file(told)) is None:
        if has_password(at):
            raise RigError(
                "its password stands in its address, where others may read it. Put it into ~/.pgpass (or the file "
                "that PGPASSFILE names), and leave it out of --logbook and CHILLRIG_LOGBOOK"
            )
        return "kept by PostgreSQL, which checks it itself"
    if not file.exists():
        return "none yet"
    faults = faults_of(file)
    if faults:
        raise LogbookError(
            f"{len(faults)} faults, the first: {faults[0]}. Bring the last copy back: chillrig restore"
        )
    return "SQLite's check found nothing"


def copies(told: str | None) -> str:
    """Whether there is a copy that can be brought back, and how old it is."""
    from rig.logbook.copies import POSTGRES_WORDS, backups_of
    from rig.logbook.restoring import newest_whole

    file = _file(told)
    if file is None:
        return POSTGRES_WORDS
    if not file.exists():
        return "nothing to copy yet"
    made = {copy: when for when, copy in backups_of(file)}
    if not made:
        return "none yet; make one: chillrig backup"
    newest = newest_whole(file)
    age = datetime.now().astimezone() - made[newest]
    old = "; make a fresh one: chillrig backup" if age > OLD_COPY else ""
    return f"{len(made)}, the newest whole one {age.days} days old{old}"


def journals(told: str | None) -> str:
    """What recordings were left, and which of them cannot be used."""
    from rig.capture.recording.process import interrupted_runs

    folder = recordings_beside(logbook_at(told))
    left = interrupted_runs(folder)
    bad = [i.trouble for i in left if i.trouble]
    if bad:
        raise RigError(f"{len(bad)} cannot be brought in: {'; '.join(bad)}. The page Live sets them aside")
    if running := sum(i.running for i in left):
        raise RigError(
            f"{running} go on without a screen. Follow: chillrig record --follow; end and bring in: --recover"
        )
    return f"{len(left)} to bring in: chillrig record --recover" if left else "none left over"


def kept_fits(told: str | None) -> str:
    """Whether the fits that were kept can be read; those that cannot are made again by themselves."""
    from rig.fitting.kept_fit import can_be_read
    from rig.logbook.store import open_logbook

    at = logbook_at(told)
    if (file := _file(told)) is not None and not file.exists():
        return "none yet"
    with open_logbook(at) as opened:
        kept = [content for b in opened.benches() if (content := opened.last_cached(b.name)) is not None]
    spoilt = sum(not can_be_read(content) for content in kept)
    return f"{len(kept)}" + (
        f", {spoilt} of another version or damaged: fitted again when next asked" if spoilt else ""
    )


def clock(told: str | None) -> str:
    """Whether the time of day can be right, and whether stamps can be told apart."""
    now = datetime.now(UTC)
    if now < _EARLIEST:
        raise RigError(
            f"this computer's clock shows {now:%Y-%m-%d}. Set it before you record: calibrations go by the day"
        )
    file = _file(told)
    if (
        file is not None
        and file.exists()
        and datetime.fromtimestamp(file.stat().st_mtime, UTC) > now + timedelta(days=1)
    ):
        raise RigError("the logbook was written later than this computer's clock shows. Set the clock")
    step_ns = time.get_clock_info("perf_counter").resolution * 1e9
    return f"{datetime.now().astimezone():%Y-%m-%d %H:%M %z}, stamps of {step_ns:.0f} ns"


def ports() -> str:
    """Which serial devices the system lists, and whether they may be opened; none is opened here."""
    from rig.capture.devices.ports import list_devices

    found = list_devices()
    shut = [
        d.address for d in found if Path(d.address).exists() and not os.access(d.address, os.R_OK | os.W_OK)
    ]
    if shut:
        raise RigError(
            f"{', '.join(shut)} may not be opened. On Linux: sudo usermod -aG dialout $USER, then log in anew"
        )
    return f"{len(found)} listed; chillrig ports says what each says" if found else "no device is plugged in"


def disk(told: str | None) -> str:
    """Whether there is room where recordings go."""
    folder = recordings_beside(logbook_at(told))
    nearest = next(p for p in (folder, *folder.parents) if p.exists())
    free = shutil.disk_usage(nearest).free
    if free < LEAST_FREE_BYTES:
        raise RigError(f"{free / 1e6:.0f} MB are left at {nearest}. Free some space before you record")
    return f"{free / 1e9:.1f} GB free"


def data_folder_can_be_written() -> str:
    """The folder for a user's own data."""
    folder = data_folder()
    nearest = next(p for p in (folder, *folder.parents) if p.exists())
    if not os.access(nearest, os.W_OK):
        raise RigError(f"{nearest} cannot be written to; set XDG_DATA_HOME to a folder that can")
    return str(folder)


def _file(told: str | None) -> Path | None:
    from rig.logbook.connect import file_at, url_from

    return file_at(url_from(logbook_at(told))) if told is not None or _begun() else Path(logbook_at(told))


def _begun() -> bool:
    return Path(logbook_at(None)).parent.is_dir()
