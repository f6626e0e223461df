"""Any table that can be written in one of the common shapes reads back the same."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.importing.tables import Role, Table, table_from_bytes

LANGUAGES = {
    "en": ("Time", "Temperature", "Weight"),
    "de": ("Zeit", "Temperatur", "Gewicht"),
    "fr": ("Temps", "Température", "Masse"),
    "es": ("Tiempo", "Temperatura", "Peso"),
    "it": ("Tempo", "Temperatura", "Peso"),
    "pt": ("Tempo", "Temperatura", "Massa"),
    "nl": ("Tijd", "Temperatuur", "Gewicht"),
    "pl": ("Czas", "Temperatura", "Masa"),
    "sv": ("Tid", "Temperatur", "Vikt"),
    "da": ("Tid", "Temperatur", "Vægt"),
    "fi": ("Aika", "Lämpötila", "Paino"),
    "cs": ("Čas", "Teplota", "Hmotnost"),
}
# From NIST SP 811 (2008), appendix B; written out, so that the reader is not its own judge.
FROM_TEMPERATURE: dict[str, Callable[[float], float]] = {
    "°C": lambda v: v,
    "°F": lambda v: (v - 32) / 1.8,
    "K": lambda v: v - 273.15,
}
FROM_MASS = {"g": 1.0, "kg": 1000.0, "oz": 28.349523125, "lb": 453.59237}
START = datetime(2026, 3, 25, 22, 58, 7)  # noqa: DTZ001 (a logger's clock has no zone)
MARKS = ("---", "n/a", "", "NaN", "OL", "Err")


@dataclass(frozen=True)
class TimeForm:
    """How a time is written: its unit in the header, the text of an instant, and the steps it can show."""

    unit: str
    text: Callable[[float, str], str]
    steps_s: tuple[float, ...]


def clock(pattern: str) -> Callable[[float, str], str]:
    return lambda t, _: (START + timedelta(seconds=t)).strftime(pattern)


def number(factor: float, decimals: int) -> Callable[[float, str], str]:
    return lambda t, decimal: f"{t * factor:.{decimals}f}".replace(".", decimal)


FORMS = {
    "seconds": TimeForm("s", number(1, 2), (0.05, 0.1, 0.5, 1.0, 2.5)),
    "milliseconds": TimeForm("ms", number(1000, 0), (0.05, 0.1, 0.5, 1.0)),
    "minutes": TimeForm("min", number(1 / 60, 3), (3.0, 6.0)),
    "clock": TimeForm("", clock("%H:%M:%S"), (1.0, 5.0, 600.0)),
    "iso": TimeForm("", clock("%Y-%m-%dT%H:%M:%S"), (1.0, 5.0)),
    "iso zulu": TimeForm("", clock("%Y-%m-%dT%H:%M:%SZ"), (1.0, 60.0)),
    "iso fraction": TimeForm("", clock("%Y-%m-%d %H:%M:%S.%f"), (0.05, 0.25, 1.0)),
    "day first": TimeForm("", clock("%d/%m/%Y %H:%M:%S"), (1.0, 30.0)),
    "day first dots": TimeForm("", clock("%d.%m.%Y %H:%M:%S"), (1.0, 30.0)),
    "month first": TimeForm("", clock("%m/%d/%Y %I:%M:%S %p"), (1.0, 30.0)),
    "named month": TimeForm("", clock("%d %b %Y %H:%M:%S"), (1.0, 30.0)),
    "timer": TimeForm("", lambda t, d: f"{int(t // 60):02d}:{t % 60:04.1f}".replace(".", d), (0.5, 1.0, 7.5)),
    "epoch": TimeForm("", lambda t, _: str(1_774_479_487 + round(t)), (1.0, 2.0)),
    "epoch ms": TimeForm("", lambda t, _: str(1_774_479_487_000 + round(1000 * t)), (0.2, 1.0)),
}


@dataclass(frozen=True)
class Sheet:
    """A table to write: what was measured, and every choice of how it is written down."""

    temps: list[float]
    masses: list[float]
    gaps: list[int]
    step_s: float
    form: str
    language: str
    delimiter: str
    decimal: str
    encoding: str
    line_end: str
    temp_unit: str
    mass_unit: str
    units_in: str
    preamble: int
    mark: str

    def written(self, value: float, decimals: int) -> str:
        return f"{value:.{decimals}f}".replace(".", self.decimal)

    def text(self) -> str:
        form = FORMS[self.form]
        time, temp, mass = LANGUAGES[self.language]
        units = (form.unit, self.temp_unit, self.mass_unit)
        names = [time, temp, mass]
        lines = [f"Note {n}: bench by the door" for n in range(self.preamble)]
        if self.units_in == "header":
            names = [f"{n} [{u}]" if u else n for n, u in zip(names, units, strict=True)]
        lines.append(self.delimiter.join(names))
        if self.units_in == "row":
            lines.append(self.delimiter.join(f"({u})" if u else "" for u in units))
        tails = [f" {u}" if self.units_in == "cells" and u else "" for u in units]
        for i, (t, m) in enumerate(zip(self.temps, self.masses, strict=True)):
            cells = [form.text(i * self.step_s, self.decimal), self.written(t, 2), self.written(m, 4)]
            cells = [c + tail for c, tail in zip(cells, tails, strict=True)]
            if i in self.gaps:
                cells[2] = self.mark
            lines.append(self.delimiter.join(cells))
        return self.line_end.join([*lines, ""])


@st.composite
def sheets(draw: st.DrawFn) -> Sheet:
    n = draw(st.integers(4, 40))
    temp_unit = draw(st.sampled_from(sorted(FROM_TEMPERATURE)))
    mass_unit = draw(st.sampled_from(sorted(FROM_MASS)))
    offset = 273.15 if temp_unit == "K" else 0.0
    temps = draw(st.lists(st.floats(-19, 79).map(lambda v: round(v + offset, 2)), min_size=n, max_size=n))
    masses = draw(st.lists(st.floats(0.1, 900).map(lambda v: round(v, 4)), min_size=n, max_size=n))
    form = draw(st.sampled_from(sorted(FORMS)))
    delimiter, decimal = draw(
        st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", ",")])
    )
    return Sheet(
        temps=temps,
        masses=masses,
        gaps=draw(st.lists(st.integers(1, n - 1), max_size=n // 4)),
        step_s=draw(st.sampled_from(FORMS[form].steps_s)),
        form=form,
        language=draw(st.sampled_from(sorted(LANGUAGES))),
        delimiter=delimiter,
        decimal=decimal,
        encoding=draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])),
        line_end=draw(st.sampled_from(["\n", "\r\n", "\r"])),
        temp_unit=temp_unit,
        mass_unit=mass_unit,
        units_in=draw(st.sampled_from(["header", "row", "cells"])),
        preamble=draw(st.integers(0, 4)),
        mark=draw(st.sampled_from(MARKS)),
    )


def read(sheet: Sheet) -> Table:
    return table_from_bytes(sheet.text().encode(sheet.encoding), "sheet.csv")


@settings(max_examples=250, deadline=None, derandomize=True)
@given(sheets())
def test_a_wide_table_reads_back_the_same_in_every_shape(sheet: Sheet) -> None:
    temp, mass = read(sheet).channels
    assert (temp.role, mass.role) == (Role.TEMPERATURE, Role.MASS)
    times = np.arange(len(sheet.temps)) * sheet.step_s
    kept = [i for i in range(len(sheet.masses)) if i not in sheet.gaps]
    assert temp.value == pytest.approx([FROM_TEMPERATURE[sheet.temp_unit](v) for v in sheet.temps], abs=1e-9)
    assert mass.value == pytest.approx(
        [sheet.masses[i] * FROM_MASS[sheet.mass_unit] for i in kept], rel=1e-12
    )
    assert temp.time_s == pytest.approx(times, abs=2e-6)
    assert mass.time_s == pytest.approx(times[kept], abs=2e-6)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(sheets(), st.randoms(use_true_random=False))
def test_rows_in_any_order_and_some_twice_read_back_the_same(sheet: Sheet, random: object) -> None:
    if sheet.form in ("clock", "timer"):  # without a date an order cannot be told from a wrap
        return
    lines = sheet.text().split(sheet.line_end)
    head = len(lines) - 1 - len(sheet.temps)
    rows = lines[head:-1]
    first, last = rows[0], rows[-1]
    swapped = rows[:]
    at = len(rows) // 2
    swapped[at - 1], swapped[at] = swapped[at], swapped[at - 1]
    swapped.insert(at, swapped[at - 1])
    text = sheet.line_end.join([*lines[:head], *swapped, ""])
    assert (first, last) == (rows[0], rows[-1])
    plain, mixed = read(sheet), table_from_bytes(text.encode(sheet.encoding), "sheet.csv")
    for a, b in zip(plain.channels, mixed.channels, strict=True):
        assert np.array_equal(a.value, b.value)
        assert np.array_equal(a.time_s, b.time_s)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(sheets())
def test_a_long_table_reads_back_as_the_wide_one(sheet: Sheet) -> None:
    form, d = FORMS[sheet.form], sheet.delimiter
    lines = [d.join([f"time [{form.unit}]" if form.unit else "time", "channel", "unit", "value"])]
    for i, (t, m) in enumerate(zip(sheet.temps, sheet.masses, strict=True)):
        at = form.text(i * sheet.step_s, sheet.decimal)
        lines.append(d.join([at, "probe", sheet.temp_unit, sheet.written(t, 2)]))
        lines.append(d.join([at, "scale", sheet.mass_unit, sheet.written(m, 4)]))
    long = table_from_bytes(sheet.line_end.join([*lines, ""]).encode(sheet.encoding), "long.csv")
    probe, scale = long.channels
    assert (probe.name, probe.role, scale.name, scale.role) == ("probe", Role.TEMPERATURE, "scale", Role.MASS)
    assert probe.value == pytest.approx([FROM_TEMPERATURE[sheet.temp_unit](v) for v in sheet.temps], abs=1e-9)
    assert scale.value == pytest.approx([m * FROM_MASS[sheet.mass_unit] for m in sheet.masses], rel=1e-12)
    assert probe.time_s == pytest.approx(np.arange(len(sheet.temps)) * sheet.step_s, abs=2e-6)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.integers(2, 12), st.integers(3, 20), st.integers(0, 11), st.integers(1, 11))
def test_readings_stamped_with_whole_seconds_are_spread_evenly(
    rate: int, seconds: int, skip: int, last: int
) -> None:
    """A logger at `rate` per second, begun `skip` readings into a second, stopped `last` into another."""
    skip, last = min(skip, rate - 1), min(last, rate)
    count = rate * seconds - skip - (rate - last)
    rows = [f"22:00:{(i + skip) // rate:02d};{20 - i * 0.01:.2f}" for i in range(count)]
    table = table_from_bytes(("Zeit;Temperatur (°C)\n" + "\n".join(rows) + "\n").encode(), "coarse.csv")
    assert table.channels[0].time_s == pytest.approx(np.arange(count) / rate, abs=1e-9)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.sampled_from([("ms", 1000, 16), ("ms", 1000, 32), ("us", 1_000_000, 32)]),
    st.integers(1, 40),
    st.integers(1, 8),
)
def test_a_counter_that_wraps_counts_on(unit: tuple[str, int, int], before: int, wraps_apart: int) -> None:
    name, per_s, bits = unit
    period = 2**bits
    step = round(0.1 * per_s) * wraps_apart
    counts = [(period - before * step + i * step) % period for i in range(60)]
    table = table_from_bytes(
        (
            f"t_{name},temp_c\n" + "\n".join(f"{c},{20 - 0.1 * i:.1f}" for i, c in enumerate(counts)) + "\n"
        ).encode(),
        "wrap.csv",
    )
    assert table.channels[0].time_s == pytest.approx(np.arange(60) * step / per_s, abs=1e-8)
