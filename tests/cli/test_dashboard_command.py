from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.cli import screen
from tests.cli.conftest import Chillrig


class Served:
    """Stands in for the dashboard's process: keeps what it was told, is interrupted, then ends."""

    def __init__(self, ends: list[int | type[BaseException]]) -> None:
        self.ends: Iterator[int | type[BaseException]] = iter(ends)
        self.told: list[str] = []

    def __call__(self, arguments: list[str]) -> Served:
        self.told = arguments
        return self

    def wait(self) -> int:
        end = next(self.ends)
        if isinstance(end, int):
            return end
        raise end


@pytest.mark.parametrize(
    ("ends", "code"), [([0], 0), ([1], 1), ([2], 1), ([KeyboardInterrupt, 0], 0)], ids=str
)
def test_the_dashboard_command_ends_as_the_dashboard_does(
    chillrig: Chillrig, bench: Path, monkeypatch: pytest.MonkeyPatch, ends: list[int], code: int
) -> None:
    monkeypatch.setattr(screen.subprocess, "Popen", Served(list(ends)))
    said = chillrig("dashboard", "--bench", bench)
    assert (said.code, said.out, said.err) == (code, "", "")


def test_the_dashboard_is_told_what_to_show_and_where(
    chillrig: Chillrig, logbook: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = Served([0])
    monkeypatch.setattr(screen.subprocess, "Popen", served)
    asked = ("--logbook", str(logbook), "--bench-name", "corner", "--port", "8060", "--no-browser")
    assert chillrig("dashboard", *asked).code == 0
    assert served.told == [
        sys.executable, "-m", "dashboard", "--logbook", str(logbook), "--bench-name", "corner", "--port", "8060",
    ]  # fmt: skip


def test_other_screens_are_let_in_only_where_that_is_said(
    chillrig: Chillrig, bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = Served([0])
    monkeypatch.setattr(screen.subprocess, "Popen", served)
    shared = ("--share", "--host", "192.168.0.7")
    assert chillrig("dashboard", "--bench", bench, *shared, "--no-browser").code == 0
    assert served.told[-3:] == list(shared)
    assert chillrig("dashboard", "--bench", bench, "--host", "0.0.0.0").code == 2


def test_the_dashboard_understands_what_it_is_told(
    chillrig: Chillrig, bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    dashboard = pytest.importorskip("dashboard.__main__")
    served, shown = Served([0]), []
    monkeypatch.setattr(screen.subprocess, "Popen", served)
    assert chillrig("dashboard", "--bench", bench).code == 0
    monkeypatch.setattr(
        "dashboard.serving.serve", lambda source, host, port, **more: shown.append((host, port))
    )
    assert dashboard.main(served.told[3:]) == 0
    assert shown == [("127.0.0.1", 8050)]
