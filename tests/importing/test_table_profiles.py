"""Answers about a logger's files are kept in the logbook, found by name and by the shape of a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.errors import NotFound
from rig.importing.tabular.profile import TableProfile, TimeUnit, Use
from rig.logbook.profiles import StoredProfile, keep_profile, profile_for, profile_named, profiles
from rig.logbook.store import open_logbook

TOLD = TableProfile(
    day_first=True, time_unit=TimeUnit.MILLISECONDS, columns={"T=1": "°F"}, uses={"2": Use.ROOM}
)


def test_a_profile_survives_closing_and_is_found_by_name_and_shape(tmp_path: Path) -> None:
    file = tmp_path / "bar.sqlite"
    with open_logbook(file) as logbook:
        keep_profile(logbook, StoredProfile("bar probe", "2';',zeit|t", TOLD.to_dict()))
    with open_logbook(file) as logbook:
        by_name, by_shape = profile_named(logbook, "bar probe"), profile_for(logbook, "2';',zeit|t")
        assert by_shape == by_name and TableProfile.from_dict(by_name.settings) == TOLD
        assert profile_for(logbook, "3';',zeit|t") is None


def test_a_profile_of_the_same_name_is_replaced(tmp_path: Path) -> None:
    with open_logbook(tmp_path / "bar.sqlite") as logbook:
        for decimal in ".,":
            keep_profile(logbook, StoredProfile("p", "shape", {"decimal": decimal}))
        assert [p.settings for p in profiles(logbook)] == [{"decimal": ","}]


def test_a_name_that_is_not_there_is_told_with_the_ones_that_are(tmp_path: Path) -> None:
    with open_logbook(tmp_path / "bar.sqlite") as logbook:
        keep_profile(logbook, StoredProfile("bar probe", "s", {}))
        with pytest.raises(NotFound, match="did you mean 'bar probe'"):
            profile_named(logbook, "bar prob")
