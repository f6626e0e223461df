"""Units as they stand in headers and cells, and what a header says beside them.

A table of our own instead of a units library: there `F` is a farad, `C` a coulomb, and `fl oz` a mass.
"""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from functools import lru_cache

from rig import units
from rig.importing.tabular.words import MASS, TEMPERATURE, TEMPERATURE_STEMS, folded, has_word


class Role(StrEnum):
    """What a channel measures; each has one unit inside."""

    TEMPERATURE = "temperature"
    MASS = "mass"
    HUMIDITY = "humidity"
    VOLTAGE = "voltage"
    CURRENT = "current"
    POWER = "power"
    PRESSURE = "pressure"
    FREQUENCY = "frequency"
    RESISTANCE = "resistance"
    VOLUME = "volume"
    DEW_POINT = "dew point"
    SET_POINT = "set point"
    TIME = "time"
    UNKNOWN = "unknown"


INSIDE = {
    Role.TEMPERATURE: "°C",
    Role.MASS: "g",
    Role.HUMIDITY: "%",
    Role.VOLTAGE: "V",
    Role.CURRENT: "A",
    Role.POWER: "W",
    Role.PRESSURE: "hPa",
    Role.FREQUENCY: "Hz",
    Role.RESISTANCE: "Ω",
    Role.VOLUME: "ml",
    Role.DEW_POINT: "°C",
    Role.SET_POINT: "°C",
    Role.TIME: "s",
    Role.UNKNOWN: "",
}


@dataclass(frozen=True)
class Unit(units.Unit):
    """A unit, and the role that it settles."""

    role: Role = Role.UNKNOWN


def _unit(symbol: str, role: Role) -> Unit:
    return Unit(**asdict(units.UNITS[symbol]), role=role)


class TimeForm(StrEnum):
    """What a colon separates where only two parts are written."""

    MINUTES_SECONDS = "mm:ss"
    HOURS_MINUTES = "hh:mm"


CELSIUS = _unit("°C", Role.TEMPERATURE)
GRAM = _unit("g", Role.MASS)
SECOND = _unit("s", Role.TIME)
MILLISECOND = _unit("ms", Role.TIME)
MICROSECOND = _unit("µs", Role.TIME)
MINUTE = _unit("min", Role.TIME)
HOUR = _unit("h", Role.TIME)
DAY = _unit("d", Role.TIME)

_SPELLINGS: tuple[tuple[Unit, str], ...] = (
    (
        CELSIUS,
        "c °c degc deg.c degreec degreesc celsius °celsius gradc gradcelsius gradencelsius oc øc ¡c \ufffdc "
        "celcius degreecelsius degreescelsius degcelsius gradicelsius °с с° c° градс гр.с ºc",
    ),
    (
        _unit("°F", Role.TEMPERATURE),
        "f °f degf deg.f degreef degreesf fahrenheit degreesfahrenheit gradf of øf ¡f \ufffdf f°",
    ),
    (_unit("K", Role.TEMPERATURE), "k kelvin °k degk"),
    (
        GRAM,
        "g gr grs gram grams gramm gramme grammes grammi gramos gramas gramow gramu gramm г гр грамм γρ γρ.",
    ),
    (_unit("kg", Role.MASS), "kg kgs kilo kilos kilogram kilograms kilogramm kilogramme кг"),
    (_unit("mg", Role.MASS), "mg milligram milligrams"),
    (_unit("oz", Role.MASS), "oz ozs ounce ounces once onces onza onzas"),
    (_unit("lb", Role.MASS), "lb lbs pound pounds libra libras pfund"),
    (_unit("%RH", Role.HUMIDITY), "%rh %rf %r.f. %hr %ur rh% %r.h. %relf"),
    (_unit("%", Role.UNKNOWN), "% percent pct prozent"),
    (_unit("V", Role.VOLTAGE), "v volt volts"),
    (_unit("mV", Role.VOLTAGE), "mv millivolt"),
    (_unit("A", Role.CURRENT), "a amp amps ampere"),
    (_unit("mA", Role.CURRENT), "ma"),
    (_unit("W", Role.POWER), "w watt watts"),
    (_unit("hPa", Role.PRESSURE), "hpa mbar"),
    (_unit("kPa", Role.PRESSURE), "kpa"),
    (_unit("bar", Role.PRESSURE), "bar"),
    (_unit("Pa", Role.PRESSURE), "pa"),
    (_unit("Hz", Role.FREQUENCY), "hz hertz sps s/s samples/s sa/s readings/s 1/s"),
    (_unit("rpm", Role.FREQUENCY), "rpm 1/min u/min min-1"),
    (_unit("Ω", Role.RESISTANCE), "ω ohm ohms"),
    (_unit("kΩ", Role.RESISTANCE), "kω kohm"),
    (_unit("ml", Role.VOLUME), "ml cc"),
    (_unit("l", Role.VOLUME), "l litre liter"),
    (SECOND, "s sec secs second seconds sek sekunde sekunden seg segundo segundos secondi seconde secondes"),
    (SECOND, "seconden sekunder sekundy sekund sekuntia sn saniye с сек mp masodperc"),
    (MILLISECOND, "мс ms msec msecs millis millisec millisecond milliseconds millisekunden milliseconden"),
    (MICROSECOND, "us µs μs usec micros microsecond microseconds mikrosekunden"),
    (MINUTE, "мин dk dakika perc min mins minute minutes minuten minuti minutos minuter minuty minut"),
    (HOUR, "ч saat h hr hrs hour hours std stunde stunden heure heures ore horas uur uren timmar godziny"),
    (DAY, "d day days tage jours dias giorni dagen"),
)
_UNITS = {spelling: unit for unit, line in _SPELLINGS for spelling in line.split()}
_FORMS = {
    "mm:ss": TimeForm.MINUTES_SECONDS,
    "m:s": TimeForm.MINUTES_SECONDS,
    "min:sec": TimeForm.MINUTES_SECONDS,
    "min:s": TimeForm.MINUTES_SECONDS,
    "mm:ss.s": TimeForm.MINUTES_SECONDS,
    "mm:ss.f": TimeForm.MINUTES_SECONDS,
    "m:ss": TimeForm.MINUTES_SECONDS,
    "hh:mm": TimeForm.HOURS_MINUTES,
    "h:m": TimeForm.HOURS_MINUTES,
    "h:mm": TimeForm.HOURS_MINUTES,
}
_DEGREE_SIGNS = str.maketrans({"º": "°", "˚": "°", "℃": "°c", "℉": "°f", "'": None, '"': None, " ": None})
_WRAPPED = re.compile(r"^[\[({<]\s*(.*?)\s*[\])}>]$")
_BRACKETED = re.compile(r"^(.*?)\s*[\[({<]([^\[\](){}<>]*)[\])}>]\s*(.*)$")
_SUFFIXED = re.compile(r"^(.+)(?:\s*[/,;:]\s*|[\s_]+)([^\s_/,;:]+)$")
_LEFT_OVER = re.compile(r"(?:[\s_/,;:-]+(?:in|en|i|w|deg\.?|°|º))?[\s_/,;:-]*$", re.IGNORECASE)
_PREFIXED = re.compile(r"^([°º]\s?[CFcf])[\s_]+(.+)$")
_IN = re.compile(r"^in\s+", re.IGNORECASE)
_GLUED = re.compile(r"^(.*[^\W\d_])([CFK])$")
_LONE_LETTERS = frozenset("CcFfKkgsVvhсг")
_LONE_HEADERS = frozenset("CFKgs")


@lru_cache(1 << 10)
def unit_from(text: str) -> Unit | None:
    """The unit that a token spells, or None: '°C', '[ms]', 'lbs', 'Deg C'."""
    return _UNITS.get(_token(text))


def form_from(text: str) -> TimeForm | None:
    """The two-part time form that a header's bracket spells, or None: '(mm:ss)'."""
    return _FORMS.get(_token(text))


def _token(text: str) -> str:
    if len(text) > 24:
        return ""
    if wrapped := _WRAPPED.match(text.strip()):
        text = wrapped[1]
    plain = _IN.sub("", text.strip()).casefold().translate(_DEGREE_SIGNS).replace("â°", "°")
    return plain.rstrip(".") if plain not in _UNITS else plain


@dataclass(frozen=True)
class Heading:
    """A header taken apart: the name without its unit, the unit, and a two-part time form."""

    text: str
    name: str
    unit: Unit | None = None
    form: TimeForm | None = None
    day_first: bool | None = None


_DAY_FIRST = re.compile(r"\b(?:dd?|tt?|jj?|gg?)[./-]mm?\b")
_MONTH_FIRST = re.compile(r"\bmm?[./-](?:dd?|tt?|jj?|gg?)\b")
_FORMAT = re.compile(
    r"[ymdhstjag:./\-\s]*(?:hh?:mm?|mm?:ss?|dd?[./-]mm?|mm?[./-]dd?|tt?[.]mm?)[ymdhstjagf:./\-\s]*"
)


def is_format(text: str) -> bool:
    """Whether a token spells how a stamp is written: 'hh:mm:ss', 'DD.MM.YYYY'."""
    return _FORMAT.fullmatch(text.casefold().strip("[]() ")) is not None


def _day_first(text: str) -> bool | None:
    """What a header such as 'Date (DD/MM/YYYY)' says of the order of day and month."""
    plain = _IN.sub("", text.strip()).casefold()
    if _DAY_FIRST.search(plain):
        return True
    return False if _MONTH_FIRST.search(plain) else None


@lru_cache(1 << 10)
def heading_from(text: str) -> Heading:
    """Take a header apart: see `Heading`."""
    heading = _heading(text)
    return replace(heading, day_first=_day_first(text))


def _heading(text: str) -> Heading:
    """Take a header apart; a unit stands in brackets, behind a blank, slash or underscore, or alone."""
    text = text.strip()
    if found := _BRACKETED.match(text):
        name = f"{found[1]} {found[3]}".strip()
        unit, form = unit_from(found[2]), form_from(found[2])
        if unit or form:
            return Heading(text, name or text, unit, form)
        if found[1] and (inner := _heading(found[1])).unit:  # 'Temp, °C (probe 2)'
            return Heading(text, f"{inner.name} {found[3]}".strip(), inner.unit)
    if unit := unit_from(text):
        return Heading(text, text, unit if len(text) > 1 or text in _LONE_HEADERS else None)
    if (found := _PREFIXED.match(text)) and (unit := unit_from(found[1])):
        return Heading(text, found[2], unit)
    if (found := _SUFFIXED.match(text)) and (unit := _suffix_unit(found[1], found[2])):
        return Heading(text, _LEFT_OVER.sub("", found[1]) or text, unit)
    if (found := _GLUED.match(text)) and has_word(found[1], TEMPERATURE, TEMPERATURE_STEMS):
        return Heading(text, found[1], unit_from(found[2]))
    return Heading(text, text, None, form_from(text))


def _suffix_unit(name: str, token: str) -> Unit | None:
    unit = unit_from(token)
    if unit is None or (len(token) == 1 and token.isalpha() and token not in _LONE_LETTERS):
        return None
    measures = has_word(name, TEMPERATURE, TEMPERATURE_STEMS) or has_word(name, MASS)
    return None if unit.role is Role.TIME and measures and folded(token) in {"min", "d", "h"} else unit
