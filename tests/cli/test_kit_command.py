"""The command and the page say the same of what to measure with next."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dashboard.pages import kit
from dashboard.params import params_of_query
from dashboard.questions.kit import KitQuestion
from tests.cli.conftest import Chillrig
from tests.dashboard.benches import fitted_view
from tests.dashboard.reading import text

ASK = (
    "kit", "--technique", "shake", "--vessel", "steel tin", "--ice", "freezer cube",
    "--recipe", "night shift", "--target", "short",
)  # fmt: skip
QUERY = "technique=shake&vessel=steel tin&ice=freezer cube&recipe=night shift&target=short"


@pytest.mark.parametrize("columns", [80, 250])
def test_it_says_one_sentence_then_part_by_part(chillrig: Chillrig, logbook: Path, columns: int) -> None:
    said = chillrig(*ASK, "--logbook", logbook, env={"COLUMNS": str(columns)})
    assert (said.code, said.err) == (0, "")
    assert max(map(len, said.out.splitlines())) <= min(columns, 100)
    told = " ".join(said.out.split())
    assert told.startswith(("You have what helps (probe)", "Nothing more to measure with"))
    assert "common practice, no source" in told
    assert "+ calibration" in told


def test_page_and_command_give_one_answer(chillrig: Chillrig, logbook: Path) -> None:
    told = json.loads(chillrig(*ASK, "--have", "scale", "--logbook", logbook, "--json").out)
    worth = KitQuestion.of(fitted_view(), params_of_query(f"{QUERY}&have=scale")).answer(fitted_view())
    assert worth.to_dict()["parts"] == told["parts"]
    assert told["summary"] in text(kit.head_block(worth))
    assert told["has"] == "scale"
    assert all(p["part"] in text(kit.answer_block(worth)) for p in told["parts"])


def test_a_part_that_is_none_is_told_in_one_line(chillrig: Chillrig, logbook: Path) -> None:
    said = chillrig(*ASK, "--have", "scales", "--logbook", logbook)
    assert said.code == 1
    assert "did you mean 'scale'?" in said.err


def test_before_any_run_it_answers_from_what_is_usual(chillrig: Chillrig, tmp_path: Path) -> None:
    from tests.cli.small_bench import BENCH

    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    (tmp_path / "run_sheet.csv").write_text("run,technique,vessel,ice,recipe\n", encoding="utf-8")
    said = chillrig(*ASK, "--bench", tmp_path, "--json")
    assert said.code == 0, said.err
    told = json.loads(said.out)
    assert told["has"] == "nothing"
    assert "the next thing worth having" in told["summary"]
