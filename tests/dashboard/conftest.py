from __future__ import annotations

import pytest

from dashboard.service import BenchView
from tests.dashboard.benches import fitted_view


@pytest.fixture(scope="session")
def view() -> BenchView:
    return fitted_view()
