"""Tables in unusual shapes: lines that name their values, tables on their side, amounts in two units."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.importing.tables import Role, Table, table_from_bytes
from rig.importing.tabular.cells import Kind, read_cell

temps = st.lists(st.integers(-1900, 7900).map(lambda v: v / 100), min_size=6, max_size=30)


def read(text: str) -> Table:
    return table_from_bytes(text.encode(), "shape.txt")


@settings(max_examples=60, deadline=None, derandomize=True)
@given(temps, st.sampled_from(["{n}={v}", "{n}: {v}", "{n} = {v}"]), st.sampled_from([" ", ", ", "; ", "\t"]))
def test_lines_that_name_their_values_read_as_their_table(
    values: list[float], one: str, between: str
) -> None:
    lines = []
    for i, v in enumerate(values):
        cells = [("t_ms", i * 250), ("probe_C", v), ("scale_g", 300 + i)]
        lines.append(between.join(one.format(n=n, v=x) for n, x in cells))
    probe, scale = read("\n".join(lines) + "\n").channels
    assert (probe.name, probe.role, scale.name, scale.role) == ("probe", Role.TEMPERATURE, "scale", Role.MASS)
    assert probe.value == pytest.approx(values)
    assert probe.time_s == pytest.approx(np.arange(len(values)) * 0.25)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(temps, st.sampled_from([(",", "."), (";", ","), ("\t", ",")]))
def test_a_table_on_its_side_reads_as_the_upright_one(values: list[float], marks: tuple[str, str]) -> None:
    delimiter, decimal = marks

    def line(name: str, cells: list[float]) -> str:
        return delimiter.join([name, *(f"{c:.2f}".replace(".", decimal) for c in cells)])

    rows = [("Time (s)", [i * 0.5 for i in range(len(values))]), ("Probe (°C)", values)]
    probe = read("\n".join(line(n, c) for n, c in rows) + "\n").channels[0]
    upright = [delimiter.join(n for n, _ in rows)]
    upright += [
        delimiter.join(f"{c:.2f}".replace(".", decimal) for c in row)
        for row in zip(*(c for _, c in rows), strict=True)
    ]
    same = read("\n".join(upright) + "\n").channels[0]
    assert np.array_equal(probe.value, same.value) and np.array_equal(probe.time_s, same.time_s)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("1 lb 3.5 oz", 19.5, "oz"),
        ("2 min 05 s", 125.0, "s"),
        ("1m 05s", 65.0, "s"),
        ("1 h 2 min 3.5 s", 3723.5, "s"),
        ("-1 lb 8 oz", -24.0, "oz"),
    ],
)
def test_an_amount_in_two_units_is_one_number(text: str, value: float, unit: str) -> None:
    cell = read_cell(text, ".")
    assert cell.kind is Kind.NUMBER and cell.value == pytest.approx(value)
    assert cell.unit is not None and cell.unit.symbol == unit


@pytest.mark.parametrize("text", ["3 oz 1 lb", "1 kg 2 s", "5 s 2 s", "2 x 3 y", "1 C 2 F"])
def test_units_that_do_not_fall_make_no_amount(text: str) -> None:
    assert read_cell(text, ".").kind is Kind.TEXT


def test_a_date_written_once_serves_the_rows_below() -> None:
    rows = "".join(f"{'17.03.2026' if i == 0 else ''};21:04:{i:02d};{20 - i}\n" for i in range(9))
    table = read("Datum;Uhrzeit;Temp °C\n" + rows)
    assert table.started_at is not None and table.started_at.isoformat() == "2026-03-17T21:04:00"


def test_a_column_that_only_counts_is_no_reading() -> None:
    rows = "".join(f"{i + 1};{i / 2};{20 - i}\n" for i in range(9))
    assert [c.name for c in read("Drop;Time (s);Temp °C\n" + rows).channels] == ["Temp"]


def test_two_recordings_of_ten_readings_are_no_count_that_wraps() -> None:
    rows = "".join(f"{i % 10};{30 - i}\n" for i in range(20))
    with pytest.raises(ValueError, match="2 recordings"):
        read("Interval (s): 1\nNo;Temp °C\n" + rows)
