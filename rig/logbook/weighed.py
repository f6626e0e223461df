"""What weighing says of all runs, summed where they are kept: nothing but sums leaves the database."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from rig.logbook import schema
from rig.logbook.store import Logbook


@dataclass(frozen=True)
class Cell:
    """The runs of one drink on one set-up of a bench, of late or before: sums of what each was.

    x: how long it was moved [s]; y: what it gained on the ice [% of the drink’s mass], by weight before and after, so
    that what stays on ice and vessel counts as not gained.
    """

    bench: str
    technique: str
    vessel: str
    ice: str
    recipe: str
    recent: bool
    runs: int
    x: float
    y: float
    xx: float
    yy: float
    xy: float


def weighed_cells(logbook: Logbook, recent: int) -> tuple[Cell, ...]:
    """The sums of all runs that were weighed and timed and that nobody excluded, by two statements.

    `recent`: as many of a bench's newest runs count as of late.
    """
    run, bench, late = schema.run, schema.bench, schema.run.alias("late")
    away = sa.select(schema.bench_put_away.c.bench_id)
    first_of_late = (
        sa.select(late.c.position)
        .where(late.c.bench_id == bench.c.id)
        .order_by(late.c.position.desc())
        .limit(1)
        .offset(recent - 1)
        .scalar_subquery()
    )
    # distinct, so that it is worked out once for each bench and not once for each run
    begins = sa.select(bench.c.id, first_of_late.label("position")).distinct().subquery()
    of_late = _sums(begins.c.id).join_from(
        begins, run, (run.c.bench_id == begins.c.id) & (run.c.position >= begins.c.position)
    )
    named = sa.select(bench.c.name).where((bench.c.id == run.c.bench_id) & bench.c.id.not_in(away))
    with logbook._reading() as connection:
        newest = {tuple(row[:5]): tuple(row[5:]) for row in connection.execute(of_late)}
        every = connection.execute(_sums(run.c.bench_id).add_columns(named.scalar_subquery())).all()
    found = []
    for *told, name in every:
        of, sums = tuple(told[:5]), tuple(told[5:])
        sums_of_late = newest.get(of, (0,) * len(sums))
        before = tuple(a - b for a, b in zip(sums, sums_of_late, strict=True))
        for is_late, some in ((False, before), (True, sums_of_late)):
            if some[0] and name is not None:
                found.append(_cell((name, *of[1:]), is_late, some))
    return tuple(sorted(found, key=lambda c: (c.bench, c.technique, c.vessel, c.ice, c.recipe, c.recent)))


def _sums(bench_id: sa.ColumnElement[int]) -> sa.Select[Any]:
    """The sums of each cell, in the order of an index that has all they need: of durations and of masses' ratios."""
    run = schema.run
    x, r = run.c.duration_s, run.c.strained_mass_g / run.c.drink_mass_g
    cell = [run.c[part] for part in schema.TEXTS]
    used = run.c.excluded_because.is_(None) & schema.present()
    measured = (run.c.drink_mass_g > 0) & x.is_not(None) & run.c.strained_mass_g.is_not(None)
    sums = [sa.func.sum(v) for v in (x, r, x * x, r * r, x * r)]
    return sa.select(bench_id, *cell, sa.func.count(), *sums).where(used & measured).group_by(bench_id, *cell)


def _cell(of: tuple[str, ...], recent: bool, sums: Sequence[float]) -> Cell:
    """The cell of sums over ratios: y is 100 (ratio − 1)."""
    n, x, r, xx, rr, xr = sums
    bench, technique, vessel, ice, recipe = of
    y, yy, xy = 100 * (r - n), 1e4 * (rr - 2 * r + n), 100 * (xr - x)
    return Cell(bench, technique, vessel, ice, recipe, recent, int(n), x, y, xx, yy, xy)
