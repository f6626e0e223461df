"""The recipes of DEVELOPERS.md, each followed on a scratch copy of the tree."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rig.bench import IceShape
from rig.capture.devices.simulated.drink import ICE_OF_SHAPE
from rig.physics.ice import FORMS
from tests.cli.small_bench import small_bench

ROOT = Path(__file__).parents[1]


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A copy of the product, to be changed."""
    for room in ("rig", "dashboard"):
        shutil.copytree(ROOT / room, tmp_path / room, ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path


def run(tree: Path, *words: str | Path) -> str:
    """What a command of the changed tree prints."""
    done = subprocess.run(
        [sys.executable, *words],
        cwd=tree,
        env={**os.environ, "PYTHONPATH": str(tree)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text()
    assert text.count(old) == 1, (file, old)
    file.write_text(text.replace(old, new))


def test_every_ice_shape_has_all_that_is_asked_of_it() -> None:
    assert set(FORMS) == set(ICE_OF_SHAPE) == set(IceShape)


def test_an_ice_shape_is_added(tree: Path) -> None:
    change(tree / "rig/bench.py", '    CUBE = "cube"\n', '    CUBE = "cube"\n    SLAB = "slab"\n')
    change(
        tree / "rig/physics/ice.py",
        "    IceShape.CUBE: ",
        "    IceShape.SLAB: _Form(0.3, 3.2, 60.0, Wetness(0.02, 0.6)),\n    IceShape.CUBE: ",
    )
    change(
        tree / "rig/capture/devices/simulated/drink.py",
        "    IceShape.CUBE: ",
        '    IceShape.SLAB: "freezer cube",\n    IceShape.CUBE: ',
    )
    bench = small_bench(tree / "bench")
    file = bench / "bench.toml"
    file.write_text(file.read_text().replace("[ice.", '[ice.slab]\nshape = "slab"\nedge_mm = 60\n\n[ice.', 1))
    asked = ["--technique", "shake", "--vessel", "steel tin", "--ice", "slab", "--recipe", "night shift"]
    assert "slab" in run(tree, "-m", "rig.cli", "advise", "--bench", bench, *asked, "--target", "coupe")


def test_a_changed_prior_makes_kept_fits_anew(tree: Path) -> None:
    ask = "from rig.fitting.version import model_version; print(model_version())"
    before = run(tree, "-c", ask)
    change(tree / "rig/fitting/priors.py", "AIR_W_PER_M2K = ", "AIR_W_PER_M2K = 1.0 + ")
    assert run(tree, "-c", ask) != before == run(ROOT, "-c", ask)


def test_a_page_is_added(tree: Path) -> None:
    (tree / "dashboard/pages/hello.py").write_text(
        "from dash import html\n\nfrom dashboard.page import Page\n\n\n"
        "def layout(here):\n    return html.H1('Hello')\n\n\n"
        "PAGE = Page('/hello', 'Hello', layout)\n"
    )
    begin = "PAGES: tuple[Page, ...] = ("
    change(tree / "dashboard/app.py", begin, f"from dashboard.pages import hello\n\n{begin}\n    hello.PAGE,")
    told = run(tree, "-c", "from dashboard.app import PAGES; print([p.path for p in PAGES])")
    assert "/hello" in told
