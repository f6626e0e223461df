from __future__ import annotations

import pytest

from rig.fitting.bench_fit import fit as fit_book
from rig.fitting.result import Fit
from rig.report.page import Report, make_report
from rig.runs import RunBook
from tests.cli.small_bench import small_book


@pytest.fixture(scope="session")
def book() -> RunBook:
    return small_book()


@pytest.fixture(scope="session")
def fit(book: RunBook) -> Fit:
    return fit_book(book)


@pytest.fixture(scope="session")
def report(fit: Fit) -> Report:
    return make_report(fit)
