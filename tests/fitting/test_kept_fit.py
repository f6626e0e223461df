from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import grimp
import numpy as np
import pytest

import rig
from rig.advice.call.call import advise
from rig.errors import LogbookError
from rig.fitting import kept_fit
from rig.fitting.bench_fit import fit as fit_book
from rig.fitting.kept_fit import fit_from_bytes, fit_or_kept, fit_to_bytes, kept_verdicts
from rig.fitting.result import Fit
from rig.fitting.version import MODULES, ROOMS
from rig.logbook.store import MOST_CACHED, Logbook, open_logbook
from rig.runs import RunBook
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted


@pytest.fixture(scope="module")
def book() -> RunBook:
    return small_book()


@pytest.fixture(scope="module")
def fit(book: RunBook) -> Fit:
    return fitted(book)


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
    assert back.random_effects.keys == fit.random_effects.keys
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

    def fit_once(asked: RunBook, progress: object, warm: Fit | None) -> Fit:
        times.append(asked)
        return fit

    monkeypatch.setattr(kept_fit, "fit", fit_once)
    first, again = (fit_or_kept(book, logbook, "corner") for _ in range(2))
    assert len(times) == 1
    assert first.runs == again.runs


def test_what_changes_a_run_makes_it_fit_anew(
    fit: Fit, book: RunBook, logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    times: list[RunBook] = []
    monkeypatch.setattr(kept_fit, "fit", lambda asked, progress, warm: times.append(asked) or fit)
    fit_or_kept(book, logbook, "corner")
    changed = (replace(book.runs[0], strained_mass_g=1.0), *book.runs[1:])
    fit_or_kept(replace(book, runs=changed), logbook, "corner")
    assert len(times) == 2


def test_a_damaged_entry_is_fitted_anew_and_mended(
    fit: Fit, book: RunBook, logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept_fit, "fit", lambda asked, progress, warm: fit)
    logbook.cache(fit.fingerprint, b"damaged", "corner")
    assert fit_or_kept(book, logbook, "corner").runs == fit.runs
    mended = logbook.cached(fit.fingerprint)
    assert mended is not None
    assert fit_from_bytes(mended, book) is not None


def test_a_run_that_came_in_is_fitted_from_the_fit_before(book: RunBook, logbook: Logbook) -> None:
    fit_or_kept(replace(book, runs=book.runs[:-1]), logbook, "corner")
    cold = fit_book(book)
    warm = fit_or_kept(book, logbook, "corner")
    assert warm.posterior.converged
    assert warm.posterior.iterations <= cold.posterior.iterations  # the scouts before them are not counted
    own = {r.run: r.temp_c for r in cold.runs if r.temp_c is not None}
    assert {r.run: r.temp_c for r in warm.runs if r.temp_c is not None} == pytest.approx(own, abs=0.15)


def test_a_fit_of_other_sources_is_not_taken(
    fit: Fit, kept: bytes, logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever changes a prior gets a fresh fit without a thought of any number."""
    logbook.cache(fit.fingerprint, kept, "corner")
    assert kept_verdicts(logbook, "corner", fit.book.runs)
    monkeypatch.setattr(kept_fit, "model_version", lambda: "other sources")
    assert fit_from_bytes(kept, fit.book) is None
    assert kept_verdicts(logbook, "corner", fit.book.runs) == {}


def test_the_model_s_version_covers_all_that_a_fit_is_worked_out_by() -> None:
    graph = grimp.build_graph("rig")
    used = {m.removeprefix("rig.") for m in graph.find_upstream_modules("rig.fitting.bench_fit")}
    assert len(used) > 20
    assert {m for m in used if m.split(".")[0] not in (*ROOMS, *MODULES)} == set()
    assert {m for m in MODULES if not (Path(rig.__file__).parent / f"{m}.py").exists()} == set()


def test_verdicts_are_told_without_a_fit_and_without_traces(fit: Fit, kept: bytes, logbook: Logbook) -> None:
    """Of the last fit; a run corrected since, or not there then, is not judged yet."""
    runs = tuple(replace(r, trace=None) for r in fit.book.runs)
    assert kept_verdicts(logbook, "corner", runs) == {}
    logbook.cache(fit.fingerprint, kept, "corner")
    changed = (replace(runs[0], strained_mass_g=77.0), *runs[1:], replace(runs[1], run="new"))
    known = kept_verdicts(logbook, "corner", changed)
    assert set(known) == {r.run for r in runs[1:]}
    assert known[runs[1].run] == next(r for r in fit.runs if r.run == runs[1].run)


def test_of_a_bench_only_the_last_fits_stay(logbook: Logbook) -> None:
    for n in range(MOST_CACHED + 2):
        logbook.cache(f"fit {n}", bytes([n]), "corner")
    logbook.cache("elsewhere", b"x", "pier")
    assert [logbook.cached(f"fit {n}") for n in range(3)] == [None, None, bytes([2])]
    assert logbook.last_cached("corner") == bytes([MOST_CACHED + 1])
    assert logbook.last_cached("pier") == b"x" and logbook.last_cached("none") is None


def test_a_kept_fit_with_any_bit_turned_or_any_part_gone_is_fitted_again(fit: Fit, kept: bytes) -> None:
    rng = np.random.default_rng(7)
    for at, bit in zip(rng.integers(0, len(kept), 600), rng.integers(0, 8, 600), strict=True):
        turned = bytearray(kept)
        turned[at] ^= 1 << int(bit)
        assert fit_from_bytes(bytes(turned), fit.book) is None, (at, bit)
    for end in rng.integers(0, len(kept), 200):
        assert fit_from_bytes(kept[:end], fit.book) is None, end


def test_a_bench_whose_kept_fits_cannot_be_read_or_kept_is_answered(
    book: RunBook, fit: Fit, logbook: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged(*_: object) -> bytes:
        raise LogbookError("the file is damaged")

    logbook.add(book, "bar", "test")
    monkeypatch.setattr(kept_fit, "fit", lambda *_: fit)
    for part in ("cached", "last_cached", "cache"):
        monkeypatch.setattr(logbook, part, damaged)
    assert fit_or_kept(logbook.book("bar"), logbook, "bar") is fit
    assert kept_verdicts(logbook, "bar", book.runs) == {}
