"""The edge of the program: faults, interrupts and readers that leave."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from rig.cli import faults, main

RUN = [sys.executable, "-m", "rig.cli"]


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A program with a fault in it; returns where its log of faults goes."""

    def fail() -> None:
        raise ZeroDivisionError("two\nlines")

    monkeypatch.setattr("rig.cli.app.app", fail)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.delenv(faults.SHOW_TRACEBACK, raising=False)
    return tmp_path / "chillrig" / faults.FAULT_LOG


def test_a_fault_is_told_in_one_line_and_its_traceback_goes_to_a_file(
    broken: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main()
    said = capsys.readouterr()
    assert left.value.code == 1
    assert said.err.count("\n") == 1
    assert "this is a fault in chillrig: ZeroDivisionError: two lines" in said.err
    assert "chillrig doctor" in said.err
    assert str(broken) in said.err
    assert "Traceback" in broken.read_text()


def test_a_maintainer_may_ask_for_the_traceback(
    broken: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(faults.SHOW_TRACEBACK, "1")
    with pytest.raises(SystemExit):
        main()
    assert "Traceback" in capsys.readouterr().err
    assert not broken.exists()


def test_a_fault_is_told_even_where_no_file_can_be_written(
    broken: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", "/dev/null/nowhere")
    with pytest.raises(SystemExit):
        main()
    assert "this is a fault in chillrig" in capsys.readouterr().err


def test_ctrl_c_says_stopped(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left, faults.told():
        raise KeyboardInterrupt
    assert (left.value.code, capsys.readouterr().err) == (1, "chillrig: stopped\n")


def test_a_reader_that_has_enough_ends_the_program_quietly(logbook: Path) -> None:
    export = subprocess.Popen(
        [*RUN, "export", "--as", "json", "--logbook", logbook], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert export.stdout is not None and export.stderr is not None
    export.stdout.read(10)
    export.stdout.close()
    assert export.stderr.read() == b""
    export.stderr.close()
    assert export.wait() == 0


def test_a_terminal_without_our_letters_gets_substitutes(logbook: Path) -> None:
    done = subprocess.run(
        [*RUN, "runs", "--logbook", str(logbook)],
        capture_output=True,
        env={"PYTHONIOENCODING": "ascii", "PATH": ""},
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.isascii()


def test_the_installed_command_runs(logbook: Path) -> None:
    chillrig = Path(sys.executable).with_name("chillrig")
    done = subprocess.run(
        [chillrig, "runs", "no such run", "--logbook", logbook], capture_output=True, check=False
    )
    assert (done.returncode, done.stdout) == (1, b"")
    assert done.stderr.startswith(b"chillrig: there is no run 'no such run'")


@pytest.mark.parametrize("asked", [None, "3"])
def test_the_program_keeps_linear_algebra_to_one_thread(asked: str | None) -> None:
    """What NumPy's library then says of itself; who asks for more gets more."""
    environment = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    if asked is not None:
        environment["OPENBLAS_NUM_THREADS"] = asked
    script = (
        "import sys; sys.argv = ['chillrig', 'fit', '--help']\n"
        "from rig.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "import numpy, threadpoolctl\n"
        "print(max(p['num_threads'] for p in threadpoolctl.threadpool_info() if p['user_api'] == 'blas'))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, env=environment, check=True
    )
    assert done.stdout.split()[-1] == str(min(int(asked or 1), os.cpu_count() or 1))


def test_every_name_of_the_python_interface_loads() -> None:
    script = "import rig; print([getattr(rig, name).__name__ for name in rig.__all__] == rig.__all__)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True"
