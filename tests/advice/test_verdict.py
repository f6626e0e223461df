"""Whether a drink landed, by how much not and why: by measurement, beside what was foretold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.advice.call.odds import Limit
from rig.advice.live.verdict import Landing, how_it_landed, kept_landed, sentence_of, with_landing
from rig.bench import Target
from rig.fitting.bench_fit import fit
from rig.fitting.result import Fit
from rig.runs import PROBE_DOUBT, Run, Trace
from tests.cli.small_bench import small_book


@pytest.fixture(scope="module")
def known() -> Fit:
    return fit(small_book())


@pytest.fixture(scope="module")
def run(known: Fit) -> Run:
    return next(r for r in known.book.runs if r.run == "a3")


def _of(known: Fit, run: Run, **window: object) -> Landing:
    found = how_it_landed(known, run, Target(**window))  # type: ignore[arg-type]
    assert found is not None
    return found


def _dilution(known: Fit, run: Run) -> float:
    """By hand, with the few grams held back that this bench was made with."""
    volume_ml = next(r.start_volume_ml for r in known.runs if r.run == run.run)
    mass_g = 50 * 1.0 + 35 * 0.95 + 15 * 1.0
    assert run.strained_mass_g is not None and volume_ml is not None
    return (run.strained_mass_g + 3.0 - mass_g) / volume_ml


def test_the_weighed_water_is_what_the_scale_says(known: Fit, run: Run) -> None:
    told = _of(known, run, dilution_by_volume=(0.01, 0.99))
    assert told.dilution_by_volume is not None
    low, middle, high = told.dilution_by_volume
    assert low < middle < high
    assert middle == pytest.approx(_dilution(known, run), abs=0.03)
    more = replace(run, strained_mass_g=(run.strained_mass_g or 0.0) + 10.0)
    heavier = _of(known, more, dilution_by_volume=(0.01, 0.99))
    assert heavier.dilution_by_volume is not None
    assert heavier.dilution_by_volume[1] - middle == pytest.approx(0.10, abs=0.005)
    assert "more than foretold" in heavier.why


def test_the_temperature_is_that_of_its_own_trace(known: Fit, run: Run) -> None:
    assert run.trace is not None and run.trace.probe_c is not None
    told = _of(known, run, serve_temp_c_max=5.0)
    assert told.temp_c is not None
    assert told.temp_c[1] == pytest.approx(float(run.trace.probe_c[-1]), abs=1.5)


def test_landed_or_missed_by_so_much(known: Fit, run: Run) -> None:
    wide = _of(known, run, serve_temp_c_max=10.0, dilution_by_volume=(0.05, 0.95))
    assert (wide.landed, wide.headline) == (True, "Landed")
    assert wide.sure is not None and wide.sure > 0.95
    assert wide.dilution_by_volume is not None
    middle = wide.dilution_by_volume[1]
    thin = _of(known, run, dilution_by_volume=(middle - 0.14, middle - 0.05))
    assert thin.landed is False
    assert thin.missed == {Limit.TOO_THIN: "5 % water"}
    assert thin.headline == "Missed: too thin by 5 % water"
    assert thin.sure is not None and thin.sure < 0.1
    assert wide.temp_c is not None
    warm = _of(known, run, serve_temp_c_max=wide.temp_c[1] - 1.3)
    assert warm.headline == "Missed: too warm by 1.3 °C"
    edge = _of(known, run, dilution_by_volume=(middle - 0.2, middle + 0.001))
    assert edge.landed and "close to the edge" in edge.why


def test_what_was_not_measured_is_not_made_up(known: Fit, run: Run) -> None:
    both = {"serve_temp_c_max": 10.0, "dilution_by_volume": (0.05, 0.95)}
    unweighed = _of(known, replace(run, strained_mass_g=None), **both)
    assert unweighed.landed is None and unweighed.dilution_by_volume is None
    assert "no weight in the glass" in unweighed.headline
    assert "not weighed" in unweighed.why
    dead = _of(known, replace(run, extra={PROBE_DOUBT: "silent"}), **both)
    assert dead.landed is None and dead.temp_c is None
    assert "no temperature at the end" in dead.headline
    assert run.trace is not None and run.trace.probe_c is not None
    early = run.trace.time_s < 4.0
    cut = Trace(run.trace.time_s[early], {"": run.trace.probe_c[early]})
    assert _of(known, replace(run, trace=cut), **both).temp_c is None
    # what was measured can be enough to tell that it missed
    silent = replace(run, extra={PROBE_DOUBT: "silent"})
    low = _of(known, silent, serve_temp_c_max=10.0, dilution_by_volume=(0.90, 0.95))
    assert low.landed is False and set(low.missed) == {Limit.TOO_LITTLE_WATER}


def test_a_stop_beside_the_call_is_told(known: Fit, run: Run) -> None:
    told = _of(known, run, serve_temp_c_max=2.0, dilution_by_volume=(0.15, 0.30))
    assert run.duration_s is not None and run.duration_s > told.window_s[1] + 0.5
    late_s = run.duration_s - told.window_s[1]
    assert (
        f"{run.duration_s:.1f} s of shake, {late_s:.1f} s too long; called {told.called_s:.0f} s" in told.why
    )
    in_time = _of(
        known, replace(run, duration_s=told.called_s), serve_temp_c_max=2.0, dilution_by_volume=(0.15, 0.30)
    )
    assert "too" not in in_time.why.split("of shake")[1].split(";")[0]


def test_a_kept_run_tells_the_same_until_it_is_corrected(known: Fit, run: Run) -> None:
    target = known.bench.targets["coupe"]
    made = replace(run, target="coupe")
    told = how_it_landed(known, made, target)
    assert told is not None
    kept = with_landing(made, replace(told, duration_s=99.0))
    assert "99.0 s" in sentence_of(known, kept)
    assert kept_landed(kept) is told.landed
    corrected = replace(kept, strained_mass_g=(kept.strained_mass_g or 0.0) + 30.0)
    assert "99.0 s" not in sentence_of(known, corrected)
    assert "too thin" in sentence_of(known, corrected)
    assert sentence_of(known, run) == ""


def test_the_same_question_gives_the_same_sentence(known: Fit, run: Run) -> None:
    one, two = (_of(known, run, serve_temp_c_max=0.0).sentence for _ in range(2))
    assert one == two
    assert "-" not in one.replace("-shake", "")
    assert np.isfinite(_of(known, run, serve_temp_c_max=0.0).to_dict()["called_s"])
