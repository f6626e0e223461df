"""`chillrig sync`: what came and went, what waits and since when, and what two people corrected side by side."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cli.conftest import Chillrig
from tests.cli.small_bench import WRONG_RUN


def test_a_sync_tells_what_it_did_and_remembers_with_whom(
    chillrig: Chillrig, bench: Path, tmp_path: Path
) -> None:
    here, shared = tmp_path / "here.sqlite", tmp_path / "shared.sqlite"
    assert chillrig("import", bench, "--logbook", here).code == 0
    said = chillrig("sync", "--logbook", here)
    assert said.code == 1 and "Name it: chillrig sync ADDRESS" in said.err
    assert "brought together with no other" in chillrig("sync", "--waiting", "--logbook", here).out
    said = chillrig("sync", shared, "--logbook", here)
    assert said.code == 1 and "Make it first: chillrig logbook create" in said.err and not shared.exists()
    assert chillrig("logbook", "create", "--logbook", shared).code == 0
    said = chillrig("sync", shared.name, "--logbook", here)
    assert said.code == 0 and said.out.startswith("0 came, ") and "Nothing waits for" in said.out
    told = json.loads(chillrig("sync", "--json", "--logbook", here).out)
    assert (told["received"], told["sent"], told["left"]["waiting"]) == (0, 0, 0)
    edit = ("runs", WRONG_RUN, "--set", "notes=wet", "--why", "seen", "--logbook")
    assert chillrig(*edit, here).code == 0
    left = json.loads(chillrig("sync", "--waiting", "--json", "--logbook", here).out)
    assert left["waiting"] == 1 and left["since"] and left["address"] == str(shared)


def test_two_corrections_side_by_side_are_told_and_settled(
    chillrig: Chillrig, bench: Path, tmp_path: Path
) -> None:
    here, there, shared = (tmp_path / f"{name}.sqlite" for name in ("here", "there", "shared"))
    assert chillrig("import", bench, "--logbook", here).code == 0
    for file in (there, shared):
        assert chillrig("logbook", "create", "--logbook", file).code == 0
    for file in (here, there):
        assert chillrig("sync", shared, "--logbook", file).code == 0
    for file, value in ((here, "181"), (there, "182")):
        edit = (
            "runs",
            WRONG_RUN,
            "--set",
            f"ice_mass_g={value}",
            "--why",
            f"found {value}",
            "--logbook",
            file,
        )
        assert chillrig(*edit).code == 0
        said = chillrig("sync", "--logbook", file)
    assert "Corrected by two people side by side" in said.out and f"run {WRONG_RUN}: ice_mass_g" in said.out
    shown = json.loads(chillrig("runs", WRONG_RUN, "--json", "--logbook", there).out)
    assert {c["why"] for c in shown["side_by_side"]["ice_mass_g"]} == {"found 181", "found 182"}
    settle = ("runs", WRONG_RUN, "--set", "ice_mass_g=181", "--why", "asked both", "--logbook", there)
    assert chillrig(*settle).code == 0
    shown = json.loads(chillrig("runs", WRONG_RUN, "--json", "--logbook", there).out)
    assert shown["side_by_side"] == {} and shown["ice_mass_g"] == 181.0
