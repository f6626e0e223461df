"""The units that answers are told in: °C or °F, g or oz, ml or fl oz, as one frozen value.

All that is worked out, kept or printed as JSON is in °C, g and ml; sentences are written in them too. What a person
reads goes through an `AnswerUnits` once, at the edge: a text by its numbers that carry a unit, a figure by its axes
(`rig.report.figure_units`). A difference of temperatures is told as a difference, in K inside.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.errors import ModelRangeError
from rig.units import UNITS, Quantity, typed

KINDS = {"temperature": ("°C", "°F"), "mass": ("g", "oz"), "volume": ("ml", "fl oz")}
"""What can be chosen, the usual first."""
_SPELLED = {
    **dict.fromkeys(("°c", "c", "celsius"), "°C"),
    **dict.fromkeys(("°f", "f", "fahrenheit"), "°F"),
    **dict.fromkeys(("g", "gram", "grams"), "g"),
    **dict.fromkeys(("oz", "ounce", "ounces"), "oz"),
    **dict.fromkeys(("ml", "millilitres", "milliliters"), "ml"),
    **dict.fromkeys(("floz", "fl.oz", "fluid-ounces"), "fl oz"),
}

_N = r"[-\u2212+]?\d+(?:\u202f\d{3})*(?:\.\d+)?"
_RANGE = r"(?: to |\u2013|\u2026)"
_UNIT = r"(?:°C|kg|g|ml|K)"
_ENDS = r"(?![\w/·²³°^])(?! (?:per|to 100) )"
_TOLD = re.compile(
    rf"(?P<lead>± ?|\b(?:by|within|differ(?:s|ing)? by) )?"
    rf"(?<![\w.,/°])(?P<numbers>{_N}(?:{_RANGE}{_N}| ?[±] ?{_N}|(?<=\d), (?={_N}, {_N}){_N})*)"
    rf"(?P<gap>[ \u00a0\u202f]?)(?P<unit>{_UNIT}){_ENDS}"
    rf"(?P<limit> or (?:colder|warmer)\b)?(?P<tail>(?: (?:colder|warmer|cooler|hotter|higher|lower|off|apart)\b)?)"
    rf"(?P<within>(?: \({_N}{_RANGE}{_N}\))?)"
)
"""Numbers that carry a unit once, behind the last; with what says that they are differences, and a bare range."""
_NUMBER = re.compile(r"(?P<off>± ?)?(?P<sign>(?<!\d)[-\u2212+])?(?P<size>\d+(?:\u202f\d{3})*(?:\.\d+)?)")
_BETWEEN = re.compile(rf"\bbetween (?P<low>{_N}) and (?P<high>{_N})(?P<rest>[ \u00a0\u202f]{_UNIT}){_ENDS}")
_BARE = re.compile(r"[-\u2212+]?[\d.,]+")
_CARRIED = re.compile(r"\d[ \u00a0\u202f]?(?:°[CF]|k?g|ml|K|oz|lb|fl oz|s|%)(?!\w)")
_BRACKETS = re.compile(rf"\[(?P<unit>{_UNIT})(?P<rest>(?: at 20 °C)?)\]")
_PARTS = (
    (re.compile(r"\bml to 100 ml\b"), "parts to 100"),
    (re.compile(r"(?<=\d) ml (?=(?:more|less) water\b)"), " parts "),
)
"""Water against drink is a share, whatever it was measured in."""


@dataclass(frozen=True)
class AnswerUnits:
    """The unit of each kind of quantity in answers. `names`: the bench's own names, which nothing may change."""

    temperature: str = "°C"
    mass: str = "g"
    volume: str = "ml"
    names: tuple[str, ...] = ()

    def __str__(self) -> str:
        return ", ".join((self.temperature, self.mass, self.volume))

    @property
    def of_the_lab(self) -> bool:
        """Whether these are the units that everything is written in anyway."""
        return (self.temperature, self.mass, self.volume) == ("°C", "g", "ml")

    def beside(self, names: Sequence[str]) -> AnswerUnits:
        """The same units beside names that hold a number with a unit, such as a vessel called `600 ml tin`."""
        kept = {n for n in names if _TOLD.search(n)}
        return replace(self, names=tuple(sorted(kept, key=lambda n: (-len(n), n))))

    def unit(self, of: str) -> str:
        """The unit that stands in for one of the lab's."""
        if of == "°C":
            return self.temperature
        if of == "K":
            return "K" if self.temperature == "°C" else self.temperature
        if of == "kg":
            return "kg" if self.mass == "g" else "lb"
        return {"g": self.mass, "ml": self.volume}.get(of, of)

    def value(self, value: Quantity, of: str, *, difference: bool = False) -> Quantity:
        """A value, or an array of any shape, that is in one of the lab's units, in the unit that stands in for it."""
        shown = UNITS[self.unit(of)]
        if of == "kg":
            return value * (UNITS["kg"].factor / shown.factor)
        if of == "K" or difference:
            return value / shown.factor
        return value / shown.factor + shown.zero

    def number(
        self, value: float, digits: int, of: str, *, difference: bool = False, exact: bool = False
    ) -> str:
        """A value in one of the lab's units, as text without its unit, told as finely as `digits` tells it there.

        `exact`: it was set and not measured or worked out, so that one more digit is told where there is one.
        """
        there = self.unit(of)
        if there == of:
            return f"{value:z.{digits}f}"
        step = abs(self.value(10.0**-digits, of, difference=True))
        told = f"{self.value(value, of, difference=difference):z.{max(0, math.ceil(-math.log10(step))) + exact}f}"
        return told.removesuffix(".0") if exact else told

    def text(self, said: str, *, exact: bool = False) -> str:
        """A text with every number that carries a unit of the lab's, and every unit in square brackets, in these.

        `exact`: its numbers were set, as those of a slider.
        """
        if self.of_the_lab or not said:
            return said
        if self.names:
            parts = re.split(f"({'|'.join(map(re.escape, self.names))})", said)
            return "".join(p if k % 2 else self._plain(p, exact) for k, p in enumerate(parts))
        return self._plain(said, exact)

    def _plain(self, said: str, exact: bool) -> str:
        if self.volume != "ml":
            for pattern, words in _PARTS:
                said = pattern.sub(words, said)
        said = _BRACKETS.sub(lambda m: f"[{self.unit(m['unit'])}{m['rest']}]", said)
        said = _BETWEEN.sub(lambda m: f"between {m['low']}{m['rest']} and {m['high']}{m['rest']}", said)
        return _TOLD.sub(lambda found: self._told(found, exact), said)

    def _told(self, found: re.Match[str], exact: bool) -> str:
        of = found["unit"]
        there = self.unit(of)
        if there == of:
            return found[0]
        apart = bool(found["lead"] or found["tail"])
        gap = found["gap"] or " "
        # a tenth of a degree is what a limit on the other scale comes to; mass and volume are told finely anyway
        exact = of == "°C" and (exact or found["limit"] is not None)
        told = self.numbers(found["numbers"], of, difference=apart, exact=exact)
        within = self.numbers(found["within"], of, difference=apart)
        return f"{found['lead'] or ''}{told}{gap}{there}{found['limit'] or ''}{found['tail']}{within}"

    def numbers(self, bare: str, of: str, *, difference: bool = False, exact: bool = False) -> str:
        """A text whose numbers are all in one of the lab's units and carry none, in the unit that stands in for it."""
        if self.unit(of) == of:
            return bare

        def told(found: re.Match[str]) -> str:
            sign, size = found["sign"] or "", found["size"].replace("\u202f", "")
            value = -float(size) if sign in ("-", "\u2212") else float(size)
            digits = len(size.partition(".")[2])
            apart = difference or found["off"] is not None
            out = self.number(value, digits, of, difference=apart, exact=exact)
            minus = "-" if sign == "-" else "\u2212"
            plus = "+" if sign == "+" and not out.startswith("-") else ""
            return f"{found['off'] or ''}{plus}{out.replace('-', minus)}"

        return _NUMBER.sub(told, bare)

    def typed(self, text: str, of: str) -> float:
        """A number as somebody types it, in one of the lab's units: bare, it is in the unit that stands in for it.

        Raises
        ------
        ModelRangeError
            As `rig.units.typed`.
        """
        bare = _BARE.fullmatch(text.strip()) is not None and self.unit(of) != of
        return typed(f"{text} {self.unit(of)}" if bare else text, of)

    def cell(self, told: str, of: str | None) -> str:
        """A cell of a table, told in these units already, whose bare numbers are in the lab's unit `of` of its head."""
        return told if of is None or _CARRIED.search(told) else self.numbers(told, of)

    def heading(self, title: str) -> tuple[str, str | None]:
        """The title of a column, row or axis in these units, and the lab's unit that its bare numbers are in."""
        found = _BRACKETS.search(title)
        return self.text(title), None if found is None else found["unit"]


LAB_UNITS = AnswerUnits()


def answer_units(said: str) -> AnswerUnits:
    """The units that somebody asks for: `F`, `°F, oz`, `C oz ml`, or `us` for all three.

    Raises
    ------
    ModelRangeError
        A word that is no unit for answers; two of one kind.
    """
    words = re.sub(r"fl\.?\s*oz\.?", "floz", said.casefold()).replace(",", " ").replace("+", " ").split()
    if words == ["us"]:
        return AnswerUnits("°F", "oz", "fl oz")
    if words in (["lab"], ["metric"]):
        return LAB_UNITS
    chosen: dict[str, str] = {}
    for word in words:
        unit = _SPELLED.get(word)
        kind = next((k for k, both in KINDS.items() if unit in both), None)
        if unit is None or kind is None or chosen.setdefault(kind, unit) != unit:
            why = "is no unit for answers" if unit is None else "comes beside another of its kind"
            raise ModelRangeError(
                f"{word[:20]!r} {why}. Say one of each kind at most, such as F,oz,floz; or us, or metric"
            )
    return AnswerUnits(
        temperature=chosen.get("temperature", "°C"),
        mass=chosen.get("mass", "g"),
        volume=chosen.get("volume", "ml"),
    )


def true_minus(text: str) -> str:
    """A text for people, with a minus sign before its negative numbers where it had a hyphen."""
    return re.sub(r"(?<![^\s(\[:,;±≤≥<>=])-(?=\d)", "−", text)
