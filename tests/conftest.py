"""One thread of linear algebra a worker, since tests run side by side already; no test is timed."""

import os
import subprocess
from collections.abc import Iterator
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


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of one megabyte, where this computer lets one be made."""
    at = tmp_path / "disk"
    at.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "none", at], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("no disk can be mounted here")
    yield at
    subprocess.run(["umount", "-l", at], check=True)
