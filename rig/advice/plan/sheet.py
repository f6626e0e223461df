"""A plan to print and fill in: a run sheet as CSV, and a table to hang above the bench."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from rig.advice.plan.plan import PlannedRun, RunPlan
from rig.bench import Bench
from rig.importing.write_bench import run_sheet_csv
from rig.runs import Run, RunBook

HEADINGS = (
    "run", "block", "technique", "vessel", "ice", "ice [g]", "recipe", "start [°C]", "for [s]",
)  # fmt: skip
FILL_IN = (
    "ice weighed [g]", "ice [°C]", "drink weighed [g]", "start was [°C]", "lasted [s]", "strained [g]", "notes",
)  # fmt: skip


def run_sheet(plan: RunPlan, bench: Bench, target: str | None = None, taken: Iterable[str] = ()) -> str:
    """The planned runs as a run sheet, CSV text that reads back as runs.

    Set-up, recipe, session and planned duration are filled in; what is measured on the day is left blank, and the
    plan for it stands in the notes. Correct the duration to what it really was.

    Parameters
    ----------
    taken
        Names of runs there are already.
    """
    names = _names(len(plan.runs), set(taken))
    runs = tuple(
        Run(
            run=name,
            technique=p.situation.technique,
            vessel=p.situation.vessel,
            ice=p.situation.ice,
            recipe=p.situation.recipe,
            session=f"plan, block {p.block}",
            duration_s=p.duration_s,
            target=target or None,
            notes=_planned(p),
        )
        for name, p in zip(names, plan.runs, strict=True)
    )
    return run_sheet_csv(RunBook(bench, runs))


def _names(count: int, taken: set[str]) -> list[str]:
    out: list[str] = []
    number = 1
    while len(out) < count:
        if f"p{number:02d}" not in taken:
            out.append(f"p{number:02d}")
        number += 1
    return out


def _planned(p: PlannedRun) -> str:
    s = p.situation
    start = "" if s.drink_temp_c is None else f", start {s.drink_temp_c:z.0f} °C"
    ice = "" if s.ice_mass_g is None else f", ice {s.ice_mass_g:.0f} g"
    return f"planned: {p.duration_s:.0f} s{start}{ice}"


def rows(plan: RunPlan) -> list[tuple[str, ...]]:
    """The plan as text cells under `HEADINGS`."""
    return [
        (
            str(p.place),
            str(p.block),
            p.situation.technique,
            p.situation.vessel,
            p.situation.ice,
            "" if p.situation.ice_mass_g is None else f"{p.situation.ice_mass_g:.0f}",
            p.situation.recipe,
            "" if p.situation.drink_temp_c is None else f"{p.situation.drink_temp_c:.0f}",
            f"{p.duration_s:.0f}",
        )
        for p in plan.runs
    ]


_STYLE = (
    "body{font:14px/1.4 system-ui,sans-serif;margin:1.5em;color:#111;background:#fff}"
    "table{border-collapse:collapse;width:100%}"
    "th,td{border:1px solid #666;padding:.35em .5em;text-align:left;vertical-align:top}"
    "td.fill{min-width:4.5em;height:2em}tr.block td{border-top:3px solid #111}"
    "@page{size:A4 landscape;margin:12mm}@media print{body{margin:0}}"
)


def printable(plan: RunPlan, title: str) -> str:
    """The plan as one HTML page without scripts or outside files: what to do, and blanks for what was."""
    head = "".join(f"<th scope='col'>{escape(h)}</th>" for h in (*HEADINGS, *FILL_IN))
    body, block = [], ""
    for cells in rows(plan):
        mark = " class='block'" if block and cells[1] != block else ""
        block = cells[1]
        filled = "".join(f"<td>{escape(c)}</td>" for c in cells)
        body.append(f"<tr{mark}>{filled}{'<td class=fill></td>' * len(FILL_IN)}</tr>")
    notes = "".join(f"<li>{escape(n)}</li>" for n in plan.notes)
    return (
        "<!doctype html><html lang='en'><head><meta charset='utf-8'>"
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>"
        f"<h1>{escape(title)}</h1><p>{escape(plan.summary)}</p>"
        f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table>"
        "<p>Make the runs in this order, each block in one session from one batch of ice. Write down what "
        f"really was, not what was planned.</p><ul>{notes}</ul></body></html>\n"
    )
