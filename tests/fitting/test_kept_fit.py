from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from rig.advice.call import advise
from rig.fitting import kept_fit
from rig.fitting.bench_fit import fit as fit_book
from rig.fitting.kept_fit import fit_from_bytes, fit_or_kept, fit_to_bytes
from rig.fitting.result import Fit
from rig.logbook.store import Logbook, open_logbook
from rig.runs import RunBook
from tests.cli.small_bench import small_book


@pytest.fixture(scope="module")
def book() -> RunBook:
    return small_book()


@pytest.fixture(scope="module")
def fit(book: RunBook) -> Fit:
    return fit_book(book)


@pytest.fixture(scope="module")
def kept(fit: Fit) -> bytes:
    return fit_to_bytes(fit)


@pytest.fixture
def logbook() -> Iterator[Logbook]:
    with open_logbook(None) as opened:
        yield opened


def test_a_kept_fit_comes_back_as_it_was(fit: Fit, kept: bytes) -> None:
    back = fit_from_bytes(kept, fit.book)
    assert back is not None
    for part in ("runs", "measured", "findings", "techniques", "fingerprint", "set_ups"):
        assert getattr(back, part) == getattr(fit, part)
    assert back.latents.keys == fit.latents.keys
    for name, value in vars(fit.posterior).items():
        if isinstance(value, np.ndarray):
            np.testing.assert_array_equal(getattr(back.posterior, name), value, err_msg=name)


def test_a_kept_fit_gives_the_same_call(fit: Fit, kept: bytes) -> None:
    back = fit_from_bytes(kept, fit.book)
    assert back is not None
    question = {"technique": "shake", "vessel": "steel tin", "ice": "wet cube", "recipe": "night shift"}
    target = fit.bench.target("coupe")
    first, again = (advise(f, target=target, draws=64, with_levers=False, **question) for f in (fit, back))
    assert first.to_dict() == again.to_dict()


def test_bytes_of_another_book_are_not_taken(fit: Fit, kept: bytes) -> None:
    other = replace(fit.book, runs=fit.book.runs[:-1])
    assert fit_from_bytes(kept, other) is None


@pytest.mark.parametrize("share", [0.0, 0.01, 0.3, 0.6, 0.9, 0.999])
def test_cut_bytes_are_not_taken(fit: Fit, kept: bytes, share: float) -> None:
    assert fit_from_bytes(kept[: int(share * len(kept))], fit.book) is None


@pytest.mark.parametrize("content", [b"", b"not an archive", b"\x80\x04\x95", b"PK\x03\x04 and then nothing"])
def test_bytes_of_any_kind_are_not_taken(fit: Fit, content: bytes) -> None:
    assert fit_from_bytes(content, fit.book) is None


def test_nothing_is_fitted_twice(
    fit: Fit, book: RunBook, logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    times: list[RunBook] = []

    def fit_once(asked: RunBook, progress: object = None) -> Fit:
        times.append(asked)
        return fit

    monkeypatch.setattr(kept_fit, "fit", fit_once)
    first, again = (fit_or_kept(book, logbook) for _ in range(2))
    assert len(times) == 1
    assert first.runs == again.runs


def test_what_changes_a_run_makes_it_fit_anew(
    fit: Fit, book: RunBook, logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    times: list[RunBook] = []
    monkeypatch.setattr(kept_fit, "fit", lambda asked, progress=None: times.append(asked) or fit)
    fit_or_kept(book, logbook)
    changed = (replace(book.runs[0], strained_mass_g=1.0), *book.runs[1:])
    fit_or_kept(replace(book, runs=changed), logbook)
    assert len(times) == 2


def test_a_damaged_entry_is_fitted_anew_and_mended(
    fit: Fit, book: RunBook, logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept_fit, "fit", lambda asked, progress=None: fit)
    logbook.cache(fit.fingerprint, b"damaged")
    assert fit_or_kept(book, logbook).runs == fit.runs
    mended = logbook.cached(fit.fingerprint)
    assert mended is not None
    assert fit_from_bytes(mended, book) is not None
