"""A fit as bytes and back, for the logbook's cache: a NumPy archive of arrays and one JSON header.

Read with `allow_pickle=False`; nothing in it is ever executed. The book of runs is not in it: the cache is
keyed by the fingerprint of the book, which whoever asks has at hand. Values are read back by the types that
the fit's dataclasses declare; where those have changed since, the bytes are not taken.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum, IntEnum
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Any, Union, get_args, get_origin, get_type_hints
from zipfile import BadZipFile

import numpy as np

from rig.errors import NotEnoughData
from rig.fitting.bench_fit import fingerprint, fit, prior_fit
from rig.fitting.melt_fit import MeltPosterior
from rig.fitting.priors import P
from rig.fitting.result import Fit, Measured, RunFit
from rig.runs import Finding, RunBook, SetUp

if TYPE_CHECKING:
    from rig.logbook.store import Logbook


@dataclass(frozen=True)
class KeptFit:
    """What is kept of a fit; `parameters` names the columns of its arrays."""

    fingerprint: str
    parameters: tuple[str, ...]
    posterior: MeltPosterior
    techniques: tuple[str, ...]
    runs: tuple[RunFit, ...]
    measured: Mapping[tuple[SetUp, str], Measured]
    own_findings: tuple[Finding, ...]


_PARAMETERS = tuple(p.name for p in P)


def fit_or_kept(
    book: RunBook, logbook: Logbook | None, progress: Callable[[float], None] | None = None
) -> Fit:
    """The fit of a book: from the logbook's cache where it is there, else fitted now and kept there.

    Raises
    ------
    NotEnoughData, LogbookError
        As `rig.fitting.fit` and the logbook say.
    """
    if logbook is None:
        return fit(book, progress)
    key = fingerprint(book)
    kept = logbook.cached(key)
    found = None if kept is None else fit_from_bytes(kept, book)
    if found is None:
        found = fit(book, progress)
        logbook.cache(key, fit_to_bytes(found))
    return found


def fit_or_prior(
    book: RunBook, logbook: Logbook | None, progress: Callable[[float], None] | None = None
) -> Fit:
    """As `fit_or_kept`; where no run can be fitted, what stands before any run."""
    try:
        return fit_or_kept(book, logbook, progress)
    except NotEnoughData:
        return prior_fit(book)


def fit_to_bytes(found: Fit) -> bytes:
    """A fit without its book."""
    kept = KeptFit(
        fingerprint=found.fingerprint,
        parameters=_PARAMETERS,
        posterior=found.posterior,
        techniques=found.techniques,
        runs=found.runs,
        measured=found.measured,
        own_findings=found.findings[len(found.book.findings) :],
    )
    arrays: list[Any] = []
    header = json.dumps(_plain(kept, arrays)).encode()
    out = io.BytesIO()
    np.savez_compressed(out, np.frombuffer(header, dtype=np.uint8), *arrays)
    return out.getvalue()


def fit_from_bytes(content: bytes, book: RunBook) -> Fit | None:
    """The fit of this very book; None where the bytes are of another book or version, or damaged."""
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as archive:
            header, *arrays = (archive[f"arr_{k}"] for k in range(len(archive.files)))
        kept: KeptFit = _typed(KeptFit, json.loads(header.tobytes()), arrays)
    except (ValueError, KeyError, TypeError, AttributeError, OSError, EOFError, BadZipFile):
        return None
    if (kept.fingerprint, kept.parameters) != (fingerprint(book), _PARAMETERS):
        return None
    return Fit(
        book=book,
        posterior=kept.posterior,
        techniques=kept.techniques,
        runs=kept.runs,
        measured=kept.measured,
        findings=book.findings + kept.own_findings,
        fingerprint=kept.fingerprint,
    )


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
