"""Every function, class and method of the product is used by the product."""

from __future__ import annotations

from pathlib import Path

from vulture import Vulture

ROOT = Path(__file__).parents[1]
USED_BY_FRAMEWORKS = [
    "@app.callback",
    "@*.command*",
    "@_command*",
    "@*.callback*",
    "@*.route",
    "@memoised*",
    "@*.before_request",
    "@*.register",
]
USED_BY_TESTS_AND_CALLERS = {
    "__getattr__": "the Python interface loads what is asked of it",
    "of_readings": "evaluation type A of an uncertainty budget, for callers from Python",
    "repeatability_limit": "a figure of ISO 5725-2, for callers from Python",
    "reproducibility_limit": "a figure of ISO 5725-2, for callers from Python",
    "runs_for_width": "how many runs a hit rate wants, for callers from Python",
    "beats": "how surely one alternative of a ranking beats another, for callers from Python",
    "total_j": "what must be conserved",
    "error_log": "called by the server",
}
"""Nothing in the product calls these, each for its reason."""


def test_nothing_is_unreached() -> None:
    found = Vulture(ignore_decorators=USED_BY_FRAMEWORKS)
    found.scavenge([ROOT / "rig", ROOT / "dashboard"])
    unused = {
        item.name: f"{item.filename.relative_to(ROOT)}:{item.first_lineno}"
        for item in found.get_unused_code(min_confidence=60)
        if item.typ in ("function", "class", "method", "property")
    }
    assert {n: at for n, at in unused.items() if n not in USED_BY_TESTS_AND_CALLERS} == {}
    assert set(USED_BY_TESTS_AND_CALLERS) - set(unused) == set(), "no longer unused: take it off the list"
