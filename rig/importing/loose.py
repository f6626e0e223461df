"""A drawer of loose logger files, in a folder or an archive: which of them belong to one run."""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePosixPath

from rig.bench import BENCH_FILE
from rig.errors import RigError, TableRefused
from rig.importing.bench_folder import TABLE_ENDINGS, tables_in
from rig.importing.proposal import Proposal, propose
from rig.importing.tables import bytes_of
from rig.importing.tabular.limits import MOST_BYTES

MOST_FILES = 2000
SAME_RUN_S = 60.0
"""Two files that lie no further apart than this are of one run: a scale is often logged before the probe."""
LONGEST_RUN_S = 1200.0
"""A longer file was left running over several runs."""
_APART = re.compile(r"[^0-9a-z]+|(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])")
_DEVICE_WORDS = (
    "probe temp temps temperature thermometer scale scales weight weights mass balance room logger log logs data "
    "trace readings channel sensor export csv fuehler waage"
)
_OF_A_DEVICE = frozenset(_DEVICE_WORDS.split())
_NO_DAY = datetime(1, 1, 2)  # noqa: DTZ001 - files that tell a clock and no date are compared by it alone


@dataclass(frozen=True)
class LooseFile:
    """One file of the drawer: how it reads, or why it does not; when it began and ended where it tells."""

    name: str
    raw: bytes
    proposal: Proposal | None
    refused: str = ""

    @property
    def open_point(self) -> str:
        """What keeps the file from being read; "" where nothing does."""
        if self.proposal is None:
            return self.refused
        return self.proposal.questions[0].text if self.proposal.questions else ""

    @property
    def lasts_s(self) -> float | None:
        """From its first reading to its last [s]."""
        table = None if self.proposal is None else self.proposal.table
        if table is None:
            return None
        return float(max(c.time_s[-1] for c in table.channels))

    @property
    def began(self) -> datetime | None:
        """Its first reading by its own clock; on no day where the file tells a time of day alone."""
        table = None if self.proposal is None else self.proposal.table
        if table is None:
            return None
        if table.started_at is not None:
            at = table.started_at
            return at.astimezone(UTC).replace(tzinfo=None) if at.tzinfo is not None else at
        return None if table.clock_s is None else _NO_DAY + timedelta(seconds=table.clock_s)

    @property
    def key(self) -> str:
        """What its name says apart from the device: `r12_probe.csv` and `R12 scale.csv` are both `r 12`."""
        words = _APART.split(PurePosixPath(self.name).stem.casefold())
        return " ".join(w for w in words if w and w not in _OF_A_DEVICE)


@dataclass(frozen=True)
class ProposedRun:
    """Files that belong to one run by their clocks or their names, and what that rests on."""

    name: str
    files: tuple[LooseFile, ...]
    by: str

    @property
    def began(self) -> datetime | None:
        """The first reading of all; None where no file tells, or tells a time of day alone."""
        known = [f.began for f in self.files if f.began is not None and f.began.year > _NO_DAY.year]
        return min(known, default=None)


@dataclass(frozen=True)
class Drawer:
    """Loose files as proposed runs; `over_several`: files that were left running over more than one."""

    runs: tuple[ProposedRun, ...]
    over_several: tuple[LooseFile, ...]


def is_archive(path: Path, called: str = "") -> bool:
    """Whether a file, `called` so, is an archive of files: a workbook is packed alike but is a table."""
    return (called or path.name).casefold().endswith(".zip") and zipfile.is_zipfile(path)


def loose_files(
    path: Path, look: Callable[..., Proposal] = propose, tell: Callable[[float], None] = lambda share: None
) -> tuple[LooseFile, ...]:
    """The tables in a folder or an archive, each as `look` reads it; `tell` hears the share that is read.

    Raises
    ------
    RigError
        Where there is none, where there are too many or too large ones, or the archive is damaged.
    """
    found = from_archive(path, str(path)) if path.is_file() else _from_folder(path)
    if not found:
        raise RigError(f"{path} holds no tables ({', '.join(sorted(TABLE_ENDINGS))}). Check the path")
    files = []
    for n, (name, raw) in enumerate(found, 1):
        files.append(_loose(name, raw, look))
        tell(n / len(found))
    return tuple(files)


def _from_folder(folder: Path) -> list[tuple[str, bytes]]:
    paths = tables_in(folder)
    refuse_many(str(folder), len(paths), sum(p.stat().st_size for p in paths))
    return [(p.relative_to(folder).as_posix(), bytes_of(p)) for p in paths]


def refuse_many(called: str, files: int, size: int) -> None:
    """Raises RigError where that is more than is read at once."""
    if files > MOST_FILES or size > MOST_BYTES:
        raise RigError(
            f"{called} holds {files} tables of {size / 1e6:.0f} MB; {MOST_FILES} and {MOST_BYTES / 1e6:.0f} MB are "
            "read at once. Take it in parts"
        )


def from_archive(path: Path, called: str) -> list[tuple[str, bytes]]:
    """The tables in an archive, by their names in it.

    Raises
    ------
    RigError
        It is damaged, holds too many or too large ones, or a bench folder.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            entries = [e for e in archive.infolist() if not e.is_dir()]
            if any(PurePosixPath(e.filename).name == BENCH_FILE for e in entries):
                raise RigError(
                    f"{called} holds a bench folder. Unpack it and import the folder with its {BENCH_FILE}"
                )
            wanted = [e for e in entries if _is_table_name(e.filename)]
            refuse_many(called, len(wanted), sum(e.file_size for e in wanted))
            return [(e.filename, archive.read(e)) for e in sorted(wanted, key=lambda e: e.filename)]
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, OSError, EOFError) as error:
        raise RigError(
            f"{called} cannot be unpacked: {error}. Unpack it yourself and import the folder"
        ) from error


def _is_table_name(name: str) -> bool:
    path = PurePosixPath(name)
    return path.suffix.casefold() in TABLE_ENDINGS and not path.name.startswith(("~", "."))


def _loose(name: str, raw: bytes, look: Callable[..., Proposal]) -> LooseFile:
    try:
        return LooseFile(name, raw, look(raw, file=PurePosixPath(name).name))
    except TableRefused as refusal:
        return LooseFile(name, raw, None, refusal.reason)


def drawer_of(files: Sequence[LooseFile]) -> Drawer:
    """Files as proposed runs: by their clocks where these overlap, else by what their names share."""
    over = [f for f in files if (f.lasts_s or 0.0) > LONGEST_RUN_S]
    single = [f for f in files if f not in over]
    timed = sorted((f for f in single if f.began is not None), key=lambda f: (f.began, f.name))
    groups: list[list[LooseFile]] = []
    ends: datetime | None = None
    for f in timed:
        assert f.began is not None
        if ends is None or (f.began - ends).total_seconds() > SAME_RUN_S or _twice(groups[-1], f):
            groups.append([f])
            ends = f.began + timedelta(seconds=f.lasts_s or 0.0)
        else:
            groups[-1].append(f)
            ends = max(ends, f.began + timedelta(seconds=f.lasts_s or 0.0))
    by = ["clock"] * len(groups)
    for f in (f for f in single if f.began is None):
        same = [n for n, group in enumerate(groups) if f.key and all(g.key == f.key for g in group)]
        if len(same) == 1:
            groups[same[0]].append(f)
            by[same[0]] = "clock and name" if by[same[0]] != "name" else "name"
        else:
            groups.append([f])
            by.append("name")
    names = _names(groups)
    runs = [ProposedRun(n, tuple(g), b) for n, g, b in zip(names, groups, by, strict=True)]
    return Drawer(tuple(sorted(runs, key=lambda r: (r.began or datetime.max, r.name))), tuple(over))  # noqa: DTZ901


def _twice(group: Sequence[LooseFile], new: LooseFile) -> bool:
    """Whether the group holds a file of the same logger that had ended: the next run came soon after."""
    assert new.proposal is not None and new.began is not None
    return any(
        g.proposal is not None
        and g.began is not None
        and g.proposal.shape == new.proposal.shape
        and new.began >= g.began + timedelta(seconds=g.lasts_s or 0.0)
        for g in group
    )


def _names(groups: Iterable[Sequence[LooseFile]]) -> list[str]:
    """A name for each run: what its files' names share, else the first of them; made different."""
    names: list[str] = []
    for group in groups:
        keys = {f.key for f in group}
        shared = keys.pop().replace(" ", "") if len(keys) == 1 else ""
        wanted = shared or PurePosixPath(group[0].name).stem
        name, n = wanted, 2
        while name in names:
            name, n = f"{wanted} ({n})", n + 1
        names.append(name)
    return names
