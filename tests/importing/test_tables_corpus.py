"""Every file of the corpus reads as its manifest says, or is refused for the reason it gives."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import rig
from rig.importing.tables import Table, TableProfile, read_table

CORPUS = Path(__file__).parent / "corpus"
PARTS = ("open", "held_back", "unseen", "unseen_again", "unseen_third", "unseen_fourth")


def entries(*, refused: bool) -> list[Any]:
    """The manifests' entries with their folder, as test parameters."""
    return [
        pytest.param(CORPUS / part / entry["file"], entry, id=f"{part}-{entry['file']}-{n}")
        for part in PARTS
        for n, entry in enumerate(json.loads((CORPUS / part / "manifest.json").read_text(encoding="utf-8")))
        if ("refused" in entry) == refused
    ]


@pytest.mark.parametrize(("path", "expected"), entries(refused=False))
def test_the_table_reads_as_the_manifest_says(path: Path, expected: dict[str, Any]) -> None:
    table = rig.read_table(path, **expected.get("settings", {}))
    assert [c.role for c in table.channels] == [c["role"] for c in expected["channels"]]
    for channel, wanted in zip(table.channels, expected["channels"], strict=True):
        assert len(channel.value) == wanted["rows"]
        assert channel.value[[0, -1]] == pytest.approx(
            [wanted["first"], wanted["last"]], rel=wanted["tolerance"], abs=wanted["tolerance"]
        )
        assert channel.name == wanted.get("name", channel.name)
    longest = max(table.channels, key=lambda c: c.time_s[-1])
    assert longest.time_s[-1] == pytest.approx(expected["duration_s"], abs=1e-3)
    assert np.median(np.diff(table.channels[0].time_s)) == pytest.approx(expected["step_s"], abs=1e-3)
    if "started_at" in expected:
        assert table.started_at is not None
        assert table.started_at.isoformat() == expected["started_at"]
    for word in expected.get("said", []):
        assert word in str(table.report)


@pytest.mark.parametrize(("path", "expected"), entries(refused=True))
def test_the_file_is_refused_for_the_reason_the_manifest_gives(path: Path, expected: dict[str, Any]) -> None:
    with pytest.raises(rig.TableRefused) as refusal:
        rig.read_table(path, **expected.get("settings", {}))
    for word in expected["refused"]:
        assert word in str(refusal.value)
    assert refusal.value.cure
    if "line" in expected:
        assert refusal.value.line == expected["line"]


@pytest.mark.parametrize(("path", "expected"), entries(refused=False))
def test_channels_are_finite_rise_in_time_and_start_at_zero(path: Path, expected: dict[str, Any]) -> None:
    table = rig.read_table(path, **expected.get("settings", {}))
    assert min(c.time_s[0] for c in table.channels) == 0.0
    for channel in table.channels:
        assert channel.time_s.dtype == channel.value.dtype == np.float64
        assert np.isfinite(channel.value).all()
        assert (np.diff(channel.time_s) > 0).all()


@pytest.mark.parametrize(("path", "expected"), entries(refused=False))
def test_the_settled_profile_reads_the_file_the_same_through_toml(
    path: Path, expected: dict[str, Any]
) -> None:
    table = rig.read_table(path, **expected.get("settings", {}))
    again = read_table(path, TableProfile.from_dict(table.settled.to_dict()))
    assert_same(again, table)
    assert again.started_at == table.started_at


@pytest.mark.parametrize(("path", "expected"), entries(refused=False))
def test_every_column_of_the_file_is_accounted_for(path: Path, expected: dict[str, Any]) -> None:
    report = rig.read_table(path, **expected.get("settings", {})).report
    positions = [c.position for c in report.columns]
    assert positions == sorted(set(positions))
    assert positions[0] == 1
    assert all(c.taken_for and c.why for c in report.columns)


def test_the_corpus_is_as_large_as_promised() -> None:
    files = {path for kind in (True, False) for path in (e.values[0] for e in entries(refused=kind))}
    held = [p for p in files if p.parent.name == "held_back"]
    assert len(files) >= 200
    assert len(held) >= 40


def assert_same(a: Table, b: Table) -> None:
    """The channels of both tables are equal, number by number."""
    assert [(c.name, c.role) for c in a.channels] == [(c.name, c.role) for c in b.channels]
    for mine, theirs in zip(a.channels, b.channels, strict=True):
        assert np.array_equal(mine.value, theirs.value)
        assert np.array_equal(mine.time_s, theirs.time_s)
