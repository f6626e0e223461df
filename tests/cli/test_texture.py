"""Texture in the call: learnt from measured foam, multiplied into the odds, and told with what is traded."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import rig
from rig.advice.call.odds import Limit, OddsCurve
from rig.advice.call.texture import air_of, strained_ml, with_air
from rig.bench import Bench, Target, parse_bench
from rig.bench_toml import bench_toml
from rig.cli.app import app
from rig.errors import BenchError, NotEnoughData
from rig.fitting.result import Fit
from rig.importing.write_bench import write_bench
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted

ASK = {"technique": "shake", "vessel": "steel tin", "ice": "freezer cube", "recipe": "night shift"}
LANDING = {"serve_temp_c_max": 0.0, "dilution_by_volume": (0.2, 0.5)}
PLATEAU, RISE_S = 60.0, 8.0


@pytest.fixture(scope="module")
def plain() -> Fit:
    return fitted(small_book())


@pytest.fixture(scope="module")
def foamed(plain: Fit) -> Fit:
    """The same runs, each shake with the air of a saturating rise and a little scatter."""
    rng = np.random.default_rng(8)

    def with_foam(run: rig.runs.Run) -> rig.runs.Run:  # type: ignore[name-defined]
        if run.technique != "shake" or run.run == "b3":
            return run
        liquid, t = strained_ml(plain, run), run.duration_s or 0.0
        assert liquid is not None
        over = PLATEAU * (1.0 - np.exp(-t / RISE_S)) + rng.normal(0.0, 3.0)
        return replace(run, foam_ml=round(liquid * (1.0 + over / 100.0), 1), foam_half_life_s=80.0 + t)

    runs = tuple(with_foam(r) for r in plain.book.runs)
    return replace(plain, book=replace(plain.book, runs=runs))


def asked(fit: Fit, **limits: object) -> rig.advice.call.call.Advice:  # type: ignore[name-defined]
    return rig.advise(fit, **ASK, drink_temp_c=22.0, target=Target(**limits), with_levers=False)  # type: ignore[arg-type]


def test_the_overrun_of_the_runs_comes_back_from_their_foam(foamed: Fit) -> None:
    air = air_of(foamed, "shake", "night shift")
    assert air.fit is not None and len(air.runs) == 9 and air.not_used == ()
    low, middle, high = air.overrun_pct(np.array([8.0, 16.0]))
    true = PLATEAU * (1.0 - np.exp(-np.array([8.0, 16.0]) / RISE_S))
    assert np.all((low < true) & (true < high))
    assert middle == pytest.approx(true, abs=5.0)


def test_no_air_asked_for_leaves_everything_as_it_was(plain: Fit, foamed: Fit) -> None:
    a, b = asked(plain, **LANDING).to_dict(), asked(foamed, **LANDING).to_dict()
    assert a == b
    assert a["texture"] is None


def test_odds_are_those_of_landing_times_those_of_the_air(foamed: Fit) -> None:
    without, wanted = asked(foamed, **LANDING), asked(foamed, **LANDING, overrun_pct_min=40.0)
    assert wanted.texture is not None and wanted.texture.odds_at is not None
    airy = np.interp(wanted.time_s, wanted.texture.time_s, wanted.texture.odds_at)
    assert wanted.odds_at == pytest.approx(without.odds_at * airy, abs=1e-9)
    assert np.all(np.diff(wanted.texture.odds_at) > -1e-9)
    assert wanted.duration_s >= without.duration_s
    assert wanted.odds <= without.odds


def test_only_the_key_texture_is_new_in_the_json(foamed: Fit) -> None:
    with_it, without = (
        asked(foamed, **LANDING, overrun_pct_min=40.0).to_dict(),
        asked(foamed, **LANDING).to_dict(),
    )
    assert with_it.keys() == without.keys()
    assert with_it["target"].keys() == without["target"].keys()
    json.dumps(with_it, allow_nan=False)
    texture = with_it["texture"]
    assert texture["wanted_overrun_pct"] == {"min": 40.0, "max": None}
    assert texture["in_odds"] and texture["runs"] == 9
    assert texture["half_life_s"]["p05"] < texture["half_life_s"]["p50"] < texture["half_life_s"]["p95"]
    assert texture["without_texture"]["duration_s"] == pytest.approx(without["duration_s"])


def test_what_is_traded_is_said(foamed: Fit) -> None:
    told = asked(foamed, serve_temp_c_max=5.0, dilution_by_volume=(0.1, 0.30), overrun_pct_min=30.0)
    assert told.texture is not None
    said = " ".join(told.texture.notes)
    assert "Foamier after" in said and "but too thin then" in said
    assert "independent" in said and "9 runs of night shift by shake" in said
    assert told.limited_by["early"].startswith("too flat before")


def test_a_wish_the_call_meets_anyway_trades_nothing(foamed: Fit) -> None:
    told = asked(foamed, serve_temp_c_max=2.0, overrun_pct_min=5.0)
    assert told.texture is not None
    assert "Nothing is traded" in told.texture.notes[0]


def test_too_few_runs_leave_texture_out_and_say_how_many_are_wanted(plain: Fit) -> None:
    without, told = asked(plain, **LANDING), asked(plain, **LANDING, overrun_pct_min=40.0)
    assert told.odds == without.odds and told.duration_s == without.duration_s
    assert told.texture is not None and not told.texture.to_dict()["in_odds"]
    (said,) = told.texture.notes
    assert "no runs" in said and "at least 4 over 3 durations" in said


def test_air_alone_cannot_be_asked_for_where_none_was_measured(plain: Fit, foamed: Fit) -> None:
    with pytest.raises(NotEnoughData, match="overrun alone"):
        asked(plain, overrun_pct_min=40.0)
    assert 0.0 < asked(foamed, overrun_pct_min=40.0).odds < 1.0


def test_a_layer_of_foam_alone_is_not_taken_for_the_whole_drink(foamed: Fit) -> None:
    runs = tuple(replace(r, foam_ml=15.0) if r.run == "a2" else r for r in foamed.book.runs)
    air = air_of(replace(foamed, book=replace(foamed.book, runs=runs)), "shake", "night shift")
    assert air.not_used == ("a2",) and len(air.runs) == 8


def test_a_window_has_an_upper_end_too(foamed: Fit) -> None:
    air, times = air_of(foamed, "shake", "night shift"), np.array([4.0, 8.0, 16.0])
    curve = with_air(OddsCurve(np.ones(3), {}), air, Target(overrun_pct=(20.0, 40.0)), times)
    assert curve.odds[1] > curve.odds[2]
    assert curve.odds + curve.misses[Limit.TOO_FLAT] + curve.misses[Limit.TOO_FOAMY] == pytest.approx(
        np.ones(3)
    )


@pytest.mark.parametrize("line", ["overrun_pct = [20, 60]", "overrun_pct_min = 30"])
def test_a_target_keeps_the_air_it_asks_for(line: str) -> None:
    bench, notes = parse_bench(f"[targets.airy]\nserve_temp_c_max = 0\n{line}\n")
    assert notes == ()
    assert parse_bench(bench_toml(bench))[0] == bench
    assert bench.target("airy").overrun_window in ((20.0, 60.0), (30.0, None))


@pytest.mark.parametrize(
    "limits",
    [
        {"overrun_pct": (60.0, 20.0)},
        {"overrun_pct_min": -1.0},
        {"overrun_pct": (1, 2), "overrun_pct_min": 1.0},
    ],
)
def test_air_that_cannot_be_asked_for_is_refused(limits: dict[str, object]) -> None:
    with pytest.raises(BenchError):
        Target(**limits)  # type: ignore[arg-type]
    text = "".join(f"{k} = {list(v) if isinstance(v, tuple) else v}\n" for k, v in limits.items())
    bench, (note,) = parse_bench("[targets.airy]\n" + text)
    assert bench == Bench(notes=bench.notes) and note.place.line == 1


def test_the_command_asks_for_air_too(foamed: Fit, tmp_path: Path) -> None:
    folder = write_bench(foamed.book, tmp_path / "bench")
    ask = [w for k, v in ASK.items() for w in (f"--{k}", v)]
    words = ["advise", "--bench", str(folder), *ask, "--target", "coupe", "--overrun-pct-min", "40"]
    said = CliRunner().invoke(app, words, env={"COLUMNS": "100"})
    assert said.exit_code == 0, said.output
    assert "overrun 40 % or more" in said.output and "Texture:" in said.output
    assert max(map(len, said.output.splitlines())) <= 100
