"""What a table tells by itself: by the shape of its readings, its one day, its curves side by side, its commas."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import TableRefused
from rig.importing.proposal import answered, propose
from rig.importing.tables import Role, Table, table_from_bytes

TIME_S = np.arange(0.0, 40.0, 0.5)
DRINK_C = np.where(TIME_S < 10, 24.0, -2.0 + 26.0 * np.exp(-(TIME_S - 10.0) / 10.0))


def lines(*rows: str) -> bytes:
    return "\n".join([*rows, ""]).encode()


def read(*rows: str, **settings: object) -> Table:
    return table_from_bytes(lines(*rows), "a.csv", **settings)


def pairs(values: np.ndarray, form: str = "{:.1f};{:.2f}") -> list[str]:
    return [form.format(t, v) for t, v in zip(TIME_S, values, strict=True)]


@pytest.mark.parametrize("comma", [False, True])
def test_two_columns_that_nothing_names_are_a_drink_on_ice_where_they_can_be_nothing_else(
    comma: bool,
) -> None:
    rows = pairs(DRINK_C)
    table = read(*(r.replace(".", ",") if comma else r for r in rows))
    (channel,) = table.channels
    assert channel.role is Role.TEMPERATURE
    np.testing.assert_allclose(channel.value, DRINK_C, atol=0.006)
    np.testing.assert_allclose(channel.time_s, TIME_S)
    assert "as a drink on ice" in table.report.columns[1].why


@pytest.mark.parametrize(
    "value",
    [
        1.8 * DRINK_C + 32.0,  # the same in °F
        DRINK_C + 273.15,
        np.where(TIME_S < 10, 24.0, 2.0),  # a scale from which something is lifted
        np.linspace(20.0, 22.0, 80),  # a room
        20.0 + 15.0 * np.sin(TIME_S),
        400.0 - 5.0 * TIME_S,
        DRINK_C[::-1],
    ],
)
def test_readings_that_may_be_something_else_are_asked_about(value: np.ndarray) -> None:
    proposal = propose(lines(*pairs(value)), file="a.csv")
    assert proposal.questions and proposal.questions[0].setting == "columns"


def test_a_file_of_one_day_is_read_though_its_date_stays_open() -> None:
    rows = [f"03/04/2026 21:04:{s:02d};{20 - s}" for s in range(9)]
    table = read("Datum;Temp °C", *rows)
    assert table.started_at is None and table.clock_s == 21 * 3600 + 4 * 60
    np.testing.assert_array_equal(table.channels[0].time_s, np.arange(9.0))
    assert any("day-month-year or month-day-year" in n for n in table.report.notes)
    told = read("Datum;Temp °C", *rows, day_first=True)
    assert told.started_at is not None and (told.started_at.month, told.started_at.day) == (4, 3)
    apart = read("Datum;Uhrzeit;Temp °C", *(r.replace(" ", ";") for r in rows))
    assert apart.clock_s == table.clock_s and len(apart.channels) == 1


SIDE_BY_SIDE = [
    "time (s);probe (°C);time (s);probe (°C)",
    *(f"{t:.1f};{v:.2f};{1.5 * t + 3:.2f};{v + 3:.2f}" for t, v in zip(TIME_S, DRINK_C, strict=True)),
]


def test_curves_side_by_side_are_asked_about_once_and_then_two_channels_or_two_runs() -> None:
    proposal = propose(lines(*SIDE_BY_SIDE), file="a.csv")
    (question,) = proposal.questions
    assert question.setting == "curves" and question.choices == ("channels", "1", "2")
    both = answered(proposal, question.answer("channels")).table
    assert both is not None and [c.name for c in both.channels] == ["probe", "probe (2)"]
    first, second = both.channels
    np.testing.assert_allclose(first.time_s, TIME_S)
    np.testing.assert_allclose(second.time_s, 1.5 * TIME_S + 3.0)
    np.testing.assert_allclose(second.value, DRINK_C + 3.0, atol=0.006)
    one = answered(proposal, question.answer("2")).table
    assert one is not None and len(one.channels) == 1
    np.testing.assert_allclose(one.channels[0].value, second.value)
    np.testing.assert_allclose(one.channels[0].time_s, second.time_s - 3.0)
    with pytest.raises(TableRefused, match="names none"):
        read(*SIDE_BY_SIDE, curves="3")


def test_curves_of_different_length_lose_nothing() -> None:
    ragged = [r if n < 41 else f";;{';'.join(r.split(';')[2:])}" for n, r in enumerate(SIDE_BY_SIDE)]
    first, second = read(*ragged, curves="channels").channels
    assert (len(first.value), len(second.value)) == (40, 80)


HALF = len(TIME_S) // 2
COMMA_PARTS = ["{:.0f},{:.1f}".format(*p) for p in zip(range(40), DRINK_C[:HALF], strict=True)]


@pytest.mark.parametrize(
    "later",
    [
        [f"{n};{v:.1f}".replace(".", ",") for n, v in zip(range(40, 80), DRINK_C[HALF:], strict=True)],
        [f"{n},{v:.1f}".replace(".", ",") for n, v in zip(range(40, 80), DRINK_C[HALF:], strict=True)],
        [f"{n}\t{v:.1f}".replace(".", ",") for n, v in zip(range(40, 80), DRINK_C[HALF:], strict=True)],
    ],
)
@pytest.mark.parametrize("swapped", [False, True])
def test_a_comma_that_turns_from_delimiter_to_decimal_mark_is_refused(
    later: list[str], swapped: bool
) -> None:
    halves = (later, COMMA_PARTS) if swapped else (COMMA_PARTS, later)
    with pytest.raises(TableRefused, match="the comma parts the cells") as refused:
        read("time (s),probe (°C)", *halves[0], *halves[1])
    assert refused.value.line == 42


def test_numbers_above_a_table_are_not_taken_for_another_half() -> None:
    table = read(
        "7,1", "2,5", "serial;12", "time (s);probe (°C)", *(p.replace(".", ",") for p in pairs(DRINK_C))
    )
    assert len(table.channels[0].value) == 80
