"""A shake is heard from a file, and noted on its run."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from rig.logbook.store import open_logbook
from rig.runs import HEARD_HZ
from tests.cli.conftest import Chillrig
from tests.signals.bar_sounds import RATE_HZ, Shake, shake


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Shake]:
    made = shake(np.random.default_rng(4), "metal", 3.8, 9.0)
    file = tmp_path_factory.mktemp("sound") / "take.wav"
    loudest = np.abs(made.samples).max()
    stereo = np.repeat((made.samples / loudest * 20_000).astype(np.int16)[:, None], 2, axis=1)
    wavfile.write(file, RATE_HZ, stereo)
    return file, made


def test_duration_and_cadence_are_said(chillrig: Chillrig, take: tuple[Path, Shake]) -> None:
    file, made = take
    said = chillrig("hear", file)
    assert said.code == 0
    assert said.out.startswith(f"Shaken for {made.stop_s - made.start_s:.1f} s")
    told_hz, within_hz = (
        float(x) for x in re.search(r"([\d.]+) strokes a second \(±([\d.]+)\)", said.out).groups()
    )
    assert told_hz == pytest.approx(made.cadence_hz, abs=within_hz)


def test_what_was_heard_is_noted_on_a_run_with_its_reason(
    chillrig: Chillrig, take: tuple[Path, Shake], bench: Path, tmp_path: Path
) -> None:
    file, made = take
    book = tmp_path / "bar.sqlite"
    assert chillrig("import", bench, "--logbook", book).code == 0
    said = json.loads(chillrig("hear", file, "--run", "a1", "--logbook", book, "--json").out)
    assert said["noted_on"] == "a1"
    assert said["duration_s"] == pytest.approx(made.stop_s - made.start_s, abs=0.2)
    with open_logbook(book) as logbook:
        (stored,) = logbook.benches()
        assert logbook.run(stored.name, "a1").duration_s == pytest.approx(said["duration_s"], abs=0.06)
        heard_hz = float(logbook.run(stored.name, "a1").extra[HEARD_HZ])
        assert heard_hz == pytest.approx(said["cadence_hz"], abs=0.006)
        assert any(change.why == "heard in take.wav" for change in logbook.history(stored.name, "a1"))


@pytest.mark.parametrize(
    ("content", "says"), [(None, "no such file"), (b"RIFF", "no sound"), (b"", "no sound")]
)
def test_what_is_no_sound_is_refused_in_one_line(
    chillrig: Chillrig, tmp_path: Path, content: bytes | None, says: str
) -> None:
    file = tmp_path / "x.wav"
    if content is not None:
        file.write_bytes(content)
    said = chillrig("hear", file)
    assert (said.code, said.err.count("\n")) == (1, 1)
    assert says in said.err
