from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dashboard.figures.drink import foam_figure, rest_figure, sips_figure, wash_line_figure
from dashboard.page import Here
from dashboard.pages import coffee, glass, recipe
from dashboard.params import params_of_query
from dashboard.questions.coffee import CoffeeQuestion, waits_s
from dashboard.questions.glass import GlassQuestion
from dashboard.questions.recipe import RecipeQuestion
from dashboard.questions.texture import foamed, half_life
from dashboard.service import BenchView, Service
from rig.advice.recipe.recipe_work import WashLine, diluted, state_at
from rig.bench import Bench, parse_bench
from rig.errors import ModelRangeError, NotEnoughData, RigError
from rig.physics.brew import coffee as black_coffee
from rig.physics.cooling import rest_time
from rig.physics.cup import CUPS, GlassState
from rig.physics.foam import fit_overrun
from rig.physics.glass import serve
from rig.report.look import DARK, LIGHT
from rig.runs import Run
from tests.cli.small_bench import BENCH
from tests.dashboard.benches import source_of_view
from tests.dashboard.reading import by_id, controls_and_labelled, ids, parts, text


@pytest.fixture(scope="module")
def bench() -> Bench:
    return parse_bench(BENCH)[0]


def here(view: BenchView, query: str = "") -> Here:
    return Here(Service(source_of_view(view)), view.name, None, "", params_of_query(query))


@pytest.mark.parametrize("layout", [recipe.layout, coffee.layout, glass.layout])
def test_each_part_has_one_heading_no_id_twice_a_label_on_every_control_and_ways_to_the_others(
    view: BenchView, layout: Any
) -> None:
    made = layout(here(view))
    assert sum(p["type"] == "H1" for p in parts(made)) == 1
    assert len(ids(made)) == len(set(ids(made)))
    controls, labelled = controls_and_labelled(made)
    assert controls
    assert controls <= labelled
    assert [p["props"]["href"] for p in parts(made) if p["type"] == "A"] == [p for p, _ in recipe.PARTS]
    assert sum(p["props"].get("className") == "here" for p in parts(made)) == 1


@pytest.mark.parametrize(
    ("layout", "query"),
    [(recipe.layout, "recipe=gravel"), (coffee.layout, "method=gravel"), (glass.layout, "glass=gravel")],
)
def test_an_address_that_cannot_be_meant_shows_the_usual_and_says_why(
    view: BenchView, layout: Any, query: str
) -> None:
    told = text(layout(here(view, query)))
    assert "gravel" in told
    assert "instead" in told


def test_the_recipe_is_told_before_and_after_its_water_as_the_library_has_it(bench: Bench) -> None:
    made = RecipeQuestion.of(bench, params_of_query("dilution_low=20&dilution_high=40")).answer(bench)
    rows = {r[0]: r[1:] for r in recipe.state_rows(made.found)}
    assert rows["Water ÷ start"] == ("0 %", "20 %", "30 %", "40 %")
    direct = [state_at(bench.recipe("night shift"), d) for d in (0.0, 0.2, 0.3, 0.4)]
    assert rows["Strength"] == tuple(f"{s.abv_pct:.1f} % ABV" for s in direct)
    assert rows["Freezes"] == tuple(f"{s.freezing_c:.1f} °C".replace("-", "−") for s in direct)
    told = text(recipe.answer_block(made))
    assert "Caffeine 70 mg" in told
    assert "200 mg at once" in told
    assert "Allergens declared: milk" in told


def test_the_sliders_of_water_may_cross(bench: Bench) -> None:
    asked = RecipeQuestion.of(bench, params_of_query("dilution_low=40&dilution_high=20"))
    assert asked.window == (0.2, 0.4)


def test_a_recipe_scaled_to_its_glass_leaves_ten_millilitres(bench: Bench) -> None:
    query = "change=fill&glass_ml=180&dilution_low=30&dilution_high=30"
    made = RecipeQuestion.of(bench, params_of_query(query)).answer(bench)
    assert made.changed is not None
    assert made.found.wash_line[-1].free_ml == pytest.approx(10.0, abs=0.01)
    assert "New pours" in text(recipe.answer_block(made))


def test_a_recipe_strengthened_lands_on_its_strength(bench: Bench) -> None:
    query = "change=strengthen&abv_pct=14&dilution_low=40&dilution_high=40"
    made = RecipeQuestion.of(bench, params_of_query(query)).answer(bench)
    assert made.found.after[-1].abv_pct == pytest.approx(14.0, abs=0.01)


def test_a_strength_that_cannot_be_is_refused_in_words(bench: Bench) -> None:
    asked = RecipeQuestion.of(bench, params_of_query("change=strengthen&abv_pct=40&dilution_low=100"))
    with pytest.raises(ModelRangeError, match="cannot land there"):
        asked.answer(bench)


def test_a_batch_in_the_freezer_says_whether_it_stays_liquid(bench: Bench) -> None:
    made = RecipeQuestion.of(bench, params_of_query("change=batch&servings=20&store=freezer")).answer(bench)
    assert made.batch is not None
    told = text(recipe.batch_block(made.batch))
    assert "△ Does not stay liquid in the freezer" in told
    assert "coffee concentrate 1000.0 ml" in told
    assert f"water {made.batch.water_g:.0f} g" in told
    assert "-" not in told


@pytest.mark.parametrize(
    ("free", "said"),
    [((30.0, 12.0), "fits, 12 ml below"), ((5.0, -7.0), "spills at the most water, by 7 ml"),
     ((-2.0, -9.0), "2 ml too much even at the least water")],
)  # fmt: skip
def test_whether_it_fits_is_said_for_the_whole_window(free: tuple[float, float], said: str) -> None:
    lines = [WashLine(150.0, 150.0 - f, f, 1.0 - f / 150.0) for f in free]
    assert said in recipe.fit_words(lines)


@pytest.mark.parametrize("look", [LIGHT, DARK])
def test_the_wash_line_marks_what_spills_by_pattern_and_draws_the_rim(bench: Bench, look: Any) -> None:
    query = "glass_ml=135&dilution_low=20&dilution_high=60"
    made = RecipeQuestion.of(bench, params_of_query(query)).answer(bench)
    figure = wash_line_figure(made.found, look)
    assert list(figure.data[0].marker.pattern.shape) == ["" if w.fits else "/" for w in made.found.wash_line]
    assert {w.fits for w in made.found.wash_line} == {True, False}
    assert figure.layout.shapes[0].x0 == 135.0
    assert by_id(recipe.figure_block(made.found, look), "recipe-wash-line")


def test_a_bench_without_a_recipe_says_what_to_do(bench: Bench) -> None:
    for question in (RecipeQuestion, GlassQuestion):
        with pytest.raises(RigError, match=r"bench\.toml"):
            question.of(replace(bench, recipes={}), {})


def test_caffeine_stands_beside_its_limits_and_above_them_is_a_caution() -> None:
    one = text(coffee.head_block(CoffeeQuestion.of({}).made()))
    assert "200 mg at once" in one
    assert "△" not in one
    three = text(coffee.head_block(CoffeeQuestion.of(params_of_query("count=3")).made()))
    assert "△ Above what is held safe at once" in three


def test_strength_measured_gives_extraction_without_a_range() -> None:
    made = CoffeeQuestion.of(params_of_query("dose_g=18&yield_g=40&tds_pct=9")).made()
    told = text(coffee.answer_block(made))
    assert "Extraction 20.0 % as weighed" in told  # 9 % × 40 g ÷ 18 g
    assert "strength is not measured" not in told.lower()


@pytest.fixture(scope="module")
def poured() -> Any:
    return CoffeeQuestion.of({}).rested()


def test_the_wait_is_the_librarys_rest_time(poured: Any) -> None:
    liquid = black_coffee(poured.cupful.yield_g.typical, poured.cupful.tds_pct.typical)
    direct = rest_time(liquid, 82.0, 45.0, CUPS["espresso cup"])
    soonest, usual, latest = waits_s(poured.rested, 45.0)
    assert usual == pytest.approx(direct.typical_s, rel=0.03)
    assert soonest == pytest.approx(direct.soonest_s, rel=0.05)
    assert latest == pytest.approx(direct.latest_s, rel=0.05)


def test_a_rest_that_never_gets_there_says_why(poured: Any) -> None:
    def told(query: str) -> str:
        return coffee.rest_words(poured, CoffeeQuestion.of(params_of_query(query)))

    assert "the room is at 30 °C" in told("rest_to_c=28&room_c=30")
    assert told("rest_to_c=70").startswith("About")
    assert waits_s(poured.rested, 95.0) == (0.0, 0.0, 0.0)
    assert waits_s(poured.rested, 20.0) == (None, None, None)


def test_more_coffee_than_the_cup_holds_is_told_in_place_of_its_rest() -> None:
    full = CoffeeQuestion.of(params_of_query("yield_g=200&dose_g=60&cup=espresso+cup")).rested()
    assert full.rested is None
    assert "do not fit" in text(coffee.rest_block(full, CoffeeQuestion.of({}), LIGHT))


def test_the_rest_is_drawn_with_its_band_and_the_temperature_waited_for(poured: Any) -> None:
    figure = rest_figure(poured.rested, 45.0, LIGHT)
    assert figure.layout.shapes[0].y0 == 45.0
    assert figure.layout.yaxis.title.text == "coffee [°C]"
    assert len(figure.data) == 2


@pytest.fixture(scope="module")
def served(bench: Bench) -> Any:
    return GlassQuestion.of(bench, params_of_query("minutes=4&dilution=30")).answer(bench, ranges=True)


def test_three_glasses_at_once_are_each_glass_alone(bench: Bench, served: Any) -> None:
    liquid = diluted(bench.recipe("night shift"), 0.30)
    for state in GlassState:
        alone = serve(liquid, -2.0, CUPS["coupe"], state.temp_c(21.0), 4.0, 8)
        np.testing.assert_allclose(served[state].temp_c.low, alone.temp_c.low, atol=1e-9)
        np.testing.assert_allclose(served[state].temp_c.typical, alone.temp_c.typical, atol=1e-9)
        assert served[state].freezes == alone.freezes


def test_the_quick_answer_is_the_usual_course_without_a_range(bench: Bench, served: Any) -> None:
    quick = GlassQuestion.of(bench, params_of_query("minutes=4&dilution=30")).answer(bench, ranges=False)
    for state in GlassState:
        np.testing.assert_allclose(quick[state].temp_c.typical, served[state].temp_c.typical, atol=0.1)
        assert not quick[state].has_range
    assert len(sips_figure(quick, LIGHT).data) == 6
    assert len(sips_figure(served, LIGHT).data) == 12


def test_a_colder_glass_gives_a_colder_first_sip_and_is_told_so(bench: Bench, served: Any) -> None:
    first = [served[s].temp_c.typical[0] for s in (GlassState.ROOM, GlassState.CHILLED, GlassState.FROZEN)]
    assert first == sorted(first, reverse=True)
    asked = GlassQuestion.of(bench, params_of_query("minutes=4&dilution=30"))
    told = text(glass.head_block(asked, served))
    assert "no ice in it" in told
    assert "−" in told
    assert len(glass.rows(served)) == 3
    assert len({t.line.dash for t in sips_figure(served, LIGHT).data if t.mode != "lines"}) == 3


def test_ice_in_the_glass_adds_water(bench: Bench) -> None:
    query = "minutes=4&glass=rocks+glass&ice_mass_g=100"
    found = GlassQuestion.of(bench, params_of_query(query)).answer(bench, ranges=False)
    assert found[GlassState.ROOM].added_by_volume.typical[-1] > 0.05
    with pytest.raises(ModelRangeError, match="do not fit"):
        GlassQuestion.of(bench, params_of_query("ice_mass_g=200")).answer(bench, ranges=False)


def _foamy(count: int) -> list[Run]:
    return [
        Run(
            f"r{k}", "shake", "tin", "cube", "fizz",
            duration_s=5.0 + 2.0 * k, strained_mass_g=100.0, foam_ml=10.0 + k, foam_half_life_s=100.0 + k,
        )
        for k in range(count)
    ]  # fmt: skip


def test_foam_is_drawn_against_duration_with_the_librarys_rise() -> None:
    found = foamed(_foamy(6), "fizz")
    assert found.foam_pct == pytest.approx([10, 11, 12, 13, 14, 15])
    mean, _ = fit_overrun(found.duration_s, found.foam_pct).predict(found.time_s)
    assert found.mean_pct == pytest.approx(mean)
    assert [t.name for t in foam_figure(found, LIGHT).data] == ["90 % of runs", "fitted rise", "runs"]
    assert "6 runs: foam 10 to 15 %" in text(recipe.texture_block(_foamy(6), "fizz", LIGHT))
    lasts = half_life(_foamy(6), "fizz")
    assert lasts is not None
    assert lasts[0] < lasts[1] < lasts[2]


def test_runs_of_one_duration_show_their_foam_without_a_curve() -> None:
    same = [replace(r, duration_s=10.0) for r in _foamy(5)]
    assert [t.name for t in foam_figure(foamed(same, "fizz"), DARK).data] == ["runs"]


def test_the_glass_takes_the_water_of_the_drink_one_comes_from(bench: Bench) -> None:
    asked = GlassQuestion.of(bench, params_of_query("dilution_low=20&dilution_high=60"))
    assert asked.dilution_pct == 40.0


def test_too_few_runs_with_foam_say_how_many_it_takes() -> None:
    with pytest.raises(NotEnoughData, match="Foam was measured in 3 runs of fizz; 4"):
        foamed(_foamy(3), "fizz")
    assert "Write foam_ml" in text(recipe.texture_block([], "fizz", LIGHT))
    assert half_life(_foamy(1), "fizz") is None
