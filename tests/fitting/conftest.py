"""One small bench, fitted once for all tests here."""

from __future__ import annotations

from pathlib import Path

import pytest

import rig
from rig.fitting.result import Fit
from rig.runs import RunBook
from tests.shared_fits import fitted

SAMPLES = Path(__file__).parents[2] / "sample_logs"


@pytest.fixture(scope="session")
def evening() -> RunBook:
    return rig.open_bench(SAMPLES / "evening_class")


@pytest.fixture(scope="session")
def evening_fit(evening: RunBook) -> Fit:
    return fitted(evening)
