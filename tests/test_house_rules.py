"""The rules of the house hold for every module: size, units at the edge, no work at import, layers."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted(p for room in ("rig", "dashboard", "sample_logs") for p in (ROOT / room).rglob("*.py"))
MOST_LINES = 500
CONVERSION = re.compile(r"(?<!-)\b273\.15\b|\b28\.349|\b453\.59|\b9(\.0)? / 5|\b5(\.0)? / 9|\b29\.5735")
DRAWERS = {"utils", "helpers", "common", "misc", "base", "utilities"}


def told(path: Path) -> str:
    return str(path.relative_to(ROOT))


def test_there_are_modules_to_look_at() -> None:
    assert len(MODULES) > 100


@pytest.mark.parametrize("rule", ["size", "drawer"])
def test_no_module_is_a_drawer_or_too_long(rule: str) -> None:
    if rule == "size":
        offenders = [told(p) for p in MODULES if len(p.read_text().splitlines()) > MOST_LINES]
    else:
        offenders = [told(p) for p in MODULES if p.stem in DRAWERS]
    assert offenders == []


def test_units_are_converted_in_one_module_only() -> None:
    rig = [p for p in MODULES if told(p).startswith(("rig", "dashboard"))]
    offenders = [told(p) for p in rig if told(p) != "rig/units.py" and CONVERSION.search(p.read_text())]
    assert offenders == []


def test_nothing_swallows_every_error_outside_the_edges() -> None:
    edges = {
        "rig/cli/faults.py",  # the last wall before the user
        "rig/cli/doctor.py",  # a doctor reports whatever fails
        "rig/logbook/store.py",  # closes the engine and raises again
        "dashboard/memoise.py",  # raises it again, for all who wait for the same answer
        "dashboard/ahead.py",  # hands a thread's error to whoever asks for its result
        "dashboard/service.py",  # hands a thread's error to whoever asks for its result, or notes it
        "dashboard/live/caller.py",  # the drink goes on without a call, and says so
    }
    broad = re.compile(r"^\s*except( Exception| BaseException)?\s*(as \w+)?:", re.MULTILINE)
    offenders = [told(p) for p in MODULES if broad.search(p.read_text()) and told(p) not in edges]
    assert offenders == []


def test_importing_the_packages_opens_nothing() -> None:
    code = (
        "import sys, builtins, socket, threading\n"
        "opened = []\n"
        "sys.addaudithook(lambda e, a: opened.append((e, str(a[0]))) if e == 'socket.connect' "
        "or (e == 'open' and a[1] and set(str(a[1])) & set('wax+')) else None)\n"
        "import rig, rig.cli, rig.fitting.bench_fit, rig.advice.call.call, dashboard.app\n"
        "opened = [o for o in opened if '__pycache__' not in o[1] and not o[1].startswith('/dev/null')]\n"
        "assert not opened, opened\n"
        "assert threading.active_count() == 1, threading.enumerate()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr[-2000:]


def test_rig_is_usable_without_the_dashboard() -> None:
    code = "import sys; sys.modules['dash'] = None; import rig, rig.cli; assert rig.fit and rig.advise"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr[-2000:]


def test_no_arrow_runs_back_through_the_layers() -> None:
    done = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:]


def test_no_modules_import_each_other_in_a_circle_not_even_inside_a_function() -> None:
    """Every import counts: those inside functions and those for the type checker as well."""
    graph = grimp.build_graph("rig", "dashboard", cache_dir=None)
    left = {m: set(graph.find_modules_directly_imported_by(m)) for m in graph.modules}
    # what imports nothing that is left cannot stand in a circle
    while free := {m for m, imported in left.items() if not imported & left.keys()}:
        left = {m: imported for m, imported in left.items() if m not in free}
    assert sorted(left) == []


def test_imports_inside_functions_count_for_the_layers() -> None:
    """The contract is checked on a graph that holds them."""
    graph = grimp.build_graph("rig", "dashboard", cache_dir=None)
    inside = ast.parse((ROOT / "rig/cli/__init__.py").read_text()).body[1]
    assert isinstance(inside, ast.FunctionDef) and "from rig.cli.app import app" in ast.unparse(inside)
    assert graph.direct_import_exists(importer="rig.cli", imported="rig.cli.app")
