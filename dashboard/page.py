"""What a page is. To add one: a module with a `PAGE`, and its line in `dashboard.app.PAGES`."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

from dash import Dash

from dashboard.params import Params
from dashboard.service import BenchView, Service, Working
from rig.report.finding_page import FindingPage


class StillFitting(Exception):
    """A page needs a fit that is under way: the frame shows how far it is, and asks the page again."""

    def __init__(self, working: Working) -> None:
        self.working = working
        super().__init__(working.name)


@dataclass(frozen=True)
class Here:
    """Where a page is asked for.

    `bench`: the bench's name. `kept`: what links carry of it; None where there is only one bench. `rest`: what
    the address has below the page's own. `guest`: asked from another screen, which may not correct runs.
    """

    service: Service
    bench: str
    kept: str | None
    rest: str
    params: Params
    guest: bool = False

    def seen(self) -> BenchView | Working:
        """The bench with its fit, or how far that is; begins it where the bench has changed."""
        return self.service.look(self.bench)

    def view(self) -> BenchView:
        """The bench with its fit.

        Raises
        ------
        StillFitting, RigError
            While it is under way; where the bench cannot be read.
        """
        seen = self.seen()
        if isinstance(seen, Working):
            raise StillFitting(seen)
        return seen


@dataclass(frozen=True)
class Page:
    """One page: its address, its name among the ways (none: not among them), its layout and its callbacks.

    A path that ends in / takes all addresses below it. `finding` makes what the page shows into a page to
    keep. `bare`: shown without the frame's head, for a projector. `needs_bench`: False where the page has
    something to show even with no bench at all; `Here.bench` is then empty.
    """

    path: str
    words: str
    layout: Callable[[Here], Any]
    register: Callable[[Dash, Service], None] = lambda app, service: None
    finding: Callable[[Here], FindingPage] | None = None
    bare: bool = False
    needs_bench: bool = True


def page_at(pages: Iterable[Page], path: str) -> tuple[Page, str] | None:
    """The page of an address and what the address has below it; None where there is none."""
    place = path.rstrip("/")
    for page in pages:
        if page.path == place:
            return page, ""
    for page in pages:
        if page.path.endswith("/") and place.startswith(page.path):
            return page, unquote(place.removeprefix(page.path))
    return None
