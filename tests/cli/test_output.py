from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

import rig
from rig.advice.call.call import Advice
from rig.advice.call.levers import Lever
from rig.cli.advise import print_call
from rig.cli.printing import print_findings
from rig.errors import Place
from rig.logbook.store import open_logbook
from rig.runs import Finding, Gravity
from tests.cli.conftest import Chillrig
from tests.cli.small_bench import WRONG_RUN, small_bench, small_book
from tests.cli.test_json import ASK
from tests.shared_fits import fitted

SHOWN = (
    ("runs",),
    ("runs", WRONG_RUN),
    ("fit",),
    ("compare",),
    ("advise", *ASK, "--target", "coupe"),
    ("doctor",),
)


@pytest.fixture(scope="module")
def call(bench: Path) -> Advice:
    book = rig.open_bench(bench)
    names = {"technique": "shake", "vessel": "steel tin", "ice": "freezer cube", "recipe": "night shift"}
    return rig.advise(fitted(book), target=book.bench.target("short"), with_levers=False, **names)


@pytest.mark.parametrize("arguments", SHOWN, ids=lambda a: " ".join(a[:2]))
@pytest.mark.parametrize("columns", [80, 250])
def test_output_fits_the_screen_and_100_columns(
    chillrig: Chillrig, logbook: Path, arguments: tuple[str, ...], columns: int
) -> None:
    said = chillrig(*arguments, "--logbook", logbook, env={"COLUMNS": str(columns)})
    assert max(map(len, said.out.splitlines())) <= min(columns, 100)


@pytest.mark.parametrize("arguments", SHOWN, ids=lambda a: " ".join(a[:2]))
def test_output_off_a_terminal_is_plain_text_without_trailing_blanks(
    chillrig: Chillrig, logbook: Path, arguments: tuple[str, ...]
) -> None:
    said = chillrig(*arguments, "--logbook", logbook)
    assert "\x1b" not in said.out
    assert not re.search(r"[ \t]+$", said.out, re.MULTILINE)
    assert said.err == ""


def test_advise_says_call_odds_landing_basis_and_cautions(chillrig: Chillrig, logbook: Path) -> None:
    out = chillrig("advise", *ASK, "--target", "coupe", "--logbook", logbook).out
    lines = out.splitlines()
    assert re.fullmatch(r"Shake [\d.]+ s · [\d.]+ to [\d.]+ will do · lands (over )?\d+ of 100", lines[0])
    assert lines[1] == "night shift · shake · steel tin · freezer cube"
    assert lines[2].startswith("Drink at 21 °C (usual for this drink on this set-up) · ice at −16 °C (")
    assert re.search(r"After \d+ s: [−-]?\d+\.\d °C \(.*\), dilution \d+ %", out)
    assert "Rests on 5 runs" in out
    assert "milk" in out
    assert "Local codes and licensed practice come first." in out


@pytest.mark.parametrize("columns", [60, 80, 250])
def test_a_target_that_no_duration_meets_is_called_so_with_what_would_help(
    call: Advice, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], columns: int
) -> None:
    what = "rest the hot drink to 40 °C before the ice " * 3
    lever = Lever(what, "drink_temp_c", 40.0, 0.8, 12.0, 0.7, call.asked)
    monkeypatch.setenv("COLUMNS", str(columns))
    print_call(replace(call, feasible=False, odds=0.1, levers=(lever,)))
    out = capsys.readouterr().out
    assert "No shake lands this · at best 10 of 100" in out
    assert "What would help:\n  - rest the hot drink" in out
    assert max(map(len, out.splitlines())) <= min(columns, 100)


def test_a_doubtful_run_stands_in_the_table_and_below_it_with_its_reason(
    chillrig: Chillrig, logbook: Path
) -> None:
    out = chillrig("fit", "--logbook", logbook).out
    assert "4 +1?" in out
    assert re.search(rf"run {WRONG_RUN}: strained mass is \d+ g more", " ".join(out.split()))


def test_one_run_is_shown_with_verdict_residual_and_heat_balance(chillrig: Chillrig, logbook: Path) -> None:
    out = " ".join(chillrig("runs", WRONG_RUN, "--logbook", logbook).out.split())
    assert "Verdict: doubtful" in out
    assert "Weighed against expected: +" in out
    assert re.search(r"Its chill pays for \d+ to \d+ g: \d+ g too much", out)


def test_names_that_look_like_markup_or_terminal_codes_are_shown_as_text(
    chillrig: Chillrig, tmp_path: Path
) -> None:
    home = small_bench(tmp_path / "odd")
    for file in ("bench.toml", "run_sheet.csv"):
        lines = (
            (home / file)
            .read_text(encoding="utf-8")
            .replace("freezer cube", "[red]wet[/red] :ice:")
            .splitlines()
        )
        kept = lines[:4] if file == "run_sheet.csv" else lines
        (home / file).write_text("\n".join(kept) + "\n", encoding="utf-8")
    out = chillrig("runs", "--bench", home).out
    assert "[red]wet[/red] :ice:" in out


def test_a_control_character_in_a_name_never_reaches_the_terminal(chillrig: Chillrig, logbook: Path) -> None:
    said = chillrig("runs", "b1\x1b[2J\nchillrig: all is well", "--logbook", logbook)
    assert said.code == 1
    assert "\x1b" not in said.err
    assert said.err.count("\n") == 1


def test_findings_of_one_kind_are_told_once_and_counted(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    many = [
        Finding(Gravity.NOTE, f"cell 'x{k}' is no number", Place("run_sheet.csv", k), "Write it in g")
        for k in range(2, 32)
    ]
    worse = Finding(Gravity.LEFT_OUT, "no vessel is named", Place("run_sheet.csv", 40), "Name it")
    print_findings([*many, worse])
    lines = capsys.readouterr().out.splitlines()
    assert lines == [
        "  - left out: run_sheet.csv, line 40: no vessel is named. Name it",
        "  - note: run_sheet.csv, line 2: cell 'x2' is no number. Write it in g (and 29 more like it)",
    ]


def test_a_list_of_runs_waits_for_no_fit(chillrig: Chillrig, tmp_path: Path) -> None:
    """What no fit has judged is said to be so, until one is asked for; then it is known without one."""
    file = tmp_path / "bar.sqlite"
    with open_logbook(file) as logbook:
        logbook.add(small_book(), "corner", "made for a test")
    told = chillrig("runs", "--logbook", file).out
    assert "good" not in told and "15 not judged yet: add --judge to fit them first." in told
    assert " good " in chillrig("runs", "--logbook", file, "--judge").out
    assert "not judged" not in chillrig("runs", "--logbook", file).out
