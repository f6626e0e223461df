"""What a fit says of its own runs comes out run by run, in the fit's order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.advice.check.left_out import LeftOut, left_out
from rig.fitting import fit
from rig.fitting.result import Fit
from tests.cli.small_bench import small_book


@pytest.fixture(scope="module")
def fitted() -> Fit:
    """The small bench with a run left out in the middle, one without a trace, one without a weighing."""
    book = small_book()
    changes = {
        "a3": {"excluded_because": "spilt"},
        "b2": {"trace": None, "target": "coupe"},
        "c4": {"strained_mass_g": None, "drink_mass_g": 99.0},
    }
    return fit(replace(book, runs=tuple(replace(r, **changes.get(r.run, {})) for r in book.runs)))


@pytest.fixture(scope="module")
def left(fitted: Fit) -> LeftOut:
    return left_out(fitted)


def test_every_fitted_run_is_in_it_in_the_order_of_the_book(fitted: Fit, left: LeftOut) -> None:
    used = [r for r in fitted.book.runs if r.run != "a3"]
    assert left.runs == tuple(r.run for r in used)
    assert left.set_ups == tuple(r.set_up for r in used)
    assert left.targets == tuple(r.target for r in used)
    assert left.duration_s.tolist() == [r.duration_s for r in used]


def test_what_was_not_measured_is_missing_and_nothing_else(left: LeftOut) -> None:
    assert [r for r, x in zip(left.runs, left.strained_residual_g, strict=True) if np.isnan(x)] == ["c4"]
    assert [r for r, x in zip(left.runs, left.temp_residual_k, strict=True) if np.isnan(x)] == ["b2"]
    assert np.isnan(left.end_temp_c).tolist() == np.isnan(left.temp_residual_k).tolist()
    weighed = np.isfinite(left.strained_residual_g)
    assert (np.isfinite(left.strained_sd_g) == weighed).all() and (left.strained_sd_g[weighed] > 0).all()
    traced = np.isfinite(left.temp_residual_k)
    assert (np.isfinite(left.temp_sd_k) == traced).all() and (left.temp_sd_k[traced] > 0).all()
    assert (np.abs(left.corr) <= 1.0).all()


def test_masses_temperatures_and_volumes_are_the_runs_own(fitted: Fit, left: LeftOut) -> None:
    by_name = {r.run: r for r in fitted.book.runs}
    for k, name in enumerate(left.runs):
        if name != "c4":
            assert left.strained_g[k] == by_name[name].strained_mass_g
    assert left.drink_mass_g[left.runs.index("c4")] == 99.0
    found = {r.run: r for r in fitted.runs}
    for k, name in enumerate(left.runs):
        if name != "b2":
            assert left.end_temp_c[k] == pytest.approx(found[name].temp_c)
    # made with 3 g held back, and weighed to half a gram
    assert np.all((left.held_back_g > 0.0) & (left.held_back_g < 8.0))


def test_water_by_weighing_is_near_what_the_fit_makes_of_the_run(fitted: Fit, left: LeftOut) -> None:
    found = {r.run: r for r in fitted.runs}
    state = np.array([found[name].dilution_by_volume for name in left.runs], dtype=float)
    away = np.abs(left.added_g / left.start_volume_ml - state)
    assert np.nanmedian(away) < 0.03  # a trace has its say in the fit's state, and b3 weighs 30 g too much


def test_some_of_the_runs_can_be_taken(left: LeftOut) -> None:
    some = left.take([3, 0])
    assert some.runs == (left.runs[3], left.runs[0])
    assert some.strained_g.tolist() == left.strained_g[[3, 0]].tolist()
    assert len(some) == 2
