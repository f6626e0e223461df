"""Tables become a run's trace, and a scale's log its weigh-ins."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import TableRefused
from rig.importing.tables import Table, table_from_bytes
from rig.importing.tabular.as_trace import trace_from_tables


def read(text: str, name: str = "a.csv") -> Table:
    return table_from_bytes(text.encode(), name)


def probe(start: str, n: int = 5) -> Table:
    lines = [f"2026-03-14 {start[:-2]}{int(start[-2:]) + i:02d},{20 - i}" for i in range(n)]
    return read("time,probe (°C)\n" + "\n".join(lines) + "\n", "probe.csv")


def scale(start: str, n: int = 5) -> Table:
    lines = [f"2026-03-14 {start[:-2]}{int(start[-2:]) + i:02d}.500,{400 + i}" for i in range(n)]
    return read("time,scale (g)\n" + "\n".join(lines) + "\n", "scale.csv")


def test_one_table_gives_its_probe_scale_room_and_cadence() -> None:
    table = read("time_s,probe_c,scale_g,room_c,cadence_hz\n0,20,400,21,3\n1,19,401,21,3\n2,18,402,21,3\n")
    trace = trace_from_tables([table], motion_at_s=1.0)
    assert list(trace.time_s) == [-1, 0, 1]
    assert trace.probes_c.keys() == {""}
    assert trace.probe_c is not None
    assert list(trace.probe_c) == [20, 19, 18]
    assert trace.scale_g is not None and list(trace.scale_g) == [400, 401, 402]
    assert trace.room_c is not None and list(trace.room_c) == [21] * 3
    assert trace.cadence_hz is not None and list(trace.cadence_hz) == [3] * 3


def test_several_probes_keep_their_names_even_where_they_repeat() -> None:
    one = read("time_s,Glass (°C),Tin (°C)\n0,20,10\n1,19,9\n")
    two = read("time_s,Glass (°C)\n0,5\n1,4\n")
    trace = trace_from_tables([one, two], starts_s=[0, 0])
    assert set(trace.probes_c) == {"Glass", "Tin", "Glass (2)"}


def test_tables_are_aligned_by_their_dates() -> None:
    trace = trace_from_tables([probe("10:15:00"), scale("10:15:02")])
    assert list(trace.time_s) == [0, 1, 2, 2.5, 3, 3.5, 4, 4.5, 5.5, 6.5]
    assert trace.probe_c is not None and trace.scale_g is not None
    assert np.isnan(trace.probe_c[3]) and np.isnan(trace.scale_g[0])
    assert trace.scale_g[3] == 400


def test_tables_are_aligned_by_the_time_of_day_over_midnight() -> None:
    late = read("Clock,probe (°C)\n23:59:58,20\n23:59:59,19\n")
    early = read("Clock,scale (g)\n00:00:01,400\n00:00:02,401\n")
    assert list(trace_from_tables([late, early]).time_s) == [0, 1, 3, 4]


def test_stated_starts_go_before_clocks() -> None:
    trace = trace_from_tables([probe("10:15:00"), scale("10:15:00")], starts_s=[100.0, 90.25])
    assert trace.time_s[0] == -9.75


@pytest.mark.parametrize(
    ("tables", "reason"),
    [
        ([], "no table"),
        ([read("time_s,probe_c\n0,1\n1,2\n"), read("time_s,scale_g\n0,1\n1,2\n")], "no common clock"),
        ([read("time_s,a_g,b_g\n0,1,2\n1,2,3\n")], "mass channel is open"),
        ([read("time_s,battery_v\n0,3.1\n1,3.2\n")], "temperature or a mass"),
        (
            [probe("10:15:00"), read("t,scale_g\n2026-03-14T10:15:00Z,1\n2026-03-14T10:15:01Z,2\n")],
            "offset from UTC",
        ),
    ],
)
def test_what_cannot_be_aligned_or_chosen_is_refused(tables: list[Table], reason: str) -> None:
    with pytest.raises(TableRefused, match=reason):
        trace_from_tables(tables)


def test_the_scale_is_chosen_by_name() -> None:
    table = read("time_s,a_g,b_g\n0,1,2\n1,2,3\n")
    trace = trace_from_tables([table], scale="b")
    assert trace.scale_g is not None and list(trace.scale_g) == [2, 3]
