"""A fit as bytes and back, for the logbook's cache: a NumPy archive of arrays and one JSON header.

Read with `allow_pickle=False`; nothing in it is ever executed. The book of runs is not in it: the cache is
keyed by the fingerprint of the book, which whoever asks has at hand. A digest of all the rest comes first: a disk
that gave back one bit otherwise costs a fit, never an answer. Values are read back by the types that
the fit's dataclasses declare; where those have changed since, the bytes are not taken.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum, IntEnum
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Any, Union, get_args, get_origin, get_type_hints
from zipfile import BadZipFile

import numpy as np

from rig.errors import LogbookError, NotEnoughData
from rig.fitting.bench_fit import fingerprint, fit, noted, prior_fit
from rig.fitting.melt_fit import MeltPosterior
from rig.fitting.priors import P
from rig.fitting.result import Fit, Measured, RunFit
from rig.fitting.version import model_version
from rig.runs import Finding, Run, RunBook, SetUp

if TYPE_CHECKING:
    from rig.logbook.store import Logbook


@dataclass(frozen=True)
class KeptFit:
    """What is kept of a fit; `parameters` names the columns of its arrays, `noted` digests each run's notes."""

    version: str
    fingerprint: str
    parameters: tuple[str, ...]
    posterior: MeltPosterior
    techniques: tuple[str, ...]
    runs: tuple[RunFit, ...]
    noted: tuple[str, ...]
    measured: Mapping[tuple[SetUp, str], Measured]
    own_findings: tuple[Finding, ...]


_DIGEST_BYTES = hashlib.sha256().digest_size
_PARAMETERS = tuple(p.name for p in P)


def fit_or_kept(
    book: RunBook,
    logbook: Logbook | None,
    bench_name: str,
    progress: Callable[[float], None] | None = None,
) -> Fit:
    """The fit of a book: from the logbook's cache where it is there, else fitted now and kept there.

    A fit made now starts from the bench's last one, where that holds most of the same runs.

    What is damaged is not taken, and a fit that cannot be kept is still a fit.

    Raises
    ------
    NotEnoughData
        As `rig.fitting.fit` says.
    """
    if logbook is None:
        return fit(book, progress)
    key = fingerprint(book)
    found = _around_if_of(_kept(lambda: logbook.cached(key)), book, key)
    if found is None:
        before = _kept(lambda: logbook.last_cached(bench_name))
        found = fit(book, progress, None if before is None else _around(before, book))
        with suppress(LogbookError):
            logbook.cache(key, fit_to_bytes(found), bench_name)
    return found


def fit_or_prior(
    book: RunBook,
    logbook: Logbook | None,
    bench_name: str,
    progress: Callable[[float], None] | None = None,
) -> Fit:
    """As `fit_or_kept`; where no run can be fitted, what stands before any run."""
    try:
        return fit_or_kept(book, logbook, bench_name, progress)
    except NotEnoughData:
        return prior_fit(book)


def can_be_read(content: bytes) -> bool:
    """Whether a kept fit is whole, and of this version of the program."""
    return _read(content) is not None


def kept_verdicts(logbook: Logbook, bench_name: str, runs: Iterable[Run]) -> dict[str, RunFit]:
    """What the bench's last kept fit made of these runs, without a fit: those noted otherwise since are left out.

    `runs` may come without their traces.
    """
    kept = _kept(lambda: logbook.last_cached(bench_name))
    if kept is None:
        return {}
    judged = {found.run: (found, noted) for found, noted in zip(kept.runs, kept.noted, strict=True)}
    asked = {run.run: run for run in runs if run.run in judged}
    return {name: judged[name][0] for name, run in asked.items() if _digest(run) == judged[name][1]}


def fit_to_bytes(found: Fit) -> bytes:
    """A fit without its book."""
    by_name = {run.run: run for run in found.book.runs}
    kept = KeptFit(
        version=model_version(),
        fingerprint=found.fingerprint,
        parameters=_PARAMETERS,
        posterior=found.posterior,
        techniques=found.techniques,
        runs=found.runs,
        noted=tuple(_digest(by_name[r.run]) for r in found.runs),
        measured=found.measured,
        own_findings=found.findings[len(found.book.findings) :],
    )
    arrays: list[Any] = []
    header = json.dumps(_plain(kept, arrays)).encode()
    out = io.BytesIO()
    np.savez_compressed(out, np.frombuffer(header, dtype=np.uint8), *arrays)
    return hashlib.sha256(out.getvalue()).digest() + out.getvalue()


def fit_from_bytes(content: bytes | None, book: RunBook) -> Fit | None:
    """The fit of this very book; None where the bytes are of another book or model, or damaged."""
    return _around_if_of(_read(content), book, fingerprint(book))


def _around_if_of(kept: KeptFit | None, book: RunBook, key: str) -> Fit | None:
    if kept is None or kept.fingerprint != key:
        return None
    return _around(kept, book)


def _kept(ask: Callable[[], bytes | None]) -> KeptFit | None:
    """What a logbook keeps; None also where it cannot give it back."""
    try:
        return _read(ask())
    except LogbookError:
        return None


def _read(content: bytes | None) -> KeptFit | None:
    if content is None:
        return None
    digest, archived = content[:_DIGEST_BYTES], content[_DIGEST_BYTES:]
    if hashlib.sha256(archived).digest() != digest:
        return None
    try:
        with np.load(io.BytesIO(archived), allow_pickle=False) as archive:
            header, *arrays = (archive[f"arr_{k}"] for k in range(len(archive.files)))
        kept: KeptFit = _typed(KeptFit, json.loads(header.tobytes()), arrays)
    except (ValueError, KeyError, TypeError, AttributeError, OSError, EOFError, BadZipFile):
        return None
    return kept if (kept.version, kept.parameters) == (model_version(), _PARAMETERS) else None


def _around(kept: KeptFit, book: RunBook) -> Fit:
    return Fit(
        book=book,
        posterior=kept.posterior,
        techniques=kept.techniques,
        runs=kept.runs,
        measured=kept.measured,
        findings=book.findings + kept.own_findings,
        fingerprint=kept.fingerprint,
    )


def _digest(run: Run) -> str:
    return hashlib.sha256(noted(run).encode()).hexdigest()[:16]


def _plain(value: Any, arrays: list[Any]) -> Any:
    """A value as what JSON has; an array goes to the end of `arrays` and leaves its place in the archive."""
    if isinstance(value, np.ndarray):
        arrays.append(value)
        return len(arrays) - 1
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name), arrays) for f in fields(value)}
    if isinstance(value, Mapping):
        return [[_plain(k, arrays), _plain(v, arrays)] for k, v in value.items()]
    if isinstance(value, tuple | list):
        return [_plain(v, arrays) for v in value]
    return value.name if isinstance(value, IntEnum) else value


def _typed(kind: Any, value: Any, arrays: list[Any]) -> Any:
    """The value of a declared type that `_plain` made this of; TypeError where it cannot be."""
    origin, inside = get_origin(kind), get_args(kind)
    if origin is np.ndarray:
        return arrays[value]
    if origin in (Union, UnionType):
        (other,) = (k for k in inside if k is not NoneType)
        return None if value is None else _typed(other, value, arrays)
    if origin is tuple:
        parts = [inside[0]] * len(value) if inside[-1] is Ellipsis else inside
        return tuple(_typed(k, v, arrays) for k, v in zip(parts, value, strict=True))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {_typed(inside[0], k, arrays): _typed(inside[1], v, arrays) for k, v in value}
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        if value.keys() != {f.name for f in fields(kind)}:
            raise TypeError(f"not the fields of {kind}")
        return kind(**{name: _typed(hints[name], v, arrays) for name, v in value.items()})  # type: ignore[operator]
    if issubclass(kind, Enum):
        return kind[value] if issubclass(kind, IntEnum) else kind(value)
    if not isinstance(value, (int, float) if kind is float else kind):
        raise TypeError(f"{value!r} is not of {kind}")
    return value
