"""Which runs to list."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.desk import BenchView
from dashboard.params import Params, Scale, named
from rig.fitting.result import Verdict
from rig.runs import Run

ALL = ""
PAGE_ROWS = 100
_PARTS = ("technique", "vessel", "ice", "recipe")
FILTERS = (*_PARTS, "verdict")


@dataclass(frozen=True)
class RunsQuestion:
    """Which runs to list; empty text means all. `page` counts from 1."""

    technique: str
    vessel: str
    ice: str
    recipe: str
    verdict: str
    page: int

    @classmethod
    def of(cls, view: BenchView, params: Params) -> RunsQuestion:
        """What the parameters ask.

        Raises
        ------
        NotFound, ModelRangeError
            A name that no run has; a page that is no number.
        """
        names = {
            k: named(params, k, (ALL, *values), ALL, f"run with {k}")
            for k, values in run_filters(view).items()
        }
        page = Scale(1.0, 1e6, 1.0, "").read(params, "page", 1.0)
        return cls(**names, page=int(page))

    def chosen(self, view: BenchView) -> tuple[Run, ...]:
        """The runs that pass every filter, in the bench's order."""
        wanted = {k: v for k in _PARTS if (v := getattr(self, k)) != ALL}
        return tuple(
            r
            for r in view.book.runs
            if all(getattr(r, k) == v for k, v in wanted.items())
            and (self.verdict == ALL or (r.run in view.found and view.found[r.run].verdict == self.verdict))
        )


def run_filters(view: BenchView) -> dict[str, tuple[str, ...]]:
    """What runs can be filtered by, and the values there are."""
    out = {name: tuple(sorted({getattr(r, name) for r in view.book.runs})) for name in _PARTS}
    seen = {r.verdict for r in view.found.values()}
    return out | {"verdict": tuple(v.value for v in Verdict if v in seen)}
