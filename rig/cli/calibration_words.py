"""What the calibrate commands share: readings typed or from a trace, keeping, printing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.cli.options import LOGBOOK_VARIABLE
from rig.cli.printing import bullets, heading, print_json, say, table
from rig.errors import NotEnoughData, NotFound

if TYPE_CHECKING:
    from rig.arrays import FloatArray
    from rig.logbook.store import Logbook
    from rig.sensors.budget import Budget
    from rig.sensors.calibrating import Made
    from rig.sensors.calibration import Calibration, CalibrationKind

NUMBERS_MAY_BE_NEGATIVE = {"ignore_unknown_options": True}

Device = Annotated[str, typer.Option(metavar="NAME", help="Which device, by the name you give it.")]
OfChannel = Annotated[
    str, typer.Option("--channel", metavar="NAME", help="Which channel of it, where it has several.")
]
Days = Annotated[
    int | None,
    typer.Option("--valid-days", metavar="N", help="For how many days it holds; default: by kind."),
]
JustShow = Annotated[
    bool, typer.Option("--just-show", help="Work it out, but do not keep it in the logbook.")
]
LogbookToKeepIn = Annotated[
    str | None,
    typer.Option(
        "--logbook",
        envvar=LOGBOOK_VARIABLE,
        metavar="URL_OR_FILE",
        help="The logbook to keep it in. Default: a file of your own.",
        show_envvar=True,
    ),
]


def opened(logbook: str | None) -> Logbook:
    """The logbook, made where there is none yet."""
    from rig.logbook.store import open_logbook
    from rig.session.places import new_logbook_at

    return open_logbook(new_logbook_at(logbook))


def begun(logbook: str | None) -> Logbook | None:
    """The logbook where it is there already."""
    from rig.session.places import logbook_at

    at = logbook_at(logbook)
    return opened(logbook) if "://" in at or Path(at).exists() else None


def existing(logbook: str | None) -> Logbook | None:
    """The logbook asked for, which must be there; None where it is one's own and not begun yet."""
    from rig.cli.source import existing_logbook
    from rig.session.places import logbook_at

    if logbook is None and not Path(logbook_at(None)).exists():
        return None
    return existing_logbook(logbook)


def pairs(texts: Sequence[str], what: str) -> list[tuple[float, float]]:
    """`READING=TRUE` texts as numbers."""
    from rig.units import typed

    out = []
    for text in texts:
        reading, equals, true = text.partition("=")
        try:
            pair = typed(reading), typed(true)
        except ValueError:
            equals = ""
        if not equals:
            raise typer.BadParameter(f"write each as {what}, as 20.3=20.0; found {text!r}")
        out.append(pair)
    return out


def readings(typed: Sequence[float] | None, trace: Path | None, channel: str | None) -> list[float]:
    """Readings typed, or the last ones of a trace file."""
    if bool(typed) == (trace is not None):
        raise typer.BadParameter("type the readings, or give a trace file with --trace; one of the two")
    if typed:
        return list(typed)
    assert trace is not None
    _, values = temperature_in(trace, channel)
    from rig.signals.steadiness import LAST_READINGS  # brings NumPy, which help does without

    return [float(v) for v in values[-LAST_READINGS:]]


def temperature_in(file: Path, channel: str | None) -> tuple[FloatArray, FloatArray]:
    """Time and temperature of one channel of a file."""
    from rig.importing.tables import read_table
    from rig.importing.tabular.units_in_text import Role

    found = {c.name: c for c in read_table(file).channels if c.role is Role.TEMPERATURE}
    if not found:
        raise NotEnoughData(f"{file.name} holds no temperature; name its column probe_c")
    if channel is None and len(found) > 1:
        raise typer.BadParameter(f"{file.name} holds several temperatures; --in-column {' | '.join(found)}")
    name = next(iter(found)) if channel is None else channel
    if name not in found:
        raise NotFound("temperature column", name, found)
    return found[name].time_s, found[name].value


def keep(calibration: Calibration, logbook: str | None, just_show: bool) -> bool:
    """Store it unless told not to; whether it is in the logbook."""
    from rig.logbook.calibrations import keep_calibration

    if just_show:
        return False
    with opened(logbook) as book:
        keep_calibration(book, calibration)
    return True


def tell(made: Made, cautions: Sequence[str], *, kept: bool, as_json: bool) -> None:
    """Print a calibration and what to mind."""
    c = made.calibration
    if as_json:
        print_json(calibration_json(c) | {"kept": kept, "cautions": list(cautions)})
        return
    say(f"{named(c)}: {c.kind}, by {c.method}", style="bold")
    say(*made.sentences, *(f"Doubt: {d}{'' if d.endswith('?') else '.'}" for d in made.doubts))
    until = f"Holds until {c.expires:%Y-%m-%d}"
    say(f"{until}; kept in the logbook." if kept else f"{until}; not kept, as told.")
    heading("Mind")
    bullets(cautions)


def named(c: Calibration) -> str:
    """Device and channel."""
    return f"{c.device} {c.channel}".strip()


def calibration_json(c: Calibration) -> dict[str, Any]:
    """A calibration with stable keys."""
    return {
        "device": c.device,
        "channel": c.channel,
        "kind": c.kind.value,
        "unit": c.kind.unit,
        "made_at": c.when.isoformat(),
        "expires": c.expires.isoformat(),
        "method": c.method,
        "origin": c.origin,
        "coefficients": list(c.coefficients),
        "covariance": [list(row) for row in c.covariance],
        "residual_std": c.residual_std,
        "degrees_of_freedom": number(c.degrees_of_freedom),
        "points": [{"raw": p.raw, "reference": p.reference, "std": p.std, "name": p.name} for p in c.points],
    }


def budget_json(b: Budget) -> dict[str, Any]:
    """A budget with stable keys."""
    return {
        "name": b.name,
        "unit": b.unit,
        "value": b.value,
        "combined_std": b.combined_std,
        "effective_degrees_of_freedom": number(b.effective_degrees_of_freedom),
        "coverage_factor": b.coverage_factor(),
        "expanded": b.expanded(),
        "probability": 0.95,
        "inputs": [
            {
                "name": i.name,
                "value": i.value,
                "unit": i.unit,
                "std": i.std,
                "distribution": i.distribution.value,
                "degrees_of_freedom": number(i.degrees_of_freedom),
                "sensitivity": c,
                "contribution": abs(c) * i.std,
            }
            for i, c in zip(b.inputs, b.sensitivities, strict=True)
        ],
    }


def say_budget(b: Budget) -> None:
    """Print a budget as a table, the largest part first, and its result in words."""
    shares = b.shares()
    order = sorted(range(len(b.inputs)), key=lambda k: -shares[k])
    heading(b.name.capitalize())
    table(
        ("quantity", "distribution", "value", "u", "sensitivity", "part", "share\n[%]"),
        [
            (
                f"{(i := b.inputs[k]).name} [{i.unit or '1'}]",
                i.distribution.value,
                f"{i.value:.4g}",
                f"{i.std:.2g}",
                f"{b.sensitivities[k]:.3g}",
                f"{abs(b.contributions[k]):.2g}",
                f"{100 * shares[k]:.0f}",
            )
            for k in order
        ],
        words=2,
    )
    say(
        "",
        f"{b.name.capitalize()} {b.value:.3g} ± {b.expanded():.2g} {b.unit} (95 %, k = {b.coverage_factor():.2f}).",
    )


def number(x: float) -> float | None:
    """A number for JSON; None where it is infinite."""
    return x if math.isfinite(x) else None


def held_today(book: Logbook, device: str, channel: str, kind: CalibrationKind) -> Calibration | None:
    """The calibration that holds today, if any."""
    from rig.logbook.calibrations import calibration_in_force
    from rig.sensors.calibrating import now

    return calibration_in_force(book, device, channel, kind, now().date())
