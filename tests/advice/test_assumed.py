"""What a question leaves open is filled in one way, said with where it is from, and never taken for measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import rig
from rig.advice.call.assumed import CONDITIONS, Filled, Origin, filled, mixed_start
from rig.bench import Bench, parse_bench
from rig.errors import NotFound
from rig.fitting.bench_fit import prior_fit
from rig.fitting.priors import TYPICAL_ICE_MASS_G, TYPICAL_ROOM_C
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.runs import Run, RunBook

BENCH = """
[vessels.tin]
material = "stainless steel"
mass_g = 300
[vessels.jar]
material = "glass"
mass_g = 600
[ice."freezer cube"]
edge_mm = 25
temp_c = -16
[ice.bag]
shape = "cracked"
[recipes.flip]
ingredients = [
  { name = "espresso", volume_ml = 40, temp_c = 80 },
  { name = "dark spirit", volume_ml = 40, abv_pct = 40 },
  { name = "cream", volume_ml = 20, temp_c = 4 },
]
[recipes.sour]
ingredients = [{ name = "spirit", volume_ml = 50, abv_pct = 40 }, { name = "juice", volume_ml = 30 }]
[recipes.silent]
ingredients = [{ name = "espresso", volume_ml = 40 }, { name = "dark spirit", volume_ml = 40, abv_pct = 40 }]
[recipes.rested]
ingredients = [{ name = "coffee concentrate", volume_ml = 40 }, { name = "spirit", volume_ml = 40, abv_pct = 40 }]
"""
SHAKEN = Situation("shake", "tin", "freezer cube", "sour")


@pytest.fixture(scope="module")
def bench() -> Bench:
    bench, notes = parse_bench(BENCH)
    assert notes == ()
    return bench


def run(name: str, s: Situation = SHAKEN, **values: float) -> Run:
    return Run(name, s.technique, s.vessel, s.ice, s.recipe, **values)  # type: ignore[arg-type]


def book_of(bench: Bench, *runs: Run) -> Fit:
    return prior_fit(RunBook(bench, runs))


def told(bench: Bench, asked: Situation, *runs: Run) -> Filled:
    return filled(book_of(bench, *runs), asked)


def test_what_is_asked_is_taken_as_asked_and_is_as_sure_as_a_stated_value(bench: Bench) -> None:
    asked = replace(
        SHAKEN, drink_temp_c=24.0, ice_temp_c=-12.0, ice_mass_g=180.0, vessel_temp_c=3.0, room_temp_c=30.0
    )
    found = told(bench, asked, run("a", drink_temp_c=60.0, ice_temp_c=-3.0, ice_mass_g=90.0))
    assert found.situation == asked
    assert {a.origin for a in found.assumed.values()} == {Origin.ASKED}
    assert found.start.std == pytest.approx(0.4)
    assert found.assumed["ice_mass_g"].std == pytest.approx(1.8)


def test_nothing_is_left_open(bench: Bench) -> None:
    s = told(bench, SHAKEN).situation
    assert all(getattr(s, name) is not None for name in CONDITIONS)


def test_the_nearest_runs_say_what_is_usual(bench: Bench) -> None:
    elsewhere = replace(SHAKEN, ice="bag")
    other = replace(SHAKEN, recipe="flip")
    runs = (
        run("here", drink_temp_c=20.0, ice_mass_g=200.0),
        run("there", elsewhere, drink_temp_c=30.0, ice_mass_g=150.0),
        run("other", other, drink_temp_c=55.0, ice_mass_g=240.0, vessel_temp_c=2.0, room_temp_c=25.0),
    )
    here, there, new = (
        told(bench, s, *runs).assumed for s in (SHAKEN, elsewhere, replace(SHAKEN, vessel="jar"))
    )
    assert (here["drink_temp_c"].value, here["drink_temp_c"].origin) == (20.0, Origin.USUAL_DRINK)
    assert (here["ice_mass_g"].value, here["ice_mass_g"].origin) == (200.0, Origin.USUAL_DRINK)
    assert (here["vessel_temp_c"].value, here["vessel_temp_c"].origin) == (2.0, Origin.USUAL_VESSEL)
    assert (here["room_temp_c"].value, here["room_temp_c"].origin) == (25.0, Origin.USUAL_BENCH)
    assert (there["drink_temp_c"].value, there["ice_mass_g"].value) == (30.0, 150.0)
    assert (new["drink_temp_c"].value, new["drink_temp_c"].origin) == (25.0, Origin.USUAL_RECIPE)
    assert (new["ice_mass_g"].value, new["ice_mass_g"].origin) == (220.0, Origin.USUAL_ICE)
    assert (new["vessel_temp_c"].value, new["vessel_temp_c"].origin) == (25.0, Origin.ROOM)


def test_a_hot_recipe_starts_hot_on_a_set_up_it_was_never_run_on(bench: Bench) -> None:
    hot = [run(f"h{k}", replace(SHAKEN, recipe="flip"), drink_temp_c=58.0 + k) for k in range(4)]
    found = told(bench, Situation("stir", "jar", "bag", "flip"), *hot)
    assert found.start.origin is Origin.USUAL_RECIPE
    assert found.start.value == pytest.approx(59.5)
    assert found.warmest_start_c > 59.5


def test_a_drink_of_which_some_parts_state_a_temperature_is_mixed_with_the_rest_at_room_temperature(
    bench: Bench,
) -> None:
    """By hand: 40 g of coffee at 80 °C, 38 g of spirit (3.9 J/(g·K), from memory) at 21 °C, 20 g of cream at 4 °C.

    Cream is taken as water, for its fat is not declared.
    """
    weights, temps = np.array([40 * 4.18, 38 * 3.95, 20 * 4.18]), np.array([80.0, 21.0, 4.0])
    found = told(bench, replace(SHAKEN, recipe="flip"))
    assert found.start.origin is Origin.MIXED
    assert found.start.value == pytest.approx(float(weights @ temps / weights.sum()), abs=1.0)
    assert 35.0 < found.start.value < 48.0


def test_the_mix_follows_the_room(bench: Bench) -> None:
    recipe = bench.recipe("flip")
    cool, warm = (mixed_start(recipe, room)[0].value for room in (15.0, 25.0))
    assert 2.5 < warm - cool < 5.0


def test_a_start_nobody_stated_is_at_room_temperature_and_less_sure(bench: Bench) -> None:
    found = told(bench, SHAKEN)
    assert (found.start.value, found.start.origin) == (TYPICAL_ROOM_C, Origin.ROOM)
    assert found.start.std > 2.0
    assert not found.may_be_hot


def test_an_ingredient_that_is_usually_hot_makes_a_silent_recipe_unsure(bench: Bench) -> None:
    silent, rested = (told(bench, replace(SHAKEN, recipe=r)) for r in ("silent", "rested"))
    assert silent.may_be_hot == ("espresso",) and rested.may_be_hot == ()
    assert silent.start.std > 2.5 * rested.start.std
    assert silent.warmest_start_c > 45.0 > rested.warmest_start_c


def test_an_ice_nobody_measured_is_as_described_or_as_is_common_and_not_known(bench: Bench) -> None:
    described, silent = (
        told(bench, replace(SHAKEN, ice=i)).assumed["ice_temp_c"] for i in ("freezer cube", "bag")
    )
    assert (described.value, described.origin) == (-16.0, Origin.DESCRIBED)
    assert silent.origin is Origin.COMMON
    stated = told(bench, replace(SHAKEN, ice_temp_c=-16.0)).assumed["ice_temp_c"]
    assert stated.std < described.std < silent.std
    mass = told(bench, SHAKEN).assumed["ice_mass_g"]
    assert (mass.value, mass.origin) == (TYPICAL_ICE_MASS_G, Origin.COMMON)


def test_usual_values_scatter_as_the_runs_did_and_one_slip_of_the_pen_does_not_matter(bench: Bench) -> None:
    def usual(*temps: float) -> Filled:
        return told(bench, SHAKEN, *(run(f"r{k}", drink_temp_c=t) for k, t in enumerate(temps)))

    steady, loose = usual(*(20.0 + 0.1 * k for k in range(9))), usual(*(12.0 + 2.0 * k for k in range(9)))
    assert steady.start.std < 1.2 < 3.0 < loose.start.std
    slipped = usual(*(20.0 + 0.1 * k for k in range(9)), 210.0)
    assert slipped.start.value == pytest.approx(steady.start.value, abs=0.1)
    assert slipped.start.std == pytest.approx(steady.start.std, abs=0.1)


def test_a_vessel_at_room_temperature_follows_the_room_that_is_asked_and_a_chilled_one_does_not(
    bench: Bench,
) -> None:
    def vessel_c(usual_c: float) -> float:
        asked = replace(SHAKEN, room_temp_c=33.0)
        return (
            told(bench, asked, run("a", vessel_temp_c=usual_c, room_temp_c=21.0))
            .assumed["vessel_temp_c"]
            .value
        )

    assert (vessel_c(20.0), vessel_c(-5.0)) == (33.0, -5.0)


def test_a_run_that_was_set_aside_says_nothing_of_what_is_usual(bench: Bench) -> None:
    aside = replace(run("a", drink_temp_c=70.0), excluded_because="spilt")
    assert told(bench, SHAKEN, aside).start.origin is Origin.ROOM


def test_a_name_that_is_not_on_the_bench_is_told(bench: Bench) -> None:
    with pytest.raises(NotFound, match="did you mean 'sour'"):
        told(bench, replace(SHAKEN, recipe="sur"))


def test_filling_again_what_is_filled_changes_nothing(bench: Bench) -> None:
    once = told(bench, SHAKEN, run("a", drink_temp_c=30.0, ice_mass_g=150.0))
    again = filled(book_of(bench), once.situation)
    assert again.situation == once.situation
    assert {n: a.std for n, a in again.assumed.items() if n != "room_temp_c"} == {
        n: a.std for n, a in once.assumed.items() if n != "room_temp_c"
    }


# --- what it does to a call ------------------------------------------------------------------------------


NARROW = rig.Target(serve_temp_c_max=1.0, dilution_by_volume=(0.30, 0.40))


def test_a_start_nobody_measured_widens_the_odds(bench: Bench) -> None:
    fit = book_of(bench)
    open_, stated = (
        rig.advise(fit, **SHAKEN.asked | {"drink_temp_c": start}, target=NARROW, with_levers=False)
        for start in (None, TYPICAL_ROOM_C)
    )
    assert open_.filled.start.value == stated.filled.start.value
    wide, narrow = (a.temp_c.p95 - a.temp_c.p05 for a in (open_, stated))
    assert wide[0] > 2.0 * narrow[0]
    assert np.all(wide[:40] > narrow[:40])


@pytest.mark.parametrize(
    ("recipe", "start_c", "says"),
    [
        ("silent", None, "espresso may be hot"),
        ("flip", None, "mixed by heat capacity"),
        ("silent", 22.0, None),
        ("rested", None, None),
    ],
)
def test_a_start_that_may_be_hot_brings_the_hot_caution(
    bench: Bench, recipe: str, start_c: float | None, says: str | None
) -> None:
    asked = replace(SHAKEN, recipe=recipe, drink_temp_c=start_c)
    cautions = " ".join(rig.advise(book_of(bench), **asked.asked, target=NARROW, with_levers=False).cautions)
    assert ("Hot liquid in a sealed vessel" in cautions) is (says is not None)
    assert says is None or (says in cautions and "Start not measured" in cautions)


def test_an_answer_says_what_it_assumes_and_where_that_is_from(bench: Bench) -> None:
    fit = book_of(bench, run("a", ice_mass_g=190.0))
    advice = rig.advise(
        fit, **SHAKEN.asked | {"ice_temp_c": -9.0}, target=NARROW, with_levers=False
    ).to_dict()
    assert list(advice["assumed"]) == list(CONDITIONS)
    assert advice["assumed"]["drink_temp_c"] == {"value": 21.0, "std": 4.0, "from": "room"}
    assert advice["assumed"]["ice_temp_c"]["from"] == "asked"
    assert advice["assumed"]["ice_mass_g"]["from"] == "usual for this drink on this set-up"
