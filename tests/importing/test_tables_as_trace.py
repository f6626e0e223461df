"""Tables become a run's trace, and a scale's log its weigh-ins."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from rig.errors import TableRefused
from rig.importing.tables import Channel, Role, Table, table_from_bytes
from rig.importing.tabular.as_trace import WeighIn, trace_from_tables, weigh_ins


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


def mass(value: np.ndarray, step_s: float = 0.2) -> Channel:
    return Channel("scale", Role.MASS, "g", np.arange(len(value)) * step_s, value.astype(float))


def test_a_scale_log_is_cut_into_its_plateaus() -> None:
    rng = np.random.default_rng(7)
    levels = [0.0, 118.4, 330.2, 212.9]
    ramp = [np.linspace(a, b, 12)[1:-1] for a, b in pairwise(levels)]
    parts = [np.full(40, levels[0])]
    for moving, level in zip(ramp, levels[1:], strict=True):
        parts += [moving, np.full(40, level)]
    value = np.concatenate(parts) + rng.normal(0, 0.03, sum(map(len, parts)))
    found = weigh_ins(mass(value))
    assert [w.mass_g for w in found] == pytest.approx(levels, abs=0.05)
    assert [w.readings for w in found] == [40] * 4
    assert [w.start_s for w in found] == pytest.approx([0, 10, 20, 30], abs=1e-9)
    assert found[0].end_s == pytest.approx(7.8)


def test_a_short_rest_is_no_weigh_in() -> None:
    value = np.array([0.0] * 5 + [50.0] * 5 + [100.0] * 30)
    (found,) = weigh_ins(mass(value, step_s=0.25))
    assert found == WeighIn(100.0, 2.5, 9.75, 30)


def test_a_steady_log_is_one_weigh_in_and_a_moving_one_none() -> None:
    assert len(weigh_ins(mass(np.full(50, 3.0)))) == 1
    assert weigh_ins(mass(np.arange(50.0))) == ()


def test_no_reading_of_a_weigh_in_differs_more_than_allowed() -> None:
    rng = np.random.default_rng(3)
    channel = mass(np.cumsum(rng.choice([0.0, 0.0, 0.0, 0.2, -5.0], 600)))
    found = weigh_ins(channel, within_g=0.5, at_least_s=1.0)
    assert found
    for w in found:
        inside = (channel.time_s >= w.start_s) & (channel.time_s <= w.end_s)
        assert np.ptp(channel.value[inside]) <= 0.5
        assert w.end_s - w.start_s >= 1.0
    assert all(a.end_s < b.start_s for a, b in pairwise(found))


def test_weigh_ins_of_a_temperature_are_refused() -> None:
    with pytest.raises(TableRefused, match="no mass"):
        weigh_ins(probe("10:15:00").channels[0])
