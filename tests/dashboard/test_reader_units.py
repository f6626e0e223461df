"""Pages in the units that a browser has chosen: all that is read, and nothing that is asked or kept."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import HOME, make_app, page
from dashboard.page import Here
from dashboard.pages import compare, shake_time
from dashboard.params import params_of_query
from dashboard.questions.bring_in_run import RunForm
from dashboard.questions.call import CallQuestion
from dashboard.questions.compare import CompareQuestion
from dashboard.questions.correction import Correction, standing
from dashboard.reader_units import COOKIE, in_units
from dashboard.service import BenchView, Service
from rig.answer_units import AnswerUnits
from rig.bench_fields import SHELVES
from tests.dashboard.asking import callback
from tests.dashboard.benches import source_of_view
from tests.dashboard.reading import by_id, parts, text

US = AnswerUnits("°F", "oz", "fl oz")
ADDRESSES = (
    "/live", "/shake-time", "/compare", "/compare/projector", "/compare/what-to-use", "/live/projector", "/live/remote",
    "/compare/all-benches",
    "/runs", "/runs/b3",
    "/rehearsal", "/rehearsal/next-runs", "/recipe", "/recipe/coffee", "/recipe/glass", "/rig",
    "/guide", "/runs/bring-in", "/runs/bring-in/several", "/runs/sheet", "/bench", "/bench/vessels/steel tin",
    "/by-hand", "/rig/kit",
)  # fmt: skip
CHOSEN_BY_HAND = {"in °C"}
"""What a column of somebody's table is measured in is theirs to say."""


def sent(component: Any) -> Any:
    from plotly.utils import PlotlyJSONEncoder

    return json.loads(json.dumps(component, cls=PlotlyJSONEncoder))


def without_the_labs(component: Any) -> Any:
    """A page without its parts that are typed in, and so told in, the lab's units."""
    if isinstance(component, list):
        return [without_the_labs(part) for part in component]
    if not isinstance(component, dict) or "props" not in component:
        return component
    if "data-lab" in component["props"]:
        return {**component, "props": {}}
    inside = without_the_labs(component["props"].get("children"))
    return {**component, "props": {**component["props"], "children": inside}}


def read(component: Any) -> list[str]:
    """All that a person reads or hears of a page, but what stands beside the lines of a calibration."""
    out = []
    for part in parts(component):
        props = part["props"]
        if part["type"] == "Label" and str(props.get("htmlFor", "")).startswith("calibrate-"):
            continue
        out += [props[k] for k in ("title", "aria-label", "data-head") if isinstance(props.get(k), str)]
        children = props.get("children")
        out += [c for c in (children if isinstance(children, list) else [children]) if isinstance(c, str)]
        for option in props.get("options") or []:
            out += [option["label"]] if isinstance(option.get("label"), str) else []
        if part["type"] == "Graph":
            out.append(json.dumps(props["figure"], ensure_ascii=False))
    return out


@pytest.fixture(scope="module")
def service(view: BenchView) -> Service:
    made = Service(source_of_view(view))
    made.view(view.name)
    return made


@pytest.mark.parametrize("address", ADDRESSES)
def test_no_page_is_left_in_celsius(service: Service, address: str) -> None:
    shown = in_units(sent(page(service, address, "").content), US)
    left = [t for t in read(without_the_labs(shown)) if "°C" in t and t not in CHOSEN_BY_HAND]
    # the page Rig offers the choice itself
    assert [t for t in left if t != "°C"] == []


def test_what_is_typed_in_the_labs_units_is_told_in_them() -> None:
    from dashboard.pages.bench_entry import part_block

    form = sent(part_block(SHELVES["recipes"], 0, {"mass_g": 20.0}, ()))
    assert "°C" in json.dumps(form, ensure_ascii=False)
    assert in_units(form, US) == form


def test_the_addresses_are_those_of_all_pages() -> None:
    from dashboard.app import PAGES
    from dashboard.page import page_at

    found = [page_at(PAGES, a) for a in ADDRESSES]
    assert {f[0].path for f in found if f} == {p.path for p in PAGES}


def test_a_call_on_the_page_is_the_same_in_both(view: BenchView) -> None:
    from dashboard.answers import make_call

    asked = CallQuestion.of(view, params_of_query(""))
    call = make_call(view, asked)
    block = sent(
        [shake_time.head_block(call), shake_time.answer_block(call), shake_time.figures_block(call, "light")]
    )
    plain, told = text(block[:2]), text(in_units(block, US)[:2])
    assert "°C" in plain and "°C" not in told
    middle = call.at_call["temp_c"][1]
    assert f"{middle:z.1f} °C".replace("-", "−") in plain
    near = (32.0 + 1.8 * (middle + d) for d in (-0.05, 0.0, 0.05))
    assert any(f"{f:z.1f} °F".replace("-", "−") in told for f in near)


def test_a_comparison_is_the_same_in_both_and_its_figures_too(view: BenchView) -> None:
    asked = CompareQuestion.of(view, params_of_query(""))
    block = sent(compare.answer_block(view, asked, "light"))
    shown = in_units(block, US)
    assert "°C" not in text(shown)
    plain, told = (
        next(p["props"]["figure"] for p in parts(b) if p["props"].get("id") == "compare-chill")
        for b in (block, shown)
    )
    assert told["layout"]["yaxis"]["title"]["text"].endswith("[°F]")
    from rig.report.figure_units import dict_in_units

    again = dict_in_units(plain, US)
    assert again == told


def test_sliders_and_stores_stay_as_they_are_asked(view: BenchView) -> None:
    here = Here(Service(source_of_view(view)), view.name, None, "", params_of_query("serve_temp_c_max=-2"))
    here.service.view(view.name)
    block = sent(shake_time.layout(here))
    shown = in_units(block, US)
    for id_ in ("call-drink_temp_c", "call-serve_temp_c_max"):
        assert by_id(shown, id_) == by_id(block, id_)
    assert by_id(block, "call-serve_temp_c_max-shown")["children"] == "−2 °C"
    assert by_id(shown, "call-serve_temp_c_max-shown")["children"] == "28.4 °F"


def test_a_browser_is_told_in_the_units_of_its_cookie(
    view: BenchView, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    client = make_app(source_of_view(view)).server.test_client()
    asked = {"compare-asked.data": {"recipe": "night shift"}, "theme.data": "light"}
    plain = callback(client, "compare-answer.children", asked, {}).get_data(as_text=True)
    assert b"data-units" not in client.get("/").data
    client.set_cookie(COOKIE, "F+oz+floz")
    told = callback(client, "compare-answer.children", asked, {}).get_data(as_text=True)
    assert "\\u00b0C" in plain.replace("°", "\\u00b0")
    assert "\\u00b0C" not in told.replace("°", "\\u00b0")
    assert 'data-units="°F, oz, fl oz"' in client.get(HOME).get_data(as_text=True)


def test_a_browser_without_a_choice_is_told_as_the_user_keeps_it(
    view: BenchView, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from rig.session.kept_units import keep_units

    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    keep_units(AnswerUnits("°F"))
    client = make_app(source_of_view(view)).server.test_client()
    assert 'data-units="°F, g, ml"' in client.get(HOME).get_data(as_text=True)
    client.set_cookie(COOKIE, "C+g+ml")
    assert "data-units" not in client.get(HOME).get_data(as_text=True)


def test_what_is_typed_bare_is_in_the_units_chosen_and_what_carries_one_in_its_own(view: BenchView) -> None:
    run = view.book.runs[0]
    hint = standing(run, "drink_temp_c", view.bench, US)
    assert f"Now {32.0 + 1.8 * (run.drink_temp_c or 0.0):g} °F. Write it in °F" in hint
    assert Correction.of("drink_temp_c", "77", "misread", US).value == pytest.approx(25.0)
    assert Correction.of("drink_temp_c", "25 C", "misread", US).value == pytest.approx(25.0)
    assert Correction.of("drink_temp_c", "25", "misread").value == pytest.approx(25.0)
    assert Correction.of("ice_mass_g", "7,5", "misread", US).value == pytest.approx(7.5 * 28.349523125)
    form = {"way": "into", "into": "a1", "ice_temp_c": "14", "duration_s": "12"}
    told = RunForm.of(form, view.bench, {}, US).numbers
    assert told == {"ice_temp_c": pytest.approx(-10.0), "duration_s": 12.0}


def test_pages_and_cards_taken_away_are_in_the_units_of_who_takes_them(
    view: BenchView, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    client = make_app(source_of_view(view)).server.test_client()
    for address in ("/card?target=short", "/keep/compare"):
        assert "°C" in client.get(address).get_data(as_text=True)
    client.set_cookie(COOKIE, "F+oz+floz")
    for address in ("/card?target=short", "/keep/compare"):
        taken = client.get(address)
        assert taken.status_code == 200
        assert "°C" not in taken.get_data(as_text=True)
        assert "°F" in taken.get_data(as_text=True)
