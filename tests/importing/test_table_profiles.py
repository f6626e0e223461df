"""Answers about a logger's files are kept in the logbook, found by name and shape, and offered by likeness."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.errors import NotFound
from rig.importing.proposal import propose, propose_by, propose_by_named
from rig.importing.tabular.likeness import Shape, offer_for
from rig.importing.tabular.profile import TableProfile, TimeUnit, Use
from rig.logbook.profiles import StoredProfile, keep_profile, profile_named, profiles
from rig.logbook.store import open_logbook

TOLD = TableProfile(
    day_first=True, time_unit=TimeUnit.MILLISECONDS, columns={"T=1": "°F"}, uses={"2": Use.ROOM}
)


def test_a_profile_survives_closing_and_is_found_by_name(tmp_path: Path) -> None:
    file = tmp_path / "bar.sqlite"
    with open_logbook(file) as logbook:
        keep_profile(logbook, StoredProfile("bar probe", "2';',zeit|t", TOLD.to_dict()))
    with open_logbook(file) as logbook:
        named = profile_named(logbook, "bar probe")
        assert profiles(logbook) == (named,) and named.shape == "2';',zeit|t"
        assert TableProfile.from_dict(named.settings) == TOLD


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


# -- by shape, and by likeness

ROWS = "".join(f"03/04/2026 21:04:{s:02d};{20 - s},5;{70 + s},5;{s + 300}\n" for s in range(30))


def table(header: str, rows: str = ROWS) -> bytes:
    """A table of stamps that may be of April or of March, with as many of its columns as the header names."""
    cut = [";".join(row.split(";")[: header.count(";") + 1]) for row in rows.splitlines()]
    return "\n".join([header, *cut, ""]).encode()


def kept(header: str, **settings: object) -> StoredProfile:
    return StoredProfile(
        "bar probe", propose(table(header)).shape, TableProfile().with_settings(settings).to_dict()
    )


@pytest.mark.parametrize("header", ["Zeit;Probe °C;Room °F;load (g)", "Zeit;Probe °C", "Zeit;;Room °F"])
def test_a_shape_is_read_back_from_its_text(header: str) -> None:
    text = propose(table(header)).shape
    shape = Shape.from_text(text)
    assert shape is not None and str(shape) == text
    assert shape.labels == tuple(h.casefold() for h in header.split(";"))


@pytest.mark.parametrize(
    "text", ["", "zeit|t", "2';',zeit", "2';',zeit|a|b", "x';',zeit|t", "2'',zeit|t", "2';"]
)
def test_a_text_that_is_no_shape_is_like_nothing(text: str) -> None:
    assert Shape.from_text(text) is None
    assert offer_for("2';',zeit|t", ("Zeit", "T"), [StoredProfile("p", text, {})]) is None


def test_files_of_the_same_shape_are_read_by_the_answers_kept_for_them() -> None:
    mine = kept("Zeit;Probe °C", day_first=True)
    look = propose_by([kept("Zeit;Scale g"), mine], table("Zeit;Probe °C"), TableProfile())
    assert look.kept == "bar probe" and look.offer is None
    assert look.started_at is not None and look.started_at.month == 4
    told = propose_by([mine], table("Zeit;Probe °C"), TableProfile(day_first=False))
    assert told.started_at is not None and told.started_at.month == 3


@pytest.mark.parametrize(
    ("header", "differs"),
    [
        ("Zeit;Probe °C;Room °F", ["it also has 'Room °F'"]),
        ("Zeit;Probe 2 °C", ["it has 'Probe 2 °C' where they have 'probe °c'"]),
        ("Zeit;Probe °F", ["it has 'Probe °F' where they have 'probe °c'"]),
    ],
)
def test_answers_for_files_much_like_one_are_offered_with_what_differs(
    header: str, differs: list[str]
) -> None:
    look = propose_by([kept("Zeit;Probe °C", day_first=True)], table(header), TableProfile())
    assert look.kept == "" and look.offer is not None and look.offer.name == "bar probe"
    assert list(look.offer.differs) == differs
    assert look.started_at is None  # nothing is read by them before somebody says so


@pytest.mark.parametrize("header", ["Stamp;Scale g", "Zeit;load g", "clock;Room °F;Humidity %;Pressure hPa"])
def test_answers_for_other_files_are_not_offered(header: str) -> None:
    assert propose_by([kept("Zeit;Probe °C", day_first=True)], table(header), TableProfile()).offer is None


def test_the_likest_of_several_is_offered_and_of_equals_the_one_kept_last() -> None:
    two, three = kept("Zeit;Probe °C"), kept("Zeit;Probe °C;Room °F")
    files = [StoredProfile(n, p.shape, {}) for n, p in (("new", two), ("three", three), ("old", two))]
    look = propose_by(files, table("Zeit;Probe °C;Room °F;load (g)"), TableProfile())
    assert look.offer is not None and look.offer.name == "three"
    look = propose_by([files[0], files[2]], table("Zeit;Probe °C;Room °F"), TableProfile())
    assert look.offer is not None and look.offer.name == "new"


def test_what_was_told_of_a_column_goes_to_where_that_column_now_stands() -> None:
    """By its number, by its header, by its header without the unit; of a column that is gone, nothing is told."""
    mine = kept(
        "Zeit;Probe °C;Room;load (g)",
        uses={"3": "room", "load": "ignore"},
        columns={"Room": "°F"},
        time_column="1",
        delimiter=";",
        decimal=",",
    )
    moved = table("Room;Probe °C;Zeit", "".join(f"{70 + s};{20 - s};{s}\n" for s in range(30)))
    look = propose_by_named(mine, moved, TableProfile())
    assert look.questions == () and look.kept == "bar probe" and look.table is not None
    assert {c.name: c.use for c in look.table.channels} == {"Room": Use.ROOM, "Probe": None}
    room = next(c for c in look.table.channels if c.name == "Room")
    assert room.value[0] == pytest.approx((70 - 32) / 1.8)


def test_a_file_that_is_cut_otherwise_is_read_as_it_is_cut() -> None:
    mine = kept("Zeit;Probe °C", day_first=True, delimiter=";", decimal=",")
    tabs = table("Zeit;Probe °C").replace(b",", b".").replace(b";", b"\t")
    look = propose_by([mine], tabs, TableProfile())
    assert look.offer is not None
    assert list(look.offer.differs) == [
        "it is cut at tabs, they at ';'",
        "its decimals stand behind a point, theirs behind a comma",
    ]
    read = propose(tabs, look.offer.settings)
    assert read.table is not None and read.table.started_at is not None and read.table.started_at.month == 4
