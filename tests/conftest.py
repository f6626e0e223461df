"""One thread of linear algebra a worker, since tests run side by side already; no test is timed."""

import os
from pathlib import Path

import pytest

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

SLOW = [Path(__file__).parent / name for name in ("benchmarks", "judge")]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What judges or measures on many runs is slow, whatever its size: left out of the everyday run."""
    for item in items:
        if any(folder in Path(item.path).parents for folder in SLOW):
            item.add_marker(pytest.mark.slow)
