"""Effects of groups of runs within cells: a two-way layout of any shape, with clusters of runs that are alike.

Least squares, by the normal equations with the cells swept out; with clusters, generalised by their variance ratio
(Searle, Casella and McCulloch, Variance Components, 1992, chapter 5, from memory). Plain arrays and names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, stats

from rig.advice.evidence.statistics import Estimate, repeatability
from rig.arrays import FloatArray, IntArray
from rig.errors import NotEnoughData

_TINY = 1e-9


@dataclass(frozen=True, eq=False)
class GroupEffects:
    """Effects of groups, of which only differences count, and what is known of them.

    `effect` (groups,); `covariance` of their estimates (groups, groups), with `freedom` of its scale; `linked`
    (groups,): groups that hang together through shared cells have one number; `p_any`: of there being no difference
    at all, by F; `clustered`: runs of one cluster turned out alike.
    """

    groups: tuple[str, ...]
    effect: FloatArray
    covariance: FloatArray
    freedom: float
    linked: IntArray
    p_any: float
    clustered: bool

    def contrast(self, weights: FloatArray) -> Estimate:
        """Of weights (groups,) that sum to zero."""
        error = np.sqrt(max(float(weights @ self.covariance @ weights), 0.0))
        return Estimate(np.array(weights @ self.effect), np.array(error), np.array(self.freedom))


def group_effects(
    values: FloatArray, names: Sequence[str], cells: Sequence[str], clusters: Sequence[str] | None = None
) -> GroupEffects | None:
    """Least squares of values (runs,) on groups within cells; with clusters, runs of one are correlated.

    The clusters' variance ratio is that of a one-way random-effects analysis of what groups and cells leave over; where
    there is one, the degrees of freedom are those of the clusters. None where nothing is left to tell an error by.
    """
    groups, group = np.unique(np.asarray(names), return_inverse=True)
    _, cell = np.unique(np.asarray(cells), return_inverse=True)
    g, c = np.eye(len(groups))[group], np.eye(cell.max() + 1)[cell]
    rho, freedom_of_clusters = 0.0, 0.0
    root = np.eye(len(values))
    if clusters is not None:
        _, cluster = np.unique(np.asarray(clusters), return_inverse=True)
        left, _ = _projected(np.column_stack([g, c]), values)
        rho = _ratio([left[cluster == k] for k in range(cluster.max() + 1)])
        freedom_of_clusters = float(cluster.max() + 1 - len(groups))
        if rho > 0.0:
            together = np.eye(len(values)) + rho * (cluster[:, None] == cluster[None, :])
            root = linalg.solve_triangular(np.linalg.cholesky(together), root, lower=True)
    y, g, c = root @ values, root @ g, root @ c
    left, rank = _projected(np.column_stack([g, c]), y)
    only_cells, rank_cells = _projected(c, y)
    freedom = float(len(values) - rank)
    if freedom < 1.0 or (rho > 0.0 and freedom_of_clusters < 1.0):
        return None
    variance = float(left @ left) / freedom
    # groups with what cells explain taken out: the normal equations of a two-way layout
    inside = g - c @ np.linalg.lstsq(c, g, rcond=None)[0]
    inverse = np.linalg.pinv(inside.T @ inside, rcond=_TINY, hermitian=True)
    between = rank - rank_cells
    explained = float(only_cells @ only_cells) - float(left @ left)
    ratio = explained / between / variance if between and variance > 0.0 else np.inf
    count = min(freedom, freedom_of_clusters) if rho > 0.0 else freedom
    return GroupEffects(
        tuple(str(x) for x in groups),
        np.asarray(inverse @ (inside.T @ y)),
        np.asarray(variance * inverse, dtype=np.float64),
        count,
        linked(group, cell, len(groups)),
        float(stats.f.sf(ratio, between, count)) if between else np.nan,
        rho > 0.0,
    )


def _projected(design: FloatArray, values: FloatArray) -> tuple[FloatArray, int]:
    """What a design leaves of values, and its rank."""
    found, _, rank, _ = np.linalg.lstsq(design, values, rcond=None)
    return values - design @ found, int(rank)


def _ratio(groups: Sequence[FloatArray]) -> float:
    """Variance between clusters over that within, 0 where it cannot be told."""
    try:
        found = repeatability(groups)
    except NotEnoughData:
        return 0.0
    return (found.between_sd / found.repeatability_sd) ** 2 if found.repeatability_sd > 0.0 else 0.0


def linked(group: IntArray, cell: IntArray, count: int) -> IntArray:
    """Which groups hang together through shared cells, (groups,): alike numbers do."""
    label = np.arange(count)
    for _ in range(count):
        for k in range(int(cell.max()) + 1):
            mine = np.unique(group[cell == k])
            label[mine] = label[mine].min()
        for k in range(count):
            label[k] = label[label[k]]
    return label
