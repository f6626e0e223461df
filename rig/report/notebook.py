"""For notebooks: what was read, fitted, compared and advised as pandas frames and Plotly figures.

Columns are named as everywhere here, with their units: `drink_mass_g`, `temp_c_p50`.
"""

from __future__ import annotations

from dataclasses import fields
from functools import singledispatch
from typing import Any

import pandas as pd
import plotly.graph_objects as go

from rig.advice.call.call import Advice
from rig.advice.compare.compare import Comparison
from rig.errors import RigError
from rig.fitting.result import Fit
from rig.importing.tables import Table
from rig.report.comparison_figure import comparison_figure
from rig.report.courses import set_up_courses
from rig.report.figures import chill_curves, odds_figure
from rig.report.look import LIGHT, sheet
from rig.runs import Run, RunBook, Trace

_NOT_IN_A_ROW = ("trace", "extra")
_PERCENTILES = ("p05", "p50", "p95")


@singledispatch
def to_frame(thing: Any) -> pd.DataFrame:
    """A frame of runs (one row each), a trace, a table's channels, a fit, a comparison or a piece of advice.

    Raises
    ------
    RigError
        Where there is no frame of such a thing.
    """
    raise RigError(
        f"there is no frame of a {type(thing).__name__}: give runs, a trace, a fit, a comparison, advice"
    )


@to_frame.register
def _runs(book: RunBook) -> pd.DataFrame:
    """One row a run, by its name, in the order of the run sheet."""
    names = [f.name for f in fields(Run) if f.name not in _NOT_IN_A_ROW]
    rows = [
        {name: getattr(run, name) for name in names} | {"has_trace": run.trace is not None}
        for run in book.runs
    ]
    return pd.DataFrame(rows, columns=[*names, "has_trace"]).set_index("run")


@to_frame.register
def _run(run: Run) -> pd.DataFrame:
    """The run's trace."""
    if run.trace is None:
        raise RigError(f"run {run.run} has no trace")
    return _trace(run.trace)


@to_frame.register
def _trace(trace: Trace) -> pd.DataFrame:
    """One column a channel, by seconds from the start of motion; NaN where a channel was not read."""
    channels = dict(trace.channels())
    return pd.DataFrame(channels).set_index("time_s")


@to_frame.register
def _table(table: Table) -> pd.DataFrame:
    """One row a reading: channel, role, unit, seconds, value."""
    parts = [
        pd.DataFrame(
            {"channel": c.name, "role": str(c.role), "unit": c.unit, "time_s": c.time_s, "value": c.value}
        )
        for c in table.channels
    ]
    return pd.concat(parts, ignore_index=True)


@to_frame.register
def _fit(fit: Fit) -> pd.DataFrame:
    """One row a run as the fit sees it, by its name."""
    rows = [
        {
            **{
                f.name: getattr(r, f.name)
                for f in fields(r)
                if f.name not in ("set_up", "verdict", "reasons")
            },
            "technique": r.set_up.technique,
            "vessel": r.set_up.vessel,
            "ice": r.set_up.ice,
            "verdict": r.verdict.value,
            "reasons": "; ".join(r.reasons),
        }
        for r in fit.runs
    ]
    return pd.DataFrame(rows).set_index("run")


@to_frame.register
def _comparison(found: Comparison) -> pd.DataFrame:
    """One row a set-up, what it comes to with its 90 % band."""
    rows = []
    for s in found.summaries:
        row: dict[str, Any] = {
            "technique": s.set_up.technique,
            "vessel": s.set_up.vessel,
            "ice": s.set_up.ice,
        }
        row["runs"] = s.runs
        for name in ("temp_c", "dilution_by_volume", "time_to_target_s", "dilution_at_target"):
            values = getattr(s, name) or (float("nan"),) * 3
            row |= {f"{name}_{p}": v for p, v in zip(_PERCENTILES, values, strict=True)}
        rows.append(row)
    return pd.DataFrame(rows).set_index(["technique", "vessel", "ice"])


@to_frame.register
def _advice(advice: Advice) -> pd.DataFrame:
    """One row a duration: the odds of landing, temperature and dilution with their 90 % band."""
    curve = advice.to_dict()["curve"]
    columns: dict[str, Any] = {}
    for name, values in curve.items():
        banded = isinstance(values, dict)
        columns |= {f"{name}_{p}": values[p] for p in _PERCENTILES} if banded else {name: values}
    return pd.DataFrame(columns).set_index("duration_s")


@singledispatch
def figure(thing: Any, **options: Any) -> go.Figure:
    """A figure of a run's trace, a fit (`recipe=`), a comparison or a piece of advice.

    Raises
    ------
    RigError
        Where there is no figure of such a thing.
    """
    raise RigError(f"there is no figure of a {type(thing).__name__}: give a run, a fit, a comparison, advice")


@figure.register
def _figure_of_run(run: Run) -> go.Figure:
    """What its probes read, by seconds from the start of motion."""
    frame = to_frame(run)
    drawn = sheet(LIGHT, "time from the start of motion [s]", "as read [°C]")
    for name in (c for c in frame.columns if c.startswith("probe") or c == "room_c"):
        drawn.add_trace(go.Scatter(x=frame.index, y=frame[name], name=name, mode="lines"))
    return drawn


@figure.register
def _figure_of_fit(fit: Fit, *, recipe: str) -> go.Figure:
    """How each set-up chills a recipe, with its band and its runs."""
    measured = [s for s in fit.set_ups if fit.runs_of(s, recipe)]
    if not measured:
        raise RigError(f"no run of {recipe} was fitted")
    return chill_curves(set_up_courses(fit, measured, recipe))


@figure.register
def _figure_of_comparison(found: Comparison) -> go.Figure:
    return comparison_figure(found)


@figure.register
def _figure_of_advice(advice: Advice) -> go.Figure:
    """The odds of landing by the duration."""
    return odds_figure(advice)
