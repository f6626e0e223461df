from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from typer.testing import CliRunner

from rig.cli.app import app
from rig.logbook.store import open_logbook
from tests.cli.small_bench import small_bench
from tests.shared_fits import keep_fit


@dataclass(frozen=True)
class Said:
    """What a command printed and left with."""

    code: int
    out: str
    err: str


Chillrig = Callable[..., Said]


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_bench(tmp_path_factory.mktemp("benches") / "corner")


def call(*arguments: str | Path, env: dict[str, str | None] | None = None) -> Said:
    """Run a command in this process, off a terminal, 100 columns wide."""
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "100", **(env or {})})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Said(result.exit_code, result.stdout, result.stderr)


@pytest.fixture(scope="session")
def logbook(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook that holds the bench and its fit, so that commands need not fit again. Not to be edited."""
    file = tmp_path_factory.mktemp("logbooks") / "bar.sqlite"
    assert call("import", bench, "--logbook", file).code == 0
    with open_logbook(file) as held:
        keep_fit(held, held.benches()[0].name)
    return file


@pytest.fixture
def chillrig(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Chillrig:
    """Run a command with a home of its own and no logbook in the environment."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("CHILLRIG_LOGBOOK", raising=False)
    monkeypatch.chdir(tmp_path)
    return call
