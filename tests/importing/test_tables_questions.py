"""What a file leaves open is asked, the answer settles it, and what was assumed or dropped is said."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import rig
from rig.errors import TableRefused
from rig.importing.tables import Role, Table, TableProfile, TimeUnit, table_from_bytes
from rig.runs import Gravity


def read(text: str, **settings: Any) -> Table:
    return table_from_bytes(text.encode(), "bench.csv", **settings)


def rows(pattern: str, n: int = 8) -> str:
    """`n` lines of a pattern with {i} counting from 0 and {t} falling from 20.0."""
    return "".join(
        pattern.format(i=i, t=f"{20 - i:.1f}", tc=f"{20 - i:.1f}".replace(".", ",")) + "\n" for i in range(n)
    )


QUESTIONS = [
    ("Date,Temp (C)\n05/06/2026 10:15,20\n07/08/2026 10:15,19\n", {"day_first": True}, 63 * 86400.0),
    ("Date,Temp (C)\n05/06/2026 10:15,20\n07/08/2026 10:15,19\n", {"day_first": False}, 63 * 86400.0),
    ("time,temp_c\n" + rows("{i}00,{t}"), {"time_unit": "ms"}, 0.1),
    ("time,temp_c\n" + rows("{i}00,{t}"), {"time_unit": TimeUnit.SECONDS}, 100.0),
    ("Time,Temp (C)\n" + rows("14:0{i},{t}"), {"time_unit": "mm:ss"}, 1.0),
    ("Time,Temp (C)\n" + rows("14:0{i},{t}"), {"time_unit": "hh:mm"}, 60.0),
    ("temp_c\n" + rows("{t}"), {"interval_s": 0.2}, 0.2),
    ("n;temp_c\n" + rows("{i};{t}"), {"interval_s": 0.5}, 0.5),
    (rows("{i};{t}"), {"time_unit": "s"}, 1.0),
    ("t1 (s),T (C),t2 (s),m (g)\n" + rows("{i},{t},{i}.5,40{i}"), {"curves": "1"}, 1.0),
    ("time_s,temp_c\n" + rows("{i},{t}") + rows("{i},{t}").replace(".0", ".5"), {"recording": 2}, 1.0),
    ("time_s,temp\n" + rows("{i},1{t}"), {"columns": {"temp": "°F"}}, 1.0),
    ("time_s,weight\n" + rows("{i},0.41{i}"), {"columns": {"weight": "kg"}}, 1.0),
    ("time;weight_g\n" + rows("{i};1,20{i}"), {"decimal": "."}, 1.0),
    ("time;weight_g\n" + rows("{i};1,20{i}"), {"decimal": ","}, 1.0),
]


@pytest.mark.parametrize(("text", "answer", "step_s"), QUESTIONS)
def test_an_open_file_is_refused_with_the_setting_that_settles_it(
    text: str, answer: dict[str, Any], step_s: float
) -> None:
    with pytest.raises(TableRefused) as refusal:
        read(text)
    assert next(iter(answer)) in refusal.value.cure
    table = read(text, **answer)
    assert np.diff(table.channels[0].time_s) == pytest.approx(step_s)
    again = table_from_bytes(text.encode(), "bench.csv", TableProfile.from_dict(table.settled.to_dict()))
    assert np.array_equal(again.channels[0].value, table.channels[0].value)


def test_day_first_and_month_first_give_their_own_day() -> None:
    text = "Date,Temp (C)\n" + rows("05/06/2026 10:15:0{i},{t}")
    days = [read(text, day_first=answer).started_at for answer in (True, False)]
    assert days == [datetime(2026, 6, 5, 10, 15), datetime(2026, 5, 6, 10, 15)]  # noqa: DTZ001


@pytest.mark.parametrize(
    "text",
    [
        "Date,Temp (C)\n" + rows("13/06/2026 10:15:0{i},{t}"),  # a day above 12
        "Date (DD/MM/YYYY),Temp (C)\n" + rows("05/06/2026 10:15:0{i},{t}"),  # the header says
        "Datum;Temp (C)\n" + rows("05.06.2026 10:15:0{i};{t}"),  # dots
        "Date,Temp (C)\n05/06/2026 23:59:59,20\n06/06/2026 00:00:00,19\n06/06/2026 00:00:01,18\n",  # midnight
    ],
)
def test_evidence_inside_the_file_settles_the_order_of_day_and_month(text: str) -> None:
    started = read(text).started_at
    assert started is not None
    assert started.month == 6


@pytest.mark.parametrize(
    ("settings", "reason"),
    [
        ({"colour": "red"}, "no setting 'colour'"),
        ({"time_unit": "fortnights"}, "no time unit"),
        ({"decimal": ":"}, "neither"),
        ({"delimiter": "ab"}, "one character"),
        ({"interval_s": -1}, "interval_s"),
        ({"recording": 0}, "counts from 1"),
        ({"recording": 3}, "one recording"),
        ({"encoding": "no-such"}, "no encoding"),
        ({"columns": {"nowhere": "g"}}, "no column 'nowhere'"),
        ({"columns": {"temp_c": "furlong"}}, "no unit or quantity"),
        ({"time_column": "nowhere"}, "no column 'nowhere'"),
    ],
)
def test_a_setting_that_cannot_be_is_refused_by_name(settings: dict[str, Any], reason: str) -> None:
    with pytest.raises(TableRefused, match=reason):
        read("time_s,temp_c\n" + rows("{i},{t}"), **settings)


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(TableRefused, match="cannot be read"):
        rig.read_table(tmp_path / "gone.csv")


def test_columns_are_told_by_header_name_or_number() -> None:
    text = "time_s,A,B,C\n" + rows("{i},{t},40{i},7")
    for keys in (("A", "B", "C"), ("2", "3", "4"), ("a", "b", "4")):
        table = read(text, columns=dict(zip(keys, ("°F", "kg", "ignore"), strict=True)))
        assert [c.role for c in table.channels] == [Role.TEMPERATURE, Role.MASS]
        assert table.channels[0].value[0] == pytest.approx(-6.666667)
        assert table.channels[1].value[0] == 400_000


def test_a_quantity_is_told_by_word() -> None:
    table = read("time_s,A\n" + rows("{i},{t}"), columns={"A": "humidity"})
    assert (table.channels[0].role, table.channels[0].unit) == ("humidity", "%")


def test_the_profile_survives_toml_and_dict() -> None:
    profile = TableProfile(
        delimiter="\t",
        decimal=",",
        encoding="cp1252",
        day_first=False,
        time_column='Zeit "s"',
        time_unit=TimeUnit.MINUTES_SECONDS,
        interval_s=0.25,
        columns={"T °C\\": "°C", "1": "ignore"},
        sheet="Blatt 1",
        recording=2,
    )
    assert TableProfile.from_dict(profile.to_dict()) == profile
    assert TableProfile.from_dict(profile.to_dict()) == profile
    assert TableProfile().to_dict() == {}


def test_settings_go_before_the_profile() -> None:
    text = "temp_c\n" + rows("{t}")
    table = table_from_bytes(text.encode(), "bench.csv", TableProfile(interval_s=1.0), interval_s=2.0)
    assert table.channels[0].time_s[1] == 2.0


def test_the_report_says_what_was_taken_and_what_was_dropped() -> None:
    text = (
        "No;time_s;temp;scale\n"
        + rows("{i};{i};{t};40{i}").replace("15.0", "OL").replace("18.0", "")
        + "End;;;\n"
    )
    report = read(text).report
    taken = {c.header: c.taken_for for c in report.columns}
    assert taken == {
        "No": "row number, not used",
        "time_s": "time",
        "temp": "temperature in °C",
        "scale": "mass in g",
    }
    assert "assumed" in next(c.why for c in report.columns if c.header == "temp")
    dropped = {(d.what, d.column): (d.count, d.lines) for d in report.dropped}
    assert dropped["missing value", "temp"] == (1, (4,))
    assert dropped["overload or fault mark 'OL'", "temp"] == (1, (7,))
    assert ("row without a time, such as 'End'", None) in dropped
    assert {f.gravity for f in report.findings()} == {Gravity.LEFT_OUT}
    assert [f.place.line for f in report.findings()] == [d.lines[0] for d in report.dropped]


@pytest.mark.parametrize(
    ("fault", "first_line"),
    [("-127.0", 4), ("999.9", 4), ("1372", 4), ("-999.9", 4), ("3276.7", 4)],
)
def test_a_lost_probe_s_value_is_left_out_and_named(fault: str, first_line: int) -> None:
    table = read("time_s,temp_c\n" + rows("{i},{t}").replace("18.0", fault))
    assert len(table.channels[0].value) == 7
    assert table.channels[0].value.max() == 20.0
    assert [d.lines[0] for d in table.report.dropped] == [first_line]
    assert f"fault value {float(fault):g}" in str(table.report)


@pytest.mark.parametrize("unit", ["°C", "°F"])
def test_a_power_on_value_is_left_out_in_either_unit(unit: str) -> None:
    on, values = ("85.0", (20, 19.5, 19)) if unit == "°C" else ("185.0", (68, 67, 66))
    text = f"time_s,probe ({unit})\n0,{on}\n" + "".join(f"{i},{v}\n" for i, v in enumerate(values, 1))
    table = read(text)
    assert len(table.channels[0].value) == 3
    assert "power-on" in str(table.report)
    assert table.own_zero_s == 1.0


@pytest.mark.parametrize(
    "values",
    [
        (85.0, 84.1, 83.3, 82.6, 81.9),  # hot coffee that cools
        (85.0, 71.0, 59.0, 49.0, 41.0),  # hot coffee poured on ice
        (85.0, 85.0, 85.0, 85.0, 85.0),  # a bath held at 85 °C
        (60.0, 72.0, 85.0, 74.0, 61.0),  # a passage through 85 °C
    ],
)
def test_coffee_at_85_degrees_is_kept(values: tuple[float, ...]) -> None:
    table = read("time_s,probe_c\n" + "".join(f"{i},{v}\n" for i, v in enumerate(values)))
    assert tuple(table.channels[0].value) == values


def test_a_sign_that_stands_apart_is_kept() -> None:
    text = "".join(f"10:15:{i:02d} ST,NT,{'-' if i % 2 else '+'}   {i}.5 g\n" for i in range(10))
    assert read(text).channels[0].value == pytest.approx([(-1) ** i * (i + 0.5) for i in range(10)])


def test_units_that_change_from_row_to_row_are_each_converted() -> None:
    text = "time_s,scale\n0,100 g\n1,0.1 kg\n2,3.527396 oz\n3,0.2204623 lb\n"
    assert read(text).channels[0].value == pytest.approx([100] * 4, rel=1e-6)


def test_letters_of_sibling_probes_are_no_units() -> None:
    table = read("time_s,Probe A,Probe B,Probe C\n" + rows("{i},{t},{t},{t}"))
    assert [c.name for c in table.channels] == ["Probe A", "Probe B", "Probe C"]


def test_a_temperature_never_becomes_time_by_its_name() -> None:
    """French 'temps' and Italian 'tempo' are times; English 'temp' and 'temps' are not."""
    assert [c.name for c in read("tempo;temp\n" + rows("{i},5;{tc}")).channels] == ["temp"]
    assert [c.name for c in read("temps;temp\n" + rows("{i},5;{tc}")).channels] == ["temp"]
    assert [c.name for c in read("time_s,temps (°C)\n" + rows("{i},{t}")).channels] == ["temps"]


def test_offsets_from_utc_are_kept_and_summer_time_may_end_inside() -> None:
    text = (
        "t,temp_c\n2026-10-25T02:59:59+02:00,20\n2026-10-25T02:00:00+01:00,19\n2026-10-25T02:00:01+01:00,18\n"
    )
    table = read(text)
    assert list(table.channels[0].time_s) == [0, 1, 2]
    assert table.started_at == datetime(2026, 10, 25, 0, 59, 59, tzinfo=UTC)


def test_the_file_s_own_zero_is_kept() -> None:
    table = read("time_s,temp_c\n" + "".join(f"{i - 3},{20 - i}\n" for i in range(6)))
    assert table.own_zero_s == -3.0
    assert table.channels[0].time_s[0] == 0.0


def test_a_preamble_gives_the_interval_the_start_and_the_unit() -> None:
    text = "Start: 2026-03-14 10:15:00\nRate: 4 Hz\nUnit: °F\nSample,Temp\n" + rows("{i},{t}")
    table = read(text)
    assert table.started_at == datetime(2026, 3, 14, 10, 15)  # noqa: DTZ001
    assert table.channels[0].time_s[1] == 0.25
    assert table.channels[0].value[0] == pytest.approx(-6.666667)


def test_a_clock_and_a_finer_counter_are_used_together() -> None:
    text = "time;ms;temp_c\n" + "".join(f"2026-03-14 10:15:0{i // 5};{i * 200};{20 - i}\n" for i in range(10))
    table = read(text)
    assert np.diff(table.channels[0].time_s) == pytest.approx(0.2)
    assert table.started_at == datetime(2026, 3, 14, 10, 15)  # noqa: DTZ001


def test_readings_under_a_word_for_time_never_replace_the_stamps() -> None:
    """Italian 'data' is a date; English 'data' is readings, finer than the stamps beside them."""
    text = "Time;Data\n" + "".join(f"10:15:0{i // 5};{20 + 0.01 * i:.2f}\n" for i in range(20))
    table = read(text)
    assert [c.name for c in table.channels] == ["Data"]
    assert np.diff(table.channels[0].time_s) == pytest.approx(0.2)
