"""Messy tables made from known readings by a seeded generator, which knows nothing of the reader."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

DAY_S = 86400


@dataclass(frozen=True)
class Made:
    """A file and what it truly holds: times [s] and values of each channel, or words of the refusal it asks for."""

    raw: bytes
    channels: tuple[tuple[str, list[float], list[float]], ...] = ()
    refused: tuple[str, ...] = ()
    settings: dict[str, Any] = field(default_factory=dict)
    tolerance: float = 1e-6


@dataclass(frozen=True)
class Readings:
    """A probe in a drink on ice and the scale under it, at a steady rate."""

    time_s: list[float]
    temp_c: list[float]
    mass_g: list[float]

    def made(self, text: str | bytes, encoding: str = "utf-8", only: str = "both", **more: Any) -> Made:
        """The file of a text, holding both channels or only the temperature."""
        channels = [("temperature", self.time_s, self.temp_c), ("mass", self.time_s, self.mass_g)]
        kept = channels[: 1 if only == "temperature" else 2]
        return Made(text.encode(encoding) if isinstance(text, str) else text, tuple(kept), **more)


def readings(rng: random.Random, step_s: float | None = None, rows: int | None = None) -> Readings:
    """Readings of a random drink."""
    step = step_s or rng.choice((0.1, 0.2, 0.5, 1.0, 2.0))
    count, start, end = rows or rng.randrange(30, 90), rng.uniform(14, 26), rng.uniform(-4, 1)
    time_s = [round(n * step, 3) for n in range(count)]
    temp_c = [
        round(end + (start - end) * 2.718 ** (-4 * n / count) + rng.gauss(0, 0.02), 2) for n in range(count)
    ]
    tare = rng.uniform(110, 400)
    mass_g = [round(tare + 30 * n / count + rng.gauss(0, 0.05), 1) for n in range(count)]
    return Readings(time_s, temp_c, mass_g)


def table(
    columns: Sequence[Sequence[Any]], header: str = "", cut: str = ",", end: str = "\n", point: str = "."
) -> str:
    """Columns as a text, floats with a decimal mark."""
    rows = [cut.join(str(c).replace(".", point) if isinstance(c, float) else str(c) for c in row)
            for row in zip(*columns, strict=True)]  # fmt: skip
    return end.join([*([header] if header else []), *rows, ""])


def stamps(r: Readings, form: str, began: datetime) -> list[str]:
    """Moments of the readings; `%L` stands for one digit of a second's fraction."""
    moments = [began + timedelta(seconds=t) for t in r.time_s]
    return [m.strftime(form.replace("%L", str(m.microsecond // 100_000))) for m in moments]


def _at(*parts: int) -> datetime:
    """A moment of the year 2026."""
    return datetime(2026, *parts, tzinfo=UTC)


def _began(rng: random.Random, day: int = 17) -> datetime:
    return _at(rng.randrange(1, 13), day, rng.randrange(13, 20), rng.randrange(60), rng.randrange(60))


def byte_order_mark(rng: random.Random) -> Made:
    r = readings(rng)
    return r.made(
        "\ufeff" + table((r.time_s, r.temp_c, r.mass_g), "Time (s),Temp (°C),Weight (g)", end="\r\n")
    )


def utf16_tabs(rng: random.Random) -> Made:
    r = readings(rng)
    text = table((r.time_s, r.temp_c, r.mass_g), "Zeit [s]\tTemperatur [°C]\tMasse [g]", "\t", "\r\n", ",")
    return r.made("\ufeff" + text, "utf-16-le")


def utf16_unmarked(rng: random.Random) -> Made:
    r = readings(rng)
    return r.made(table((r.time_s, r.temp_c, r.mass_g), "time_s;probe_c;scale_g", ";"), "utf-16-be")


def comma_decimals(rng: random.Random) -> Made:
    r = readings(rng)
    return r.made(table((r.time_s, r.temp_c, r.mass_g), "Zeit s;Fühler °C;Waage g", ";", point=","), "cp1252")


def quoted_headers(rng: random.Random) -> Made:
    r = readings(rng)
    return r.made(
        table((r.time_s, r.temp_c, r.mass_g), '"Time, elapsed (s)","Temp, probe (°C)","Weight, net (g)"')
    )


def unit_row(rng: random.Random) -> Made:
    r = readings(rng)
    return r.made(table((r.time_s, r.temp_c, r.mass_g), "Time\tProbe\tScale\ns\t°C\tg", "\t"))


def midnight_clock(rng: random.Random) -> Made:
    r = readings(rng, 1.0)
    clock = stamps(r, "%H:%M:%S", _at(3, 17, 23, 59, 60 - rng.randrange(3, 20)))
    return r.made(table((clock, r.temp_c, r.mass_g), "Clock,Temp °C,Mass g"))


def midnight_dates(rng: random.Random) -> Made:
    r = readings(rng, 1.0)
    moments = stamps(r, "%d/%m/%Y %H:%M:%S", _at(4, rng.randrange(1, 11), 23, 59, 50))
    return r.made(table((moments, r.temp_c, r.mass_g), "When,Temp °C,Mass g"))


def repeated_headers(rng: random.Random) -> Made:
    r = readings(rng)
    lines = table((r.time_s, r.temp_c, r.mass_g), "time_s,probe_c,scale_g").splitlines()
    for at in sorted(rng.sample(range(5, len(lines)), 3), reverse=True):
        lines.insert(at, lines[0])
    return r.made("\n".join(lines) + "\n")


def trailing_totals(rng: random.Random) -> Made:
    r = readings(rng)
    text = table((r.time_s, r.temp_c, r.mass_g), "Zeit (s);Temp (°C);Masse (g)", ";", point=",")
    return r.made(text + f"Mittel;{sum(r.temp_c) / len(r.temp_c):.2f};{r.mass_g[-1]}\n".replace(".", ","))


def nul_bytes(rng: random.Random) -> Made:
    r = readings(rng)
    text = table((r.time_s, r.temp_c, r.mass_g), "time_s,probe_c,scale_g")
    return r.made(text.encode() + b"\0" * rng.randrange(1, 4000))


def mixed_line_ends(rng: random.Random) -> Made:
    r = readings(rng)
    lines = table((r.time_s, r.temp_c, r.mass_g), "time_s,probe_c,scale_g").splitlines()
    return r.made("".join(line + rng.choice(("\n", "\r\n", "\r")) for line in lines))


def footer_notes(rng: random.Random) -> Made:
    r = readings(rng)
    text = table((r.time_s, r.temp_c, r.mass_g), "Time (s),Temp (°C),Weight (g)")
    return r.made(text + "\nBattery 3.1 V, logger stopped by hand\n# signed: night shift, 2 of 2\n")


def serial_dates(rng: random.Random) -> Made:
    r = readings(rng, 1.0)
    day = 46_000 + rng.randrange(400) + rng.uniform(0.4, 0.9)
    days = [f"{day + t / DAY_S:.10f}" for t in r.time_s]
    return r.made(table((days, r.temp_c, r.mass_g), "Date,Temp (°C),Weight (g)"), tolerance=2e-3)


def thousands(rng: random.Random) -> Made:
    r = readings(rng)
    heavy = Readings(r.time_s, r.temp_c, [round(m + 900, 1) for m in r.mass_g])
    mass = [f"{m:,.1f}" for m in heavy.mass_g]
    return heavy.made(table((r.time_s, r.temp_c, mass), "Time (s);Temp (°C);Weight (g)", ";"))


def swiss_thousands(rng: random.Random) -> Made:
    r = readings(rng)
    heavy = Readings(r.time_s, r.temp_c, [round(m + 1900, 1) for m in r.mass_g])
    mass = [f"{m:,.1f}".replace(",", "’") for m in heavy.mass_g]
    return heavy.made(table((r.time_s, r.temp_c, mass), "Zeit (s);Temp. (°C);Gewicht (g)", ";"))


def fahrenheit(rng: random.Random) -> Made:
    r = readings(rng)
    temp_f = [round(t * 1.8 + 32, 3) for t in r.temp_c]
    text = table((r.time_s, temp_f), rng.choice(("Time (s),Temp (°F)", "Seconds,Probe_F", "time s,degF")))
    return r.made(text, only="temperature", tolerance=1e-3)


def minutes_and_seconds(rng: random.Random) -> Made:
    r = readings(rng, 0.5)
    began = rng.randrange(60) * 60 + 55
    clock = [f"{int(began + t) // 60:02d}:{(began + t) % 60:04.1f}" for t in r.time_s]
    return r.made(table((clock, r.temp_c, r.mass_g), "Time,Temp °C,Mass g"))


def elapsed_comma(rng: random.Random) -> Made:
    r = readings(rng, 0.5)
    clock = [f"0:{int(t) // 60:02d}:{t % 60:04.1f}".replace(".", ",") for t in r.time_s]
    return r.made(table((clock, r.temp_c, r.mass_g), "Laufzeit;Temp. °C;Masse g", ";", point=","))


def _side_by_side(rng: random.Random) -> tuple[Readings, Readings, str]:
    one = readings(rng, 0.5, 60)
    two = readings(rng, 0.7, 60)
    two = Readings([round(t + 3.2, 3) for t in two.time_s], two.temp_c, two.mass_g)
    text = table(
        (one.time_s, one.temp_c, two.time_s, two.temp_c), "Time 1 (s),Probe 1 (°C),Time 2 (s),Probe 2 (°C)"
    )
    return one, two, text


def curves_as_channels(rng: random.Random) -> Made:
    one, two, text = _side_by_side(rng)
    channels = (("temperature", one.time_s, one.temp_c), ("temperature", two.time_s, two.temp_c))
    return Made(text.encode(), channels, settings={"curves": "channels"})


def second_curve(rng: random.Random) -> Made:
    _, two, text = _side_by_side(rng)
    since = [t - two.time_s[0] for t in two.time_s]
    return Made(text.encode(), (("temperature", since, two.temp_c),), settings={"curves": "2"})


def one_open_day(rng: random.Random) -> Made:
    r = readings(rng, 1.0)
    return r.made(
        table((stamps(r, "%d/%m/%Y %H:%M:%S", _began(rng, 5)), r.temp_c, r.mass_g), "When,Temp °C,Mass g")
    )


def date_and_clock_apart(rng: random.Random) -> Made:
    r = readings(rng, 0.2)
    began = _began(rng)
    columns = (stamps(r, "%d.%m.%Y", began), stamps(r, "%H:%M:%S,%L", began), r.temp_c, r.mass_g)
    return r.made(table(columns, "Datum;Uhrzeit;Temp °C;Masse g", ";", point=","))


def across_noon(rng: random.Random) -> Made:
    r = readings(rng, 1.0)
    moments = stamps(r, "%m/%d/%Y %I:%M:%S %p", _at(3, 17, 11, 59, 60 - rng.randrange(3, 20)))
    return r.made(table((moments, r.temp_c, r.mass_g), "Time,Temp (°C),Weight (g)"))


def since_1970(rng: random.Random) -> Made:
    r = readings(rng)
    since = [1_773_000_000_000 + rng.randrange(10**9)] * len(r.time_s)
    return r.made(table(([s + round(t * 1000) for s, t in zip(since, r.time_s, strict=True)], r.temp_c, r.mass_g),
                        "timestamp,probe_c,scale_g"))  # fmt: skip


def kilograms(rng: random.Random) -> Made:
    r = readings(rng)
    return r.made(
        table((r.time_s, r.temp_c, [f"{m / 1000:.4f}" for m in r.mass_g]), "Time s,Temp °C,Mass kg")
    )


def missing_marks(rng: random.Random) -> Made:
    r = readings(rng)
    lost = set(rng.sample(range(1, len(r.time_s) - 1), 5))
    temp = [rng.choice(("OL", "---", "n/a", "")) if n in lost else t for n, t in enumerate(r.temp_c)]
    kept = [n for n in range(len(r.time_s)) if n not in lost]
    channel = ("temperature", [r.time_s[n] for n in kept], [r.temp_c[n] for n in kept])
    raw = table((r.time_s, temp, r.mass_g), "time_s,probe_c,scale_g").encode()
    return Made(raw, (channel, ("mass", r.time_s, r.mass_g)))


def newest_first(rng: random.Random) -> Made:
    r = readings(rng, 1.0)
    columns = (stamps(r, "%Y-%m-%d %H:%M:%S", _began(rng)), r.temp_c, r.mass_g)
    return r.made(table([c[::-1] for c in columns], "time,probe °C,scale g"))


def bare_numbers(rng: random.Random) -> Made:
    r = readings(rng, 0.5)
    return r.made(table((r.time_s, r.temp_c)), only="temperature")


def turning_comma(rng: random.Random) -> Made:
    r = readings(rng, 0.5)
    half = len(r.time_s) // 2
    upper = table((r.time_s[:half], r.temp_c[:half]))
    return Made(
        (upper + table((r.time_s[half:], r.temp_c[half:]), "", ";", point=",")).encode(), refused=("comma",)
    )


def open_days(rng: random.Random) -> Made:
    r, more = readings(rng, 1.0), readings(rng, 1.0)
    first = _at(rng.randrange(1, 6), rng.randrange(1, 6), 15)
    second = _at(rng.randrange(7, 13), rng.randrange(7, 13), 15)
    when = stamps(r, "%d/%m/%Y %H:%M:%S", first) + stamps(more, "%d/%m/%Y %H:%M:%S", second)
    return Made(table((when, r.temp_c + more.temp_c), "When,Temp °C").encode(), refused=("day and month",))


def wandering_clock(rng: random.Random) -> Made:
    r = readings(rng, 1.0, 60)
    time_s = [round(rng.uniform(0, 60), 1) for _ in r.time_s]
    return Made(table((time_s, r.temp_c), "time_s,probe_c").encode(), refused=("time",))


def words_only(rng: random.Random) -> Made:
    r = readings(rng)
    words = [rng.choice(("cold", "colder", "fine", "very cold")) for _ in r.time_s]
    return Made(table((r.time_s, words), "time_s,probe").encode(), refused=("nothing is measured",))


def unasked_curves(rng: random.Random) -> Made:
    return Made(_side_by_side(rng)[2].encode(), refused=("side by side",))


def minutes_or_hours(rng: random.Random) -> Made:
    r = readings(rng, 1.0)
    clock = [f"{10 + n // 60:02d}:{n % 60:02d}" for n in range(3, 3 + len(r.time_s))]
    return Made(table((clock, r.temp_c), "Time,Temp °C").encode(), refused=("hh:mm or mm:ss",))


def unitless_fahrenheit(rng: random.Random) -> Made:
    r = readings(rng)
    hot = [round(t * 1.8 + 150, 1) for t in r.temp_c]
    return Made(
        table((r.time_s, hot), "time_s,temperature").encode(), refused=("unit of 'temperature' is open",)
    )


READ: tuple[Callable[[random.Random], Made], ...] = (
    byte_order_mark, utf16_tabs, utf16_unmarked, comma_decimals, quoted_headers, unit_row, midnight_clock,
    midnight_dates, repeated_headers, trailing_totals, nul_bytes, mixed_line_ends, footer_notes, serial_dates,
    thousands, swiss_thousands, fahrenheit, minutes_and_seconds, elapsed_comma, curves_as_channels, second_curve,
    one_open_day, date_and_clock_apart, across_noon, since_1970, kilograms, missing_marks, newest_first, bare_numbers,
)  # fmt: skip
REFUSED: tuple[Callable[[random.Random], Made], ...] = (
    turning_comma, open_days, wandering_clock, words_only, unasked_curves, minutes_or_hours, unitless_fahrenheit,
)  # fmt: skip
