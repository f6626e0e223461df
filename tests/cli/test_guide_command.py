"""The guide on the command line is the dashboard's, and the commands it names are there."""

from __future__ import annotations

import json
import re

from rig.guide import chapters, guide_text
from tests.cli.conftest import Chillrig


def test_the_commands_that_it_names_are_there(chillrig: Chillrig) -> None:
    listed = chillrig("--help").out
    for name in set(re.findall(r"`chillrig ([a-z]+)", guide_text())):
        assert re.search(rf"^\W*{name}\s", listed, re.M), name


def test_the_command_line_prints_the_same_text(chillrig: Chillrig) -> None:
    told = json.loads(chillrig("guide", "--json").out)["chapters"]
    assert {c["heading"]: c["text"] for c in told} == chapters()
    said = chillrig("guide", "weigh")
    assert (said.code, said.err) == (0, "")
    assert "How to weigh" in said.out
    assert "**" not in said.out
    missed = chillrig("guide", "gravel")
    assert missed.code == 1
    assert "gravel" in missed.err
