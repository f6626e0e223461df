"""A fit as bytes and back, for the logbook's cache: a NumPy archive of arrays and one JSON header.

Read with `allow_pickle=False`; nothing in it is ever executed. The book of runs is not in it: the cache is
keyed by the fingerprint of the book, which whoever asks has at hand.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Any
from zipfile import BadZipFile

import numpy as np

from rig.errors import Place
from rig.fitting.bench_fit import fingerprint, fit
from rig.fitting.latents import Key, Latents, Owner
from rig.fitting.melt_fit import MeltPosterior, Spreads
from rig.fitting.priors import P
from rig.fitting.result import Fit, Measured, RunFit, Verdict
from rig.runs import Finding, Gravity, RunBook, SetUp

if TYPE_CHECKING:
    from rig.logbook.store import Logbook

FORMAT = 1
_NOT_ARRAYS = ("latents", "spreads", "iterations", "converged")


def fit_or_kept(book: RunBook, logbook: Logbook | None, progress: Callable[[float], None] | None = None) -> Fit:
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


def fit_to_bytes(found: Fit) -> bytes:
    """A fit without its book."""
    post = found.posterior
    header = {
        "format": FORMAT,
        "fingerprint": found.fingerprint,
        "keys": [[None if p is None else int(p), owner.value, list(names)] for p, owner, names in post.latents.keys],
        "iterations": post.iterations,
        "converged": post.converged,
        "techniques": list(found.techniques),
        "runs": [asdict(r) for r in found.runs],
        "measured": [[asdict(s), recipe, asdict(m)] for (s, recipe), m in found.measured.items()],
        "findings": [asdict(f) for f in found.findings[len(found.book.findings) :]],
    }
    arrays = {f.name: getattr(post, f.name) for f in fields(MeltPosterior) if f.name not in _NOT_ARRAYS}
    arrays |= {f"spreads.{f.name}": getattr(post.spreads, f.name) for f in fields(Spreads)}
    text = np.frombuffer(json.dumps(header).encode(), dtype=np.uint8)
    out = io.BytesIO()
    np.savez_compressed(out, header=text, prior_sd=post.latents.prior_sd, **arrays)
    return out.getvalue()


def fit_from_bytes(kept: bytes, book: RunBook) -> Fit | None:
    """The fit of this very book; None where the bytes are of another book or format, or damaged."""
    try:
        with np.load(io.BytesIO(kept), allow_pickle=False) as archive:
            arrays = {name: archive[name] for name in archive.files}
        header = json.loads(arrays.pop("header").tobytes())
        if header["format"] != FORMAT or header["fingerprint"] != fingerprint(book):
            return None
        return _fit(header, arrays, book)
    except (ValueError, KeyError, TypeError, OSError, EOFError, BadZipFile):
        return None


def _fit(header: dict[str, Any], arrays: dict[str, Any], book: RunBook) -> Fit:
    keys: tuple[Key, ...] = tuple(
        (None if p is None else P(p), Owner(owner), tuple(names)) for p, owner, names in header["keys"]
    )
    spreads = Spreads(**{f.name: arrays.pop(f"spreads.{f.name}") for f in fields(Spreads)})
    posterior = MeltPosterior(
        latents=Latents(keys, arrays.pop("prior_sd")),
        spreads=spreads,
        iterations=header["iterations"],
        converged=header["converged"],
        **arrays,
    )
    return Fit(
        book=book,
        posterior=posterior,
        techniques=tuple(header["techniques"]),
        runs=tuple(_run(r) for r in header["runs"]),
        measured={(SetUp(**s), recipe): Measured(**_tuples(m)) for s, recipe, m in header["measured"]},
        findings=book.findings + tuple(_finding(f) for f in header["findings"]),
        fingerprint=header["fingerprint"],
    )


def _run(kept: dict[str, Any]) -> RunFit:
    own = {"set_up": SetUp(**kept["set_up"]), "verdict": Verdict(kept["verdict"])}
    return RunFit(**(_tuples(kept) | own))


def _finding(kept: dict[str, Any]) -> Finding:
    return Finding(Gravity(kept["gravity"]), kept["what"], Place(**kept["place"]), kept["cure"])


def _tuples(kept: dict[str, Any]) -> dict[str, Any]:
    return {k: tuple(v) if isinstance(v, list) else v for k, v in kept.items()}
