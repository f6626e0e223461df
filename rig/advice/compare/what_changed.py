"""What changed between days, sessions, operators or ice batches, once what the fit expects of each run is taken away.

A run's residual is what was measured less what its set-up would do on an average day with what was noted of that run.
Groups are compared within each drink on each set-up, so that the fit having learned a set-up from one group alone does
not hide the group, and nothing is said of groups that share no set-up. Runs are compared, never readings; where groups
hold several sessions, runs of one session are taken to be alike as far as they show to be.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from itertools import combinations
from typing import Any

import numpy as np

from rig.advice.check.residual_bias import MATTERS, Observation
from rig.advice.compare.changes import By, Change, WhatChanged
from rig.advice.compare.group_effects import GroupEffects, group_effects, linked
from rig.advice.compare.what_changed_words import sentences
from rig.advice.evidence.statistics import Estimate, Judgement, judge
from rig.arrays import FloatArray
from rig.errors import NotEnoughData
from rig.fitting.result import Fit
from rig.fitting.result import Verdict as RunVerdict
from rig.runs import Run, SetUp

MOST_PAIRED = 6
"""Groups that are compared pair by pair; more are each held against all others."""
ALPHA = 0.05


ICE_BATCH_COLUMN = "ice_batch"
"""A column of the run sheet that nothing else reads: whatever names the bag, block or tray."""


def what_changed(fit: Fit, *, by: str | None = None, since: date | None = None) -> WhatChanged:
    """Hold groups of sound runs against each other.

    Parameters
    ----------
    by
        `day`, `session`, `operator` or `ice-batch`; without it, runs before `since` against those from then on.
    since
        With `by`: only runs from this day on.

    Raises
    ------
    NotEnoughData
        Fewer than two groups have a sound run, or no group has two of one drink on a set-up.
    """
    way = By.SINCE if by is None else By(by)
    if way is By.SINCE and since is None:
        raise NotEnoughData(
            "say what to compare by: a day, session, operator or ice-batch, or a date since when"
        )
    by_name = {r.run: k for k, r in enumerate(fit.book.runs)}
    judged = [r for r in fit.runs if r.verdict in (RunVerdict.GOOD, RunVerdict.DOUBTFUL)]
    rows, names, cells, sessions = [], [], [], []
    doubtful = unnamed = 0
    for k, r in enumerate(judged):
        run = fit.book.runs[by_name[r.run]]
        if way is not By.SINCE and since is not None and (_day(run) or date.min) < since:
            continue
        name = _group(way, since)(run)
        if r.verdict is not RunVerdict.GOOD:
            doubtful += 1
        elif name is None:
            unnamed += 1
        else:
            rows.append(k)
            names.append(name)
            cells.append((r.set_up, r.recipe))
            sessions.append(run.session or str(_day(run)))
    groups = {g: names.count(g) for g in sorted(set(names))}
    if len(groups) < 2:
        lacking = f"only {next(iter(groups))!r} is there" if groups else "no sound run says which"
        raise NotEnoughData(
            f"a change shows between two at least ({way.words}), {lacking}. Write down {_column(way)} of each run"
        )
    nested = way in (By.OPERATOR, By.ICE_BATCH, By.SINCE)
    residuals = _residuals(fit, judged, rows)
    found = {o: _effects(y, names, cells, sessions if nested else None) for o, y in residuals.items()}
    changes = _judged(found, tuple(groups), names, residuals)
    told = WhatChanged(
        by=way,
        since=since,
        groups=groups,
        changes=changes,
        p_any={o: f.p_any for o, f in found.items() if f is not None},
        apart=_apart(tuple(groups), names, cells),
        notes=_notes(way, len(changes), doubtful, unnamed, found),
    )
    return replace(told, sentences=sentences(told))


def _day(run: Run) -> date | None:
    return None if run.started_at is None else run.started_at.date()


def _group(way: By, since: date | None) -> Callable[[Run], str | None]:
    def of(run: Run) -> str | None:
        day = _day(run)
        if way is By.SINCE:
            return (
                None
                if day is None or since is None
                else f"since {since}"
                if day >= since
                else f"before {since}"
            )
        if way is By.DAY:
            return None if day is None else day.isoformat()
        return {By.SESSION: run.session, By.OPERATOR: run.operator, By.ICE_BATCH: ice_batch(run)}[way]

    return of


def ice_batch(run: Run) -> str | None:
    """The batch of ice that a run's sheet names, if any."""
    for name, value in run.extra.items():
        if name.casefold().replace(" ", "_").replace("-", "_") == ICE_BATCH_COLUMN:
            return value or None
    return None


def _column(way: By) -> str:
    return {By.DAY: "started_at", By.SINCE: "started_at", By.ICE_BATCH: ICE_BATCH_COLUMN}.get(way, way.value)


def _residuals(fit: Fit, judged: Sequence[Any], rows: Sequence[int]) -> dict[Observation, FloatArray]:
    """What was measured less what was expected on an average day, (runs,): share of the volume, K; NaN for none."""
    post, at = fit.posterior, np.asarray(rows, dtype=np.int64)
    volume = np.array([judged[k].start_volume_ml or np.nan for k in rows])
    seen = np.isfinite(post.leave_one_out.temp_residual_k[at])
    weighed = np.isfinite(post.leave_one_out.strained_residual_g[at])
    return {
        Observation.WEIGHING: np.where(weighed, post.strained_residual_g[at], np.nan) / volume,
        Observation.TEMPERATURE: np.where(seen, post.end_temp_c[at] - post.expected_temp_c[at], np.nan),
    }


def sound_residuals(
    fit: Fit, chosen: Sequence[tuple[SetUp, str]], observation: Observation
) -> tuple[FloatArray, Any]:
    """Residuals (runs,) of the sound runs of some drinks on set-ups, less their mean there, and each one's session."""
    by_name = {r.run: r for r in fit.book.runs}
    judged = [r for r in fit.runs if r.verdict in (RunVerdict.GOOD, RunVerdict.DOUBTFUL)]
    rows = [
        k for k, r in enumerate(judged) if r.verdict is RunVerdict.GOOD and (r.set_up, r.recipe) in chosen
    ]
    values = _residuals(fit, judged, rows)[observation]
    cells = np.array([str((judged[k].set_up, judged[k].recipe)) for k in rows])
    runs = [by_name[judged[k].run] for k in rows]
    named = np.array([r.session or (str(_day(r)) if _day(r) else "") for r in runs])
    there = np.isfinite(values) & (named != "")
    values, cells, named = values[there], cells[there], named[there]
    for cell in np.unique(cells):
        values[cells == cell] -= values[cells == cell].mean()
    return values, named


def _effects(
    values: FloatArray,
    names: Sequence[str],
    cells: Sequence[tuple[SetUp, str]],
    sessions: Sequence[str] | None,
) -> GroupEffects | None:
    there = np.isfinite(values)
    kept = [int(k) for k in np.flatnonzero(there)]
    if len({names[k] for k in kept}) < 2:
        return None
    return group_effects(
        values[kept],
        [names[k] for k in kept],
        [str(cells[k]) for k in kept],
        None if sessions is None else [f"{names[k]}/{sessions[k]}" for k in kept],
    )


def _apart(
    groups: tuple[str, ...], names: Sequence[str], cells: Sequence[tuple[SetUp, str]]
) -> tuple[tuple[str, str], ...]:
    _, cell = np.unique([str(c) for c in cells], return_inverse=True)
    label = linked(np.array([groups.index(n) for n in names]), cell, len(groups))
    return tuple(
        (groups[a], groups[b]) for a, b in combinations(range(len(groups)), 2) if label[a] != label[b]
    )


def _judged(
    found: dict[Observation, GroupEffects | None],
    groups: tuple[str, ...],
    names: Sequence[str],
    residuals: dict[Observation, FloatArray],
) -> tuple[Change, ...]:
    """Every comparison of every observation, judged as one family."""
    asked: list[tuple[Observation, str, str | None, Estimate]] = []
    for observation, effects in found.items():
        if effects is None:
            continue
        for name, other, weights in _weights(effects):
            asked.append((observation, name, other, effects.contrast(weights)))
    if not asked:
        return ()
    scale = np.array([MATTERS[o] for o, *_ in asked])
    family = Estimate(
        np.array([float(e.value) for *_, e in asked]) / scale,
        np.array([float(e.standard_error) for *_, e in asked]) / scale,
        np.array([float(e.degrees_of_freedom) for *_, e in asked]),
    )
    counts = {
        o: {
            g: sum(n == g for n, v in zip(names, residuals[o], strict=True) if np.isfinite(v)) for g in groups
        }
        for o in found
    }
    return tuple(
        _change(o, name, other, counts[o], j, s)
        for (o, name, other, _), j, s in zip(asked, judge(family, 1.0, ALPHA), scale, strict=True)
    )


def _change(
    o: Observation, name: str, other: str | None, counts: dict[str, int], j: Judgement, scale: float
) -> Change:
    rest = sum(n for g, n in counts.items() if g != name) if other is None else counts[other]
    return Change(
        o, name, other, counts[name], rest, j.difference * scale, j.low * scale, j.high * scale, j.p_zero, j.verdict
    )  # fmt: skip


def _weights(effects: GroupEffects) -> list[tuple[str, str | None, FloatArray]]:
    """What is compared: pairs of groups that share drinks, or, where groups are many, each with its others."""
    count, unit = len(effects.groups), np.eye(len(effects.groups))
    if count <= MOST_PAIRED:
        return [
            (effects.groups[b], effects.groups[a], unit[b] - unit[a])
            for a, b in combinations(range(count), 2)
            if effects.linked[a] == effects.linked[b]
        ]
    out: list[tuple[str, str | None, FloatArray]] = []
    for k, name in enumerate(effects.groups):
        others = (effects.linked == effects.linked[k]) & (np.arange(count) != k)
        if others.any():
            out.append((name, None, unit[k] - others / others.sum()))
    return out


def _notes(
    way: By, comparisons: int, doubtful: int, unnamed: int, found: dict[Observation, GroupEffects | None]
) -> tuple[str, ...]:
    out = [
        "Compared is what was measured less what the fit expects of each run, within each drink on a set-up."
    ]
    if comparisons > 1:
        out.append(
            f"{comparisons} comparisons are made at once. Verdicts allow for that (Holm's method): the chance of even "
            f"one false difference stays below {ALPHA:.0%}. Each interval is for itself alone."
        )
    if doubtful:
        out.append(f"{doubtful} doubtful run{'s are' if doubtful > 1 else ' is'} not counted.")
    if unnamed:
        out.append(f"{unnamed} run{'s' if unnamed > 1 else ''} without {_column(way)} cannot be placed.")
    if any(f is not None and f.clustered for f in found.values()):
        out.append(
            "Runs of one session are alike, so that sessions count and not runs: more of them would tell."
        )
    for observation, effects in found.items():
        if effects is None:
            out.append(f"Too few runs with a {observation.value} to say anything of it.")
    return tuple(out)
