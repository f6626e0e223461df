"""`chillrig doctor`: whether this installation is whole, for whoever must help from afar."""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec
from pathlib import Path

import typer

from rig.cli import doctor_checks
from rig.cli.options import AsJson, Logbook, example
from rig.cli.printing import one_line, print_json, say, table
from rig.errors import RigError
from rig.session.places import logbook_at

EXAMPLE = example("chillrig doctor", "chillrig doctor --logbook postgresql://bar@venue/chillrig --json")

_PACKAGES = ("numpy", "scipy", "pandas", "SQLAlchemy", "plotly", "dash", "pyserial", "typer", "rich")


@dataclass(frozen=True)
class Check:
    """One thing looked at: whether it is well, what was found, and what to do where it is not."""

    name: str
    ok: bool
    found: str
    cure: str = ""


def command(logbook: Logbook = None, as_json: AsJson = False) -> None:
    """Check installation, logbook, copies, recordings, fits, disk, clock and ports; exit 1 where something is amiss.

    What is amiss is said with what to do about it.

    Prints no names, runs or recipes: the output is fit to send to whoever helps.
    """
    checks = [
        _looked_at("chillrig", _program),
        _looked_at("Python and system", _system),
        *(_looked_at(name, lambda name=name: version(name)) for name in _PACKAGES),  # type: ignore[misc]
        _looked_at("data folder", doctor_checks.data_folder_can_be_written),
        _looked_at("logbook", lambda: _logbook(logbook)),
        _looked_at("logbook is whole", lambda: doctor_checks.logbook_is_whole(logbook)),
        _looked_at("copies of it", lambda: doctor_checks.copies(logbook)),
        _looked_at("recordings left over", lambda: doctor_checks.journals(logbook)),
        _looked_at("kept fits", lambda: doctor_checks.kept_fits(logbook)),
        _looked_at("disk", lambda: doctor_checks.disk(logbook)),
        _looked_at("clock", lambda: doctor_checks.clock(logbook)),
        _looked_at("serial ports", doctor_checks.ports),
        _looked_at("sample benches", _samples),
        _looked_at("fit of a drink made up", _fit),
        _looked_at("dashboard", _dashboard),
    ]
    well = all(c.ok for c in checks)
    if as_json:
        print_json({"ok": well, "checks": [asdict(c) for c in checks]})
    else:
        rows = [
            ("well" if c.ok else "AMISS", c.name, c.found + (f"\n{c.cure}" if c.cure else "")) for c in checks
        ]
        table(("", "checked", "found"), rows, words=3)
        say("", "All well." if well else "Something is amiss: see above.")
    raise typer.Exit(0 if well else 1)


def _looked_at(name: str, look: Callable[[], str]) -> Check:
    try:
        return Check(name, True, look())
    except PackageNotFoundError:
        return Check(
            name, False, "not installed", "Install chillrig again: pip install --force-reinstall chillrig"
        )
    except RigError as error:
        return Check(name, False, one_line(str(error)))
    except Exception as error:  # a doctor reports what fails, whatever it is
        return Check(name, False, one_line(f"{type(error).__name__}: {error}"), "Install chillrig again")


def _program() -> str:
    import rig

    return f"{version('chillrig')} in {Path(rig.__file__).parent}"


def _system() -> str:
    encoding = sys.stdout.encoding or "unknown"
    machine = f"{platform.platform()}, {os.cpu_count()} cores"
    return f"Python {platform.python_version()}, {machine}, text as {encoding}"


def _logbook(told: str | None) -> str:
    from rig.logbook.store import open_logbook

    at = logbook_at(told)
    if "://" not in at and not Path(at).exists():
        if told is not None:
            raise RigError(f"there is none at {at}")
        return f"none yet; chillrig import makes one at {at}"
    with open_logbook(at) as opened:
        benches = opened.benches()
        return f"{opened.where}: benches {len(benches)}, runs {sum(b.runs for b in benches)}"


def _samples() -> str:
    from rig.cli.demo import sample_benches

    found = sample_benches()
    if not found:
        raise RigError("none beside the program; install chillrig again to have chillrig demo")
    return f"{len(found)} in {found[0].parent}"


def _fit() -> str:
    """Fit three made-up runs: the whole chain of numbers at work."""
    from rig.bench import parse_bench
    from rig.fitting.bench_fit import fit
    from rig.runs import Run, RunBook

    bench, _ = parse_bench(_MADE_UP)
    runs = tuple(
        Run(
            f"d{k}",
            "shake",
            "tin",
            "cube",
            "drink",
            ice_mass_g=150.0,
            drink_temp_c=20.0,
            duration_s=time_s,
            strained_mass_g=mass_g,
        )
        for k, (time_s, mass_g) in enumerate(((6.0, 128.0), (10.0, 137.0), (16.0, 141.0)))
    )
    found = fit(RunBook(bench, runs))
    return f"{len(found.runs)} runs in {found.posterior.iterations} steps"


_MADE_UP = """
title = "made up"
[vessels.tin]
mass_g = 250
[ice.cube]
shape = "cube"
edge_mm = 30
temp_c = 0
[recipes.drink]
ingredients = [{ name = "spirit", volume_ml = 50, abv_pct = 40 }, { name = "water", volume_ml = 50 }]
"""


def _dashboard() -> str:
    if find_spec("dash") is None or find_spec("dashboard") is None:
        raise RigError("not installed; chillrig dashboard needs it")
    return "installed"
