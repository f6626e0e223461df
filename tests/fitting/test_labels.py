"""A run filed under another ice or recipe is told what it looks like; one under its own is not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import rig
from rig.fitting.labels import LEAST_GAIN, Label, Suggestion, likely_labels
from rig.fitting.result import Fit
from rig.importing.bench_folder import open_bench
from rig.runs import Run, RunBook

HARBOUR = Path(__file__).parents[2] / "sample_logs" / "harbour"
MOVED, NOTED = "h06", "bar cube"
"""A run on the freezer's cubes, filed under the bar's."""


def likely_label(fit: Fit, run: Run) -> Suggestion | None:
    return likely_labels(fit, [run]).get(run.run)


@pytest.fixture(scope="module")
def told() -> tuple[Fit, dict[str, Run]]:
    """A fit of the two-piece shaker's runs with one of them filed wrongly, and the runs as they were made."""
    book = open_bench(HARBOUR)
    made = {r.run: r for r in book.runs if r.vessel == "two-piece steel" and r.technique == "shake"}
    assert made[MOVED].ice == "freezer cube"
    filed = [replace(r, ice=NOTED) if r.run == MOVED else r for r in made.values()]
    return rig.fit(RunBook(book.bench, tuple(filed))), made


def test_a_run_filed_under_another_ice_is_told_its_own(told: tuple[Fit, dict[str, Run]]) -> None:
    fit, made = told
    found = likely_label(fit, replace(made[MOVED], ice=NOTED))
    assert found is not None and found.gain >= LEAST_GAIN
    assert (found.label, found.noted, found.likely) == (Label.ICE, NOTED, "freezer cube")
    assert found.sentence() == "fits freezer cube better than bar cube: check which ice was noted"


def test_the_fit_says_so_of_the_run_before_it_blames_the_probe(told: tuple[Fit, dict[str, Run]]) -> None:
    fit, _ = told
    doubted = {r.run: r.reasons[0] for r in fit.runs if r.reasons}
    assert doubted[MOVED] == "fits freezer cube better than bar cube: check which ice was noted"
    assert fit.findings and any(f.place.run == MOVED and "freezer cube" in f.what for f in fit.findings)


def test_with_one_run_more_what_was_found_stands_and_what_is_new_is_tried(
    told: tuple[Fit, dict[str, Run]],
) -> None:
    fit, made = told
    expected = "fits freezer cube better than bar cube: check which ice was noted"
    for ice, likely in (("freezer cube", MOVED), (NOTED, "again")):
        another = replace(made["h36"], run="again", ice=ice)
        more = rig.fit(replace(fit.book, runs=(*fit.book.runs, another)), warm=fit)
        assert {r.run: r.likely for r in more.runs if r.likely} == {likely: expected}


def test_runs_under_their_own_labels_are_told_nothing(told: tuple[Fit, dict[str, Run]]) -> None:
    fit, made = told
    rightly = [run for name, run in made.items() if name != MOVED][::4]
    assert len(rightly) >= 5
    assert {run.run: found for run in rightly if (found := likely_label(fit, run)) is not None} == {}


def test_what_is_named_is_the_label_it_was_made_under(told: tuple[Fit, dict[str, Run]]) -> None:
    """Ices that chill alike cannot be told apart, and are not; none is ever named wrongly."""
    fit, made = told
    tried = [
        (run, Label.ICE, other)
        for run in list(made.values())[::6]
        for other in ("freezer cube", "bar cube", "cracked")
        if other != run.ice and run.run != MOVED
    ]
    tried += [(run, Label.RECIPE, "lamplighter") for run in made.values() if run.recipe == "quayside black"][
        :3
    ]
    found: list[tuple[str, Suggestion | None]] = [
        (getattr(run, label), likely_label(fit, replace(run, **{label.value: other})))
        for run, label, other in tried
    ]
    named = [(own, s) for own, s in found if s is not None]
    assert len(named) >= 0.7 * len(found), (len(named), len(found))
    assert all(s.likely == own for own, s in named)


def test_a_run_that_shows_nothing_or_fits_nothing_is_told_nothing(told: tuple[Fit, dict[str, Run]]) -> None:
    fit, made = told
    run = made[MOVED]
    assert likely_label(fit, replace(run, trace=None, strained_mass_g=None)) is None
    assert likely_label(fit, replace(run, trace=None, duration_s=None)) is None
    assert likely_label(fit, replace(run, trace=None, strained_mass_g=run.strained_mass_g * 1.5)) is None  # type: ignore[operator]
