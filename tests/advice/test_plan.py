"""Planned runs narrow what they say, more than chance does, and their order is fair."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import rig
from rig.advice.call.odds import RESULTS
from rig.advice.call.slopes import known_effects, slopes
from rig.advice.plan.candidates import Candidate, candidates, linear_experiments
from rig.advice.plan.gain import Experiments, after, choose, reductions, with_runs, worth
from rig.advice.plan.plan import Asked, RunPlan, ordered, plan_runs
from rig.advice.plan.power import runs_to_see
from rig.advice.plan.sheet import printable, run_sheet
from rig.bench import Target
from rig.errors import ModelRangeError, NotEnoughData, NotFound
from rig.fitting import predict
from rig.fitting.bench_fit import prior_fit
from rig.fitting.priors import P
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.importing.run_sheet import read_run_sheet
from rig.runs import RunBook
from sample_logs.generator.draw import draw_world
from sample_logs.generator.folder import SheetRow, write_bench
from sample_logs.generator.instruments import make_records
from sample_logs.generator.laws import World
from tests import shared_fits
from tests.cli.small_bench import small_book
from tests.judge import worlds

DRINK = Situation("shake", "steel tin", "freezer cube", "night shift")


@pytest.fixture(scope="module")
def fitted() -> Fit:
    return shared_fits.fitted(small_book())


@pytest.fixture(scope="module")
def coupe(fitted: Fit) -> Target:
    return fitted.bench.target("coupe")


@pytest.fixture(scope="module")
def planned(fitted: Fit, coupe: Target) -> RunPlan:
    return plan_runs(fitted, [Asked(DRINK, coupe)])


@pytest.fixture(scope="module")
def before_any_run(coupe: Target) -> RunPlan:
    return plan_runs(prior_fit(small_book()), [Asked(DRINK, coupe)])


# --- the algebra --------------------------------------------------------------------------------------


def a_problem(seed: int = 4) -> tuple[Experiments, np.ndarray]:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(6, 6))
    noise = rng.normal(size=(9, 4, 4))
    s = Candidate(DRINK, 10.0)
    experiments = Experiments(
        (s,) * 9, rng.normal(size=(9, 4, 6)), noise @ np.swapaxes(noise, 1, 2) + np.eye(4), root @ root.T
    )
    return experiments, rng.normal(size=(2, 6))


def test_a_run_updates_what_is_known_as_bayes_has_it() -> None:
    f, _ = a_problem()
    g, m = f.slopes[0], f.noise[0]
    by_information = np.linalg.inv(np.linalg.inv(f.covariance) + g.T @ np.linalg.inv(m) @ g)
    assert after(f.covariance, g, m) == pytest.approx(by_information, rel=1e-8)


def test_the_order_in_which_runs_are_seen_does_not_matter() -> None:
    f, _ = a_problem()
    assert with_runs(f, [0, 3, 5]) == pytest.approx(with_runs(f, [5, 0, 3]), rel=1e-8)


def test_a_reduction_is_the_difference_of_the_variances() -> None:
    f, wanted = a_problem()
    gain = reductions(f.covariance, f, wanted)
    for k in range(9):
        left = after(f.covariance, f.slopes[k], f.noise[k])
        told = np.trace(wanted @ (f.covariance - left) @ wanted.T)
        assert gain[k] == pytest.approx(told)


def test_each_run_chosen_is_the_most_telling_of_those_left() -> None:
    f, wanted = a_problem()
    picked, told = choose(f, wanted, 5, most_alike=1)
    assert len(set(picked)) == 5
    assert told[0] == pytest.approx(reductions(f.covariance, f, wanted).max())
    assert told == sorted(told, reverse=True)


def test_no_run_is_chosen_more_often_than_allowed() -> None:
    f, wanted = a_problem()
    picked, _ = choose(f, wanted, 30, most_alike=2)
    assert len(picked) == 18
    assert max(picked.count(k) for k in picked) == 2


# --- slopes ------------------------------------------------------------------------------------------


def test_slopes_are_those_of_the_predicted_drink(fitted: Fit) -> None:
    """Against whole predictions with another start, ice or drink."""
    s = replace(DRINK, drink_temp_c=22.0, drink_mass_g=100.0, ice_mass_g=200.0, ice_temp_c=-16.0)
    times = np.array([8.0, 12.0])
    made = slopes(fitted, s, times)

    def mean(**changed: float) -> np.ndarray:
        p = predict(fitted, replace(s, **changed), times, draws=64, new_run=False)
        return np.array([p.temp_c.mean(axis=0), p.dilution_by_volume.mean(axis=0)])

    start = (mean(drink_temp_c=24.0) - mean(drink_temp_c=20.0)) / 4.0
    assert made.by_parameter[:2, :, P.DRINK_TEMP] == pytest.approx(start, rel=0.05, abs=2e-4)
    mass = (mean(drink_mass_g=102.0) - mean(drink_mass_g=98.0)) / 4.0
    assert made.by_drink_mass[:2] == pytest.approx(mass, rel=0.1, abs=2e-4)
    assert made.value[:2] == pytest.approx(mean(), abs=0.1)


def test_the_linear_band_is_about_that_of_the_predicted_draws(fitted: Fit) -> None:
    s = replace(DRINK, drink_temp_c=22.0)
    times = np.array([12.0])
    known = known_effects(fitted, [s])
    h = slopes(fitted, s, times, known).by_effect(len(known.mean))[:2, 0]
    linear = np.sqrt(np.einsum("re,ef,rf->r", h, known.covariance, h))
    p = predict(fitted, s, times, draws=512, new_run=False)
    # near the plateau the drawn courses bend: slower hands warm the drink more than faster ones cool it
    assert linear == pytest.approx([p.temp_c.std(), p.dilution_by_volume.std()], rel=0.35)


# --- what a plan promises -----------------------------------------------------------------------------


def test_six_runs_are_planned_unless_told_otherwise(planned: RunPlan) -> None:
    assert [r.place for r in planned.runs] == [1, 2, 3, 4, 5, 6]
    assert sum(r.tells for r in planned.runs) == pytest.approx(1.0)


@pytest.mark.parametrize("which", ["planned", "before_any_run"])
def test_runs_never_widen_a_band_nor_lower_the_odds(which: str, request: pytest.FixtureRequest) -> None:
    (n,) = request.getfixturevalue(which).narrowings
    for band in (n.temp_average_k, n.temp_single_k, n.dilution_average, n.dilution_single):
        assert band[1] <= band[0]
    assert n.odds_now <= n.odds_then <= n.odds_at_most


def test_a_single_drink_stays_wider_than_the_average_one(planned: RunPlan) -> None:
    (n,) = planned.narrowings
    assert n.temp_single_k[1] > n.temp_average_k[1]
    assert n.dilution_single[1] > n.dilution_average[1]


def test_first_runs_gain_more_than_later_ones(planned: RunPlan, before_any_run: RunPlan) -> None:
    (first,), (later,) = before_any_run.narrowings, planned.narrowings
    assert first.odds_then - first.odds_now > later.odds_then - later.odds_now
    assert first.basis.runs == 0
    assert any("No run has been fitted yet" in n for n in before_any_run.notes)


def test_more_runs_narrow_more(fitted: Fit, coupe: Target) -> None:
    few, many = (plan_runs(fitted, [Asked(DRINK, coupe)], count=k).narrowings[0] for k in (1, 12))
    assert many.temp_average_k[1] < few.temp_average_k[1]
    assert many.dilution_average[1] < few.dilution_average[1]


def test_a_target_out_of_reach_is_not_answered_with_runs(fitted: Fit) -> None:
    never = plan_runs(fitted, [Asked(DRINK, Target(-25.0, name="never"))])
    assert "no duration would land this often" in never.notes[0]


def test_nothing_learned_is_no_gain(fitted: Fit, coupe: Target) -> None:
    from rig.advice.plan.plan import question_of

    s = replace(DRINK, drink_temp_c=22.0)
    known = known_effects(fitted, [s])
    q = question_of(fitted, Candidate(s, 9.0), coupe, known)
    same = worth(q, known.covariance, known.covariance)
    assert same.odds == pytest.approx(same.odds_as_called, abs=0.01)
    assert same.duration_sd_s == pytest.approx(0.0, abs=1e-9)


def test_runs_are_planned_for_several_calls_at_once(fitted: Fit, coupe: Target) -> None:
    stirred = Situation("stir", "mixing glass", "wet cube", "night shift")
    plan = plan_runs(fitted, [Asked(DRINK, coupe), Asked(stirred, coupe)], count=8)
    assert len(plan.narrowings) == 2
    assert {r.situation.technique for r in plan.runs} == {"shake", "stir"}


def test_only_what_can_be_used_is_planned(fitted: Fit, coupe: Target) -> None:
    plan = plan_runs(fitted, [Asked(DRINK, coupe)], set_ups=[DRINK.set_up], start_temps_c=[15.0, 22.0])
    assert {r.situation.set_up for r in plan.runs} == {DRINK.set_up}
    assert {r.situation.drink_temp_c for r in plan.runs} <= {15.0, 22.0}


@pytest.mark.parametrize("count", [0, -1, 61])
def test_a_count_that_cannot_be_meant_is_refused(fitted: Fit, coupe: Target, count: int) -> None:
    with pytest.raises(ModelRangeError, match="1 to 60"):
        plan_runs(fitted, [Asked(DRINK, coupe)], count=count)


def test_no_call_and_unknown_names_are_told(fitted: Fit, coupe: Target) -> None:
    with pytest.raises(NotEnoughData, match="no call"):
        plan_runs(fitted, [])
    with pytest.raises(NotFound, match="steel tin"):
        plan_runs(fitted, [Asked(replace(DRINK, vessel="steel tn"), coupe)])


# --- order, sheet, page -------------------------------------------------------------------------------


def test_the_order_is_chance_but_the_same_for_the_same_seed(planned: RunPlan) -> None:
    runs = [(Candidate(DRINK, float(d)), 0.1) for d in range(5, 17)]
    orders = [[r.duration_s for r in ordered(runs, 2, seed)] for seed in (1, 1, 2)]
    assert orders[0] == orders[1] != orders[2]
    assert sorted(orders[0]) == sorted(orders[2]) == list(range(5, 17))


@pytest.mark.parametrize("seed", range(4))
def test_every_block_has_short_and_long_runs(seed: int) -> None:
    runs = [(Candidate(DRINK, float(d)), 0.1) for d in range(5, 17)]
    placed = ordered(runs, 3, seed)
    blocks = [[r.duration_s for r in placed if r.block == b] for b in (1, 2, 3)]
    assert [len(b) for b in blocks] == [4, 4, 4]
    assert all(min(b) <= 7 and max(b) >= 14 for b in blocks)
    assert [r.block for r in placed] == sorted(r.block for r in placed)


def test_the_run_sheet_reads_back_without_a_finding(planned: RunPlan, fitted: Fit) -> None:
    text = run_sheet(planned, fitted.bench, "coupe", taken=["p02"])
    runs, findings = read_run_sheet(text, fitted.bench)
    assert findings == ()
    assert [r.run.run for r in runs] == ["p01", "p03", "p04", "p05", "p06", "p07"]
    for r, p in zip(runs, planned.runs, strict=True):
        assert r.run.set_up == p.situation.set_up
        assert (r.run.duration_s, r.run.target) == (p.duration_s, "coupe")
        assert r.run.strained_mass_g is None and r.run.drink_mass_g is None


def test_the_page_holds_every_run_and_needs_nothing_from_outside(planned: RunPlan) -> None:
    odd = replace(planned, notes=("<b>mind</b>",))
    page = printable(odd, "Next & last")
    assert page.count("<tr") == 1 + len(planned.runs)
    assert "Next &amp; last" in page and "<b>" not in page
    assert not any(word in page for word in ("<script", "http", "src=", "@import"))


def test_a_plan_has_stable_keys_and_is_plain_json(planned: RunPlan) -> None:
    told = json.loads(json.dumps(planned.to_dict(), allow_nan=False))
    assert set(told) == {"runs", "narrowings", "considered", "seed", "summary", "notes"}
    assert set(told["narrowings"][0]) == {
        "technique", "vessel", "ice", "recipe", "target", "assumed", "basis", "duration_s", "duration_sd_s", "odds_now",
        "odds_then", "odds_at_most", "temp_average_k", "temp_single_k", "dilution_average", "dilution_single",
    }  # fmt: skip


# --- how many runs a comparison takes -----------------------------------------------------------------


@pytest.mark.parametrize(("temp_k", "dilution"), [(0.6, None), (0.3, None), (None, 0.03)])
def test_the_runs_to_see_a_difference_are_those_of_an_independent_implementation(
    fitted: Fit, temp_k: float | None, dilution: float | None
) -> None:
    judge = pytest.importorskip("statsmodels.stats.power").TTestIndPower()
    found = runs_to_see(fitted, DRINK, 12.0, temp_k=temp_k, dilution=dilution)
    exact = judge.solve_power(effect_size=found.difference / found.sd, alpha=0.05, power=0.8)
    assert found.runs_each == max(2, int(np.ceil(exact)))
    assert found.power >= 0.8
    assert found.runs_each_range is not None
    assert found.runs_each_range[0] <= found.runs_each <= found.runs_each_range[1]


def test_the_spread_behind_it_is_that_of_predicted_runs(fitted: Fit) -> None:
    found = runs_to_see(fitted, replace(DRINK, drink_temp_c=22.0, ice_mass_g=200.0, ice_temp_c=-16.0), 12.0)
    s = replace(
        DRINK, drink_temp_c=22.0, drink_mass_g=100.0, ice_mass_g=200.0, ice_temp_c=-16.0, vessel_temp_c=21.0
    )
    single, average = (
        predict(fitted, s, np.array([12.0]), draws=1024, new_run=new).temp_c.var() for new in (True, False)
    )
    _, scale = fitted.posterior.leave_one_out.spread_scale
    assert found.sd == pytest.approx(np.sqrt(single - scale**2 * average), rel=0.15)


def test_a_difference_of_nothing_is_refused(fitted: Fit) -> None:
    with pytest.raises(ModelRangeError, match="above zero"):
        runs_to_see(fitted, DRINK, 12.0, temp_k=0.0)


# --- in made-up worlds that this program knows nothing of ---------------------------------------------


def opened(folder: Path, world: World, rows: list[SheetRow]) -> RunBook:
    write_bench(folder, worlds.bench_text(world), rows)
    return rig.open_bench(folder)


def made(world: World, runs: list[Candidate], rng: np.random.Generator) -> list[SheetRow]:
    drinks = {d.name: d for d in (worlds.SOUR, worlds.RESTED, worlds.HOT, worlds.STRONG, worlds.LONG)}
    rows = []
    for n, c in enumerate(runs):
        s = c.situation
        names = (s.technique, s.vessel, s.ice)
        setting = next(x for x in worlds.set_ups(world) if (x.technique, x.vessel, x.ice) == names)
        usual = worlds.usual_plan(setting, drinks[s.recipe], s.drink_temp_c)
        (record,) = make_records(worlds.true_plan(usual), np.array([c.duration_s]), rng)
        rows.append(
            SheetRow(f"n{n}", "2031-05-01T10:00:00", "A", "new", *names, recipe=s.recipe, record=record)
        )
    return rows


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_planned_runs_narrow_a_call_more_than_as_many_random_ones(seed: int, tmp_path: Path) -> None:
    world = draw_world(seed)
    rows = [r for r in worlds.sheet_rows(world, 2) if r.technique == "shake"]
    start = rig.fit(opened(tmp_path / "before", world, rows))
    case = next(c for c in worlds.make_cases(world) if c.kind == "unmeasured" and c.plan.drink is worlds.HOT)
    s, target = Situation(**case.advise_kwargs), Target(**case.target_kwargs)  # type: ignore[arg-type]
    plan = plan_runs(start, [Asked(s, target)], count=4)
    (told,) = plan.narrowings

    def band(name: str, runs: list[Candidate], rng: np.random.Generator) -> np.ndarray:
        grown = rig.fit(opened(tmp_path / name, world, rows + made(world, runs, rng)), warm=start)
        p = predict(grown, s, np.array([told.duration_s]), new_run=False)
        return 1.645 * np.array([p.temp_c.std(), p.dilution_by_volume.std()])

    rng = np.random.default_rng(seed)
    followed = band("planned", [Candidate(r.situation, r.duration_s) for r in plan.runs], rng)
    considered = candidates(start, [Candidate(told.situation, told.duration_s)])
    chance = [
        band(f"random {n}", [considered[k] for k in rng.choice(len(considered), 4, replace=False)], rng)
        for n in range(2)
    ]
    by_chance = np.mean(chance, axis=0)
    assert np.any(followed < by_chance) and np.all(followed < 1.1 * by_chance)
    promised = np.array([told.temp_average_k[1], told.dilution_average[1]])
    assert followed == pytest.approx(promised, rel=0.75)


def test_what_is_foretold_of_a_run_does_not_depend_on_those_foretold_with_it(fitted: Fit) -> None:
    s = replace(DRINK, drink_temp_c=22.0, ice_mass_g=200.0)
    runs = [Candidate(s, 8.0), Candidate(s, 15.0), Candidate(replace(s, drink_temp_c=32.0), 15.0, 10.0)]
    known = known_effects(fitted, [c.situation for c in runs])
    together, alone = linear_experiments(fitted, runs, known), linear_experiments(fitted, runs[1:2], known)
    effects = len(known.mean)
    assert together.slopes[1][:, :effects] == pytest.approx(alone.slopes[0], abs=2e-3)
    assert together.noise[1] == pytest.approx(alone.noise[0], rel=1e-2, abs=1e-2)
    assert np.all(together.slopes[:2, :, effects:] == 0)
    assert len(RESULTS) == 4
