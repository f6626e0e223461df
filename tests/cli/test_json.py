from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Chillrig
from tests.cli.small_bench import WRONG_RUN
from tests.shared_fits import fitted

ASK = (
    "--technique", "shake", "--vessel", "steel tin", "--ice", "freezer cube", "--recipe", "night shift",
)  # fmt: skip


@pytest.fixture
def ask(chillrig: Chillrig, logbook: Path) -> Any:
    def asked(command: str, *arguments: str | Path) -> Any:
        said = chillrig(command, *arguments, "--logbook", logbook, "--json")
        assert (said.code, said.err) == (0, "")
        return json.loads(said.out)

    return asked


def test_advise_prints_the_keys_of_the_contract(ask: Any) -> None:
    call = ask("advise", *ASK, "--target", "coupe")
    assert {
        "duration_s",
        "window_s",
        "odds",
        "feasible",
        "limited_by",
        "basis",
        "curve",
        "cautions",
        "levers",
    } <= set(call)
    assert len(call["window_s"]) == 2
    assert set(call["limited_by"]) == {"early", "late"}
    assert {"runs", "kind"} <= set(call["basis"])
    assert call["basis"]["kind"] in ("measured", "transferred", "prior only")
    curve = call["curve"]
    assert {"duration_s", "odds", "temp_c", "dilution_by_volume"} <= set(curve)
    for band in ("temp_c", "dilution_by_volume"):
        assert {"p05", "p50", "p95"} <= set(curve[band])
        assert all(len(curve[band][p]) == len(curve["duration_s"]) == len(curve["odds"]) for p in curve[band])


def test_advise_takes_every_option_of_the_contract_and_heeds_it(ask: Any) -> None:
    call = ask(
        "advise", *ASK, "--drink-temp-c", "24", "--ice-mass-g", "210", "--ice-temp-c", "-16",
        "--room-temp-c", "21", "--dilution-by-volume", "0.25", "0.45", "--serve-temp-c-max", "-1.5",
        "--abv-pct", "5", "30", "--volume-ml", "50", "300",
    )  # fmt: skip
    assert call["target"] == {
        "name": "",
        "serve_temp_c_max": -1.5,
        "serve_temp_c_min": None,
        "dilution_by_volume": [0.25, 0.45],
        "abv_pct": [5, 30],
        "volume_ml": [50, 300],
    }


def test_limits_given_replace_those_of_the_named_target_and_leave_the_others(ask: Any) -> None:
    target = ask("advise", *ASK, "--target", "coupe", "--serve-temp-c-max", "1")["target"]
    assert (target["name"], target["serve_temp_c_max"], target["dilution_by_volume"]) == (
        "coupe",
        1,
        [0.25, 0.45],
    )


def test_advise_from_python_and_from_the_command_line_agree(ask: Any, bench: Path) -> None:
    import rig

    book = rig.open_bench(bench)
    advice = rig.advise(
        rig.fit(book),
        technique="shake",
        vessel="steel tin",
        ice="freezer cube",
        recipe="night shift",
        target=book.bench.target("coupe"),
    )
    printed = ask("advise", *ASK, "--target", "coupe")
    assert printed["duration_s"] == pytest.approx(advice.duration_s, abs=0.5)
    assert printed["odds"] == pytest.approx(advice.odds, abs=0.02)


def test_fit_prints_each_set_up_with_units_in_the_names(ask: Any) -> None:
    found = ask("fit")
    assert found["runs"] == {"all": 15, "good": 14, "doubtful": 1, "excluded": 0, "not_fitted": 0}
    assert len(found["set_ups"]) == 3
    for s in found["set_ups"]:
        assert set(s) == {
            "technique", "vessel", "ice", "recipe", "runs", "duration_s", "chill_time_s", "ice_w_per_k",
            "surface_water_pct", "held_back_g", "probe_lag_s", "run_to_run", "doubtful",
        }  # fmt: skip
    doubtful = [d["run"] for s in found["set_ups"] for d in s["doubtful"]]
    assert doubtful == [WRONG_RUN]


def test_fit_keeps_to_the_set_ups_asked_for(ask: Any) -> None:
    assert {s["ice"] for s in ask("fit", "--ice", "wet cube")["set_ups"]} == {"wet cube"}


def test_runs_prints_each_run_with_verdict_and_reasons(ask: Any) -> None:
    runs = ask("runs", "--ice", "wet cube", "--technique", "shake")["runs"]
    assert [r["run"] for r in runs] == ["b1", "b2", "b3", "b4", "b5"]
    wrong = next(r for r in runs if r["run"] == WRONG_RUN)
    assert wrong["verdict"] == "doubtful"
    assert wrong["reasons"]
    assert {"duration_s", "strained_mass_g", "ice_mass_g", "drink_temp_c", "fit", "has_trace"} <= set(wrong)


def test_one_run_comes_with_its_fit_and_its_heat_balance(ask: Any) -> None:
    run = ask("runs", WRONG_RUN)
    assert {"temp_c", "dilution_by_volume", "strained_residual_g", "strained_z"} <= set(run["fit"])
    assert set(run["heat_closure"]) == {
        "strained_mass_g", "drink_mass_g", "held_back_g", "late_water_g",
        "measured_water_g", "paid_for_least_g", "paid_for_most_g", "surplus_g", "closes",
    }  # fmt: skip
    assert run["heat_closure"]["closes"] is False
    assert run["heat_closure"]["surplus_g"] == pytest.approx(30, abs=8)


def test_compare_prints_summaries_and_pairs(ask: Any) -> None:
    found = ask("compare", "--technique", "shake")
    assert {"recipe", "conditions", "duration_s", "target_temp_c", "summaries", "pairs", "notes"} <= set(
        found
    )
    assert len(found["summaries"]) == 2
    assert {"a", "b", "runs_a", "runs_b", "contrasts", "not_comparable", "sentence"} <= set(found["pairs"][0])


def test_import_prints_what_is_new_and_what_was_found(
    chillrig: Chillrig, bench: Path, tmp_path: Path
) -> None:
    file = tmp_path / "new.sqlite"
    first, again = (json.loads(chillrig("import", bench, "--logbook", file, "--json").out) for _ in range(2))
    counts = [
        [i[k] for k in ("runs", "new", "changed", "unchanged")]
        for i in (*first["imports"], *again["imports"])
    ]
    assert counts == [[15, 15, 0, 0], [15, 0, 0, 15]]
    found = first["imports"][0]["findings"]
    assert [(f["file"], f["line"], f["column"], f["gravity"]) for f in found] == [
        ("run_sheet.csv", 1, "mood", "note")
    ]


def test_report_and_export_print_where_they_wrote(ask: Any, tmp_path: Path) -> None:
    done = ask("export", "--to", tmp_path / "copy")
    assert (done["as"], done["runs"], Path(done["path"]).name) == ("bench", 15, "copy")


def test_export_as_json_is_what_it_prints(chillrig: Chillrig, logbook: Path) -> None:
    book = json.loads(chillrig("export", "--logbook", logbook, "--as", "json").out)
    assert [len(book["runs"]), book["bench"]["title"]] == [15, "Corner bar"]


def test_doctor_prints_its_checks(chillrig: Chillrig, logbook: Path) -> None:
    said = chillrig("doctor", "--logbook", logbook, "--json")
    found = json.loads(said.out)
    assert found["ok"] is (said.code == 0)
    assert all(set(c) == {"name", "ok", "found", "cure"} for c in found["checks"])
    of_logbook = next(c for c in found["checks"] if c["name"] == "logbook")
    assert of_logbook["ok"]
    assert "runs 15" in of_logbook["found"]


def test_rank_prints_what_the_library_says(ask: Any, bench: Path) -> None:
    import rig

    book = rig.open_bench(bench)
    drink = {"technique": "shake", "vessel": "steel tin", "recipe": "night shift"}
    direct = rig.rank(fitted(book), target=book.bench.target("short"), **drink)
    named = [word for k, v in drink.items() for word in (f"--{k}", v)]
    assert ask("rank", *named, "--target", "short") == json.loads(json.dumps(direct.to_dict()))


def test_shares_print_what_the_library_says(ask: Any, bench: Path) -> None:
    import rig

    found = ask("shares")
    assert found == json.loads(json.dumps(rig.shares(fitted(rig.open_bench(bench))).to_dict()))
    assert {"duration_s", "temp_c", "dilution_by_volume", "confounded", "sentences"} <= set(found)


def test_what_changed_needs_what_runs_go_by(chillrig: Chillrig, logbook: Path) -> None:
    said = chillrig("compare", "--by", "operator", "--logbook", logbook)
    assert (said.code, said.out) == (1, "")
    assert "Write down operator of each run" in said.err
    assert chillrig("compare", "--by", "moon", "--logbook", logbook).code == 2
