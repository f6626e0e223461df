from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from rig.cli import demo
from tests.cli.conftest import Chillrig, Said, call


@pytest.fixture(scope="module")
def shown(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Said]:
    """Where the demo of one sample bench went, and what it said."""
    home = tmp_path_factory.mktemp("demo") / "a folder with blanks"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(demo, "sample_benches", lambda: [bench])
        return home, call("demo", "--out", home)


def test_demo_goes_from_import_to_call_and_says_what_next(shown: tuple[Path, Said]) -> None:
    home, said = shown
    assert (said.code, said.err) == (0, "")
    told = [
        "15 runs: 15 new", "mood", "Runs to doubt", "compared", "How long", "will do · lands", "What next",
        "chillrig dashboard", "chillrig advise", "chillrig import",
    ]  # fmt: skip
    places = [said.out.index(t) for t in told]
    assert places == sorted(places)
    assert {p.name for p in home.iterdir()} >= {"logbook.sqlite", "report.html"}


def test_the_advise_command_that_demo_prints_works_when_pasted(shown: tuple[Path, Said]) -> None:
    pasted = re.search(r"^ +chillrig advise (?:.*\\\n)*.*", shown[1].out, re.MULTILINE)
    assert pasted is not None
    command = pasted[0].replace("chillrig", f"{sys.executable} -m rig.cli", 1)
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "lands" in done.stdout


def test_demo_again_stores_nothing_twice_and_prints_as_json(
    shown: tuple[Path, Said], chillrig: Chillrig, bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo, "sample_benches", lambda: [bench])
    again = json.loads(chillrig("demo", "--out", shown[0], "--json").out)
    (only,) = again["benches"]
    assert set(only) == {"import", "comparisons", "calls", "report"}
    assert [only["import"][k] for k in ("new", "changed", "unchanged")] == [0, 0, 15]


def test_without_samples_demo_says_so(chillrig: Chillrig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "sample_benches", list)
    said = chillrig("demo")
    assert (said.code, said.err.count("\n")) == (1, 1)


def test_the_samples_are_found_beside_the_program() -> None:
    assert {"harbour", "evening_class", "rehearsal"} <= {p.name for p in demo.sample_benches()}


@pytest.mark.slow
def test_demo_on_the_real_samples_compares_and_calls_for_each(chillrig: Chillrig) -> None:
    said = chillrig("demo")
    assert (said.code, said.err) == (0, "")
    assert max(len(line) for line in said.out.splitlines()) <= 100
    assert said.out.count("How long") == len(demo.sample_benches())


@pytest.mark.parametrize(
    ("called", "found", "says"),
    [
        (".venv/bin/chillrig", None, ".venv/bin/chillrig"),
        (".venv/bin/chillrig", "/usr/bin/chillrig", None),
        ("pytest", None, None),
    ],
)
def test_a_program_that_is_not_on_the_path_says_how_it_is_called(
    monkeypatch: pytest.MonkeyPatch, called: str, found: str | None, says: str | None
) -> None:
    monkeypatch.setattr("sys.argv", [called, "demo"])
    monkeypatch.setattr(demo, "which", lambda name: found)
    assert demo._not_on_the_path() == says
