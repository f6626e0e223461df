from __future__ import annotations

import subprocess
import sys

import pytest

from tests.cli.conftest import Chillrig

COMMANDS = (
    "demo", "import", "ports", "record", "calibrate", "runs", "fit", "compare", "advise", "rehearse", "plan",
    "bench", "recipe", "brew", "steps", "glass", "foam", "report", "export", "dashboard", "doctor", "hear", "kit",
    "units", "rank", "shares", "logbook", "sync",
    "units", "rank", "shares", "overview", "learn",
)  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_a_worked_example_of_the_command(chillrig: Chillrig, command: str) -> None:
    said = chillrig(command, "--help")
    assert said.code == 0
    example = said.out.split("Example:")[1]
    assert f"chillrig {command}" in example


@pytest.mark.parametrize("command", ["", *COMMANDS])
@pytest.mark.parametrize("columns", [80, 100, 200])
def test_help_is_no_wider_than_the_screen_nor_than_100_columns(
    chillrig: Chillrig, command: str, columns: int
) -> None:
    said = chillrig(*command.split(), "--help", env={"COLUMNS": str(columns)})
    assert max(map(len, said.out.splitlines())) <= min(columns, 100)


def test_the_list_of_commands_says_what_each_is_for_in_full(chillrig: Chillrig) -> None:
    said = chillrig("--help")
    assert all(f"\n  {c} " in said.out for c in COMMANDS)
    assert "..." not in said.out.split("Commands:")[1]


@pytest.mark.parametrize("command", ["runs", "fit", "compare", "advise", "report", "export"])
def test_every_command_on_runs_takes_a_folder_or_a_logbook(chillrig: Chillrig, command: str) -> None:
    said = chillrig(command, "--help")
    assert all(option in said.out for option in ("--bench ", "--logbook ", "--bench-name ", "--json"))


def test_help_and_completion_answer_without_loading_the_numbers() -> None:
    code = "import sys, rig.cli.app; print({'numpy', 'scipy', 'plotly', 'sqlalchemy'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"


def test_version_is_printed(chillrig: Chillrig) -> None:
    said = chillrig("--version")
    assert said.code == 0
    assert said.out.startswith("chillrig ")


def test_no_command_at_all_shows_help_as_wrong_usage(chillrig: Chillrig) -> None:
    said = chillrig()
    assert said.code == 2
    assert "Commands:" in said.out + said.err


def test_shell_completion_names_the_commands() -> None:
    env = {"_CHILLRIG_COMPLETE": "complete_bash", "COMP_WORDS": "chillrig ad", "COMP_CWORD": "1"}
    code = "import sys; sys.argv = ['chillrig']; from rig.cli import main; main()"
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["advise"]
