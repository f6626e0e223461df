"""A file is shown before it is read for good, and one question at a time settles what it leaves open."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from rig.errors import TableRefused
from rig.importing.proposal import answered, propose, settle
from rig.importing.tables import Role
from rig.importing.tabular.profile import TableProfile, Use

OPEN = "".join(f"{'03/04' if s < 5 else '05/06'}/2026 21:04:{s:02d};{20 - s}\n" for s in range(9))
OPEN_DATES = f"Datum;Temp °C\n{OPEN}".encode()
CORPUS = Path(__file__).parent / "corpus" / "open"


def table(header: str, *rows: str) -> bytes:
    return "\n".join([header, *rows, ""]).encode()


QUESTIONS: list[tuple[bytes, str, str, dict[str, Any]]] = [
    (OPEN_DATES, "day_first", "day first", {"day_first": True}),
    (table("T (°C)", *["21", "20", "19", "18"]), "interval_s", "0,5", {"interval_s": 0.5}),
    (table("time,T1", *(f"{i},{150 - i}" for i in range(6))), "columns", "°F", {"columns": {"T1": "°F"}}),
    (table("time;temp_c", *(f"{i * 100};{9 - i}" for i in range(6))), "time_unit", "ms", {"time_unit": "ms"}),
    (table("clock;temp_c", *(f"14:0{i};{9 - i}" for i in range(6))), "time_unit", "mm:ss", {"time_unit": "mm:ss"}),
    (table("t_s,temp_c", *(f"{i % 5},{9 - i}" for i in range(10))), "recording", "2", {"recording": 2}),
    (table("0;24", *(f"{i / 2};{9 - i}" for i in range(1, 6))), "columns", "°C", {"columns": {"2": "°C"}}),
    (table("t [s];m [g]", *(f"{i};{i + 1},250" for i in range(6))), "decimal", ",", {"decimal": ","}),
    (table("t [s],A °C,t [s],B °C", *(f"{i},{9 - i},{2 * i},{8 - i}" for i in range(6))), "curves", "channels",
     {"curves": "channels"}),
]  # fmt: skip


@pytest.mark.parametrize(("raw", "setting", "text", "settings"), QUESTIONS)
def test_an_open_file_asks_one_question_and_its_answer_settles_it(
    raw: bytes, setting: str, text: str, settings: dict[str, Any]
) -> None:
    proposal = propose(raw, file="a.csv")
    question = proposal.questions[0]
    assert question.setting == setting and question.text
    assert question.answer(text) == settings
    with pytest.raises(TableRefused, match=f"Answer {setting} with"):
        settle(proposal)
    done = answered(proposal, question.answer(text))
    assert done.questions == () and done.table is not None
    channels = settle(proposal, settings)
    assert [c.role for c in channels] == [c.role for c in done.table.channels]


@pytest.mark.parametrize("setting", ["day_first", "interval_s"])
def test_what_is_no_answer_is_refused(setting: str) -> None:
    raw = next(raw for raw, name, _, _ in QUESTIONS if name == setting)
    with pytest.raises(TableRefused, match="'maybe' is"):
        propose(raw).questions[0].answer("maybe")


def test_a_proposal_says_what_each_column_and_the_time_were_taken_for() -> None:
    raw = table("Zeit [s];Fühler;Bemerkung", "0;21,5;", "1;OL;schütteln", "2;19,5;")
    proposal = propose(raw, file="log.csv")
    assert [c.taken_for for c in proposal.columns] == ["time", "temperature in °C", "text, not used"]
    assert proposal.time_basis.startswith("Zeit [s]: time")
    assert "overload" in str(proposal.dropped[0]) and proposal.dropped[0].lines == (3,)
    assert proposal.preview[0].startswith("Zeit [s];Fühler")


@pytest.mark.parametrize(
    "name", ["no_measurement.csv", "picture.csv", "prose.txt", "records.json", "empty.csv"]
)
def test_what_no_answer_can_mend_is_refused_at_once(name: str) -> None:
    with pytest.raises(TableRefused):
        propose(CORPUS / name)


def test_a_use_tells_the_quantity_and_is_kept_with_the_channel() -> None:
    raw = table("t_s;a;b;c;d", *(f"{i};{20 - i};{300 + i},5;21;{i % 2}" for i in range(6)))
    uses = {"a": "probe", "b": "scale", "c": "room", "d": "ignore"}
    channels = settle(propose(raw), {"uses": uses})
    assert [(c.name, c.role, c.use) for c in channels] == [
        ("a", Role.TEMPERATURE, Use.PROBE),
        ("b", Role.MASS, Use.SCALE),
        ("c", Role.TEMPERATURE, Use.ROOM),
    ]


def test_a_profile_keeps_what_is_settled_for_like_files_and_nothing_of_one_recording() -> None:
    proposal = answered(propose(OPEN_DATES), {"day_first": True, "uses": {"2": "probe"}, "recording": 1})
    kept = TableProfile.from_dict(proposal.to_remember().to_dict())
    assert kept.day_first is True and kept.uses == {"2": Use.PROBE} and kept.recording is None
    other = OPEN_DATES.replace(b"03/04", b"07/08")
    assert propose(other).questions and not propose(other, kept).questions


def test_an_interval_above_a_table_is_not_remembered_for_another_one() -> None:
    raw = b"Interval: 500 ms\n" + table(
        "n;T (\xc2\xb0C)".encode("latin-1").decode("latin-1"), "1;20", "2;19", "3;18"
    )
    proposal = propose(raw)
    assert proposal.questions == () and proposal.to_remember().interval_s is None


def test_files_of_one_logger_have_one_shape_and_others_another() -> None:
    shape = propose(OPEN_DATES).shape
    assert propose(OPEN_DATES.replace(b"21:04", b"22:09").replace(b"Datum", b"DATUM")).shape == shape
    assert propose(OPEN_DATES.replace("Temp °C".encode(), "Temp °F".encode())).shape != shape
    assert propose(OPEN_DATES.replace(b";", b"\t")).shape != shape


def test_answers_add_to_earlier_ones() -> None:
    told = TableProfile(columns={"a": "°C"}, day_first=True)
    joined = told.joined(TableProfile(columns={"b": "g"}, interval_s=0.5))
    assert joined.columns == {"a": "°C", "b": "g"} and joined.day_first is True and joined.interval_s == 0.5
