"""Files on their way from a browser: taken piece by piece, each appended to a file of its own on this computer's disk.

A piece is no larger than anything else a page sends, so that no limit is lifted and no file is ever held in memory. How
far a file has come is the length of what lies there: after a drop, a reload or a new server the same file goes on where
it stopped. Methods and headers are named as in the IETF's draft on resumable uploads
(draft-ietf-httpbis-resumable-upload).
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import shutil
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Flask, Response, jsonify, request

from dashboard.headers import GUEST, MOST_BYTES
from dashboard.service import Service
from rig.errors import ModelRangeError, RigError
from rig.importing.tabular.limits import MOST_BYTES as MOST_FILE_BYTES
from rig.logbook.store import Logbook
from rig.session.places import make_folder, uploads_beside

BEGIN, ONE = "/upload", "/upload/<id_>"
OFFSET = "Upload-Offset"
PIECE_BYTES = MOST_BYTES // 2
KEPT_S = 24 * 3600.0
"""A file that nobody has touched for so long is forgotten."""
SPARE_BYTES = 200_000_000
"""What stays free on the disk: recordings and the logbook come first."""
NO_LOGBOOK = (
    "This bench is a folder: tables are brought into a logbook. Make one: chillrig import DIR. Or put a run into the "
    "folder itself: chillrig import FILE --bench DIR"
)
ONLY_HERE = "Tables are brought in on the computer that shares this."
_ID = re.compile(r"([0-9a-f]{32})-(\d{1,15})")


class NotFromHere(RigError):
    """Nothing can be brought in, or not by the one who asks."""


class Elsewhere(RigError):
    """A piece that does not begin where the file ends; `offset` is where that is."""

    def __init__(self, offset: int) -> None:
        super().__init__(f"the file goes on at byte {offset}")
        self.offset = offset


class NoRoom(RigError):
    """More than the disk can take."""


@dataclass(frozen=True)
class Uploads:
    """The folder in which files arrive. An upload's id says its size; its file's length is how far it has come."""

    folder: Path

    def begin(self, name: str, size: int, modified: str = "") -> tuple[str, int]:
        """The id of a file, and the offset to go on at: 0 for a new one, `size` for one that is there already.

        Raises
        ------
        ModelRangeError, NoRoom, RigError
            Larger than is read, or than the disk has room for; the folder cannot be made.
        """
        if not 0 <= size <= MOST_FILE_BYTES:
            raise ModelRangeError(
                f"{name} is larger than {MOST_FILE_BYTES >> 20} MiB, more than is read at once. Split it into parts"
            )
        make_folder(self.folder)
        self.clean()
        digest = hashlib.sha256("\0".join((name, str(size), modified)).encode("utf-8", "replace"))
        id_ = f"{digest.hexdigest()[:32]}-{size}"
        path = self.folder / id_
        _refuse_full(self.folder, name, size - (path.stat().st_size if path.exists() else 0))
        path.touch(mode=0o600)
        return id_, path.stat().st_size

    def add(self, id_: str, offset: int, piece: bytes) -> int:
        """Append a piece; gives back the offset after it.

        Raises
        ------
        Elsewhere, ModelRangeError, NoRoom
            It begins elsewhere; no such upload, or more than was announced; the disk is full: nothing is kept of it.
        """
        path, size = self._place(id_)
        # two screens that send the same file write the same bytes to the same place
        with path.open("r+b") as file:
            there = file.seek(0, os.SEEK_END)
            if offset != there:
                raise Elsewhere(there)
            if there + len(piece) > size:
                raise ModelRangeError("the page sent more of the file than it announced; choose it again")
            try:
                file.write(piece)
                file.flush()
            except OSError as error:
                file.truncate(there)
                if error.errno in (errno.ENOSPC, errno.EDQUOT):
                    raise NoRoom("the disk is full. Make room on it; the file then goes on") from error
                raise RigError(f"the file cannot be kept: {error.strerror}") from error
        return there + len(piece)

    def whole(self, id_: str) -> Path:
        """The file of an upload that has come whole.

        Raises
        ------
        ModelRangeError
            There is none.
        """
        path, size = self._place(id_)
        if path.stat().st_size != size:
            raise ModelRangeError("a file has not come whole; wait for it, or choose it again")
        return path

    def forget(self, ids: Iterable[str]) -> None:
        """Take away what is no longer needed; what is not there is no fault."""
        for id_ in ids:
            if _ID.fullmatch(id_):
                (self.folder / id_).unlink(missing_ok=True)

    def clean(self) -> None:
        """Take away what nobody has touched for long."""
        since = time.time() - KEPT_S
        for path in self.folder.iterdir() if self.folder.is_dir() else ():
            if _ID.fullmatch(path.name) and path.stat().st_mtime < since:
                path.unlink(missing_ok=True)

    def _place(self, id_: str) -> tuple[Path, int]:
        named = _ID.fullmatch(id_)
        path = self.folder / id_
        if named is None or not path.is_file():
            raise ModelRangeError("a file that was sent is no longer there; choose it again")
        return path, int(named[2])


def _refuse_full(folder: Path, name: str, wanted: int) -> None:
    free = max(shutil.disk_usage(folder).free - SPARE_BYTES, 0)
    if wanted > free:
        raise NoRoom(
            f"{name} needs {wanted / 1e6:,.0f} MB, and the disk has {free / 1e6:,.0f} MB to spare. Make room on it, or "
            "bring in parts"
        )


def uploads_of(logbook: Logbook) -> Uploads:
    """Where files for a logbook arrive: beside it, on a disk and not in memory."""
    return Uploads(uploads_beside(logbook.where))


def writable(service: Service) -> Logbook:
    """The logbook, where the one who asks may bring something in.

    Raises
    ------
    NotFromHere
        The bench is a folder, or another screen asks.
    """
    logbook = service.logbook
    if logbook is None or request.environ.get(GUEST):
        raise NotFromHere(NO_LOGBOOK if logbook is None else ONLY_HERE.rstrip("."))
    return logbook


def register(server: Flask, service: Service) -> None:
    """Take files from this computer's own pages."""

    def begin() -> dict[str, Any]:
        told = request.get_json(silent=True)
        name, size, modified = (
            (told.get(k) for k in ("name", "size", "modified"))
            if isinstance(told, Mapping)
            else (None, None, None)
        )
        if not isinstance(name, str) or not isinstance(size, int) or isinstance(size, bool):
            raise ModelRangeError("the page sent nothing that can be read; load it again")
        id_, offset = uploads_of(writable(service)).begin(name[:500], size, str(modified)[:40])
        return {"id": id_, "offset": offset}

    def go_on(id_: str) -> dict[str, Any]:
        uploads, offset = uploads_of(writable(service)), request.headers.get(OFFSET, "")
        if not offset.isdecimal() or len(offset) > 15:
            raise ModelRangeError(f"a piece of a file needs to say where it begins: {OFFSET}")
        return {"offset": uploads.add(id_, int(offset), request.get_data())}

    def drop(id_: str) -> dict[str, Any]:
        uploads_of(writable(service)).forget([id_])
        return {}

    for path, answer, method in ((BEGIN, begin, "POST"), (ONE, go_on, "PATCH"), (ONE, drop, "DELETE")):
        server.add_url_rule(path, f"upload_{method.lower()}", _answering(answer), methods=[method])


def _answering(answer: Callable[..., dict[str, Any]]) -> Callable[..., Response]:
    def view(**given: str) -> Response:
        try:
            told, status = answer(**given), 200
        except Elsewhere as error:
            told, status = {"said": str(error), "offset": error.offset}, 409
        except NoRoom as error:
            told, status = {"said": str(error)}, 507
        except RigError as error:
            told, status = {"said": str(error)}, 403 if isinstance(error, NotFromHere) else 400
        response = jsonify(told)
        response.status_code, response.headers["Cache-Control"] = status, "no-store"
        return response

    return view
