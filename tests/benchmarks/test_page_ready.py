"""What pages of a long logbook cost in a real Chromium, against Dash itself with nothing to show, in one run.

All pages of 10,000 runs by all ways, with times: `python -m tests.benchmarks.page_ready`.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.benchmarks.page_ready import Measured


@pytest.fixture(scope="module")
def found() -> dict[str, Measured]:
    """Cold loads by page."""
    if shutil.which("chromium") is None and shutil.which("chromium-browser") is None:
        pytest.skip("no Chromium here; install Debian's package chromium")
    # a process of its own: other browser tests of this worker keep an event loop that this one must not meet
    order = [sys.executable, "-m", "tests.benchmarks.page_ready", "--json", "--ways", "cold", "--times", "3"]
    done = subprocess.run(
        [*order, "--runs", "1000", "--pages", "Runs", "one Run"],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    measured = [Measured(**m) for m in json.loads(done.stdout)]
    print("", *measured, sep="\n")
    return {m.page: m for m in measured if m.way == "cold"}


@pytest.mark.slow
@pytest.mark.browser
def test_a_page_of_runs_costs_little_more_than_dash_itself(found: dict[str, Measured]) -> None:
    assert found["Runs"].script_cpu_ms < 4 * found["empty"].script_cpu_ms
    assert found["one Run"].script_cpu_ms < 3 * found["empty, a figure"].script_cpu_ms


@pytest.mark.slow
@pytest.mark.browser
def test_a_figure_costs_far_less_than_with_all_of_plotly(found: dict[str, Measured]) -> None:
    small, whole = found["empty, a figure"], found["whole, a figure"]
    assert small.script_cpu_ms < 0.8 * whole.script_cpu_ms
    assert small.loaded_kb < 0.6 * whole.loaded_kb


@pytest.mark.slow
@pytest.mark.browser
def test_a_page_without_figures_loads_no_script_for_them(found: dict[str, Measured]) -> None:
    assert found["Runs"].loaded_kb < found["empty, a figure"].loaded_kb


@pytest.mark.slow
@pytest.mark.browser
def test_the_words_of_a_page_do_not_wait_for_its_figures(found: dict[str, Measured]) -> None:
    assert found["one Run"].words_ms < found["one Run"].ready_ms
