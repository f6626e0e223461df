"""Which runs to list, and which to lay over each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dashboard.params import Params, Scale, named, one
from rig.errors import ModelRangeError
from rig.fitting.result import RunFit, Verdict
from rig.logbook.listing import PARTS, Facets, RunFilter

ALL = ""
PAGE_ROWS = 40
MOST_OVERLAID = 8
FILTERS = (*PARTS, "verdict")
_LONGEST_SEARCH = 80


@dataclass(frozen=True)
class RunsQuestion:
    """Which runs to list; empty text means all. `page` counts from 1; `over` are laid over each other."""

    technique: str
    vessel: str
    ice: str
    recipe: str
    session: str
    verdict: str
    words: str
    page: int
    over: tuple[str, ...]

    @classmethod
    def of(cls, facets: Facets, params: Params) -> RunsQuestion:
        """What the parameters ask.

        Raises
        ------
        NotFound, ModelRangeError
            A name that no run has; a page that is no number; more runs laid over each other than can be told
            apart.
        """
        names = {
            k: named(params, k, (ALL, *values), ALL, f"run with {k}")
            for k, values in run_filters(facets).items()
        }
        page = Scale(1.0, 1e6, 1.0, "").read(params, "page", 1.0)
        over = tuple(dict.fromkeys(name[:200] for name in params.get("over", ()) if name))
        if len(over) > MOST_OVERLAID:
            raise ModelRangeError(
                f"{len(over)} runs cannot be told apart when laid over each other; choose {MOST_OVERLAID} at most"
            )
        return cls(
            **names, words=(one(params, "words") or "").strip()[:_LONGEST_SEARCH], page=int(page), over=over
        )

    @property
    def narrowed(self) -> bool:
        """Whether any filter is set."""
        return any(getattr(self, k) != ALL for k in (*FILTERS, "words"))

    def filter_of(self, found: Mapping[str, RunFit]) -> RunFilter:
        """The filter, with verdicts as the fit has them; excluded is known without a fit."""
        parts = {k: getattr(self, k) for k in PARTS}
        if self.verdict in (ALL, Verdict.EXCLUDED):
            return RunFilter(**parts, words=self.words, excluded=True if self.verdict else None)
        having = frozenset(name for name, r in found.items() if r.verdict == self.verdict)
        return RunFilter(**parts, words=self.words, excluded=False, names=having)


def run_filters(facets: Facets) -> dict[str, tuple[str, ...]]:
    """What runs can be filtered by, and the values there are."""
    return {part: facets.get(part, ()) for part in PARTS} | {"verdict": tuple(v.value for v in Verdict)}
