from __future__ import annotations

import pytest

from rig.fitting.result import Fit
from rig.report.page import Report, make_report
from rig.runs import RunBook
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted


@pytest.fixture(scope="session")
def book() -> RunBook:
    return small_book()


@pytest.fixture(scope="session")
def fit(book: RunBook) -> Fit:
    return fitted(book)


@pytest.fixture(scope="session")
def report(fit: Fit) -> Report:
    return make_report(fit)
