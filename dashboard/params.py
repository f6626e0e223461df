"""Parameters of a page, read alike from its address and from its controls, and checked once for both."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlencode

from rig.errors import ModelRangeError, NotFound

Params = Mapping[str, tuple[str, ...]]


def params_of_query(search: str | None) -> Params:
    """Parameters of an address's query, `?a=1&b=2`."""
    return {k: tuple(v) for k, v in parse_qs((search or "").lstrip("?"), keep_blank_values=True).items()}


def params_of_store(asked: Any) -> Params:
    """Parameters as the page's script keeps them: a value or a list of values by name.

    Raises
    ------
    ModelRangeError
        Where it is not of that form.
    """
    if not isinstance(asked, Mapping):
        raise ModelRangeError("the page sent nothing that can be read; load it again")
    out: dict[str, tuple[str, ...]] = {}
    for name, value in asked.items():
        values = value if isinstance(value, list) else [value]
        out[str(name)] = tuple(str(v) for v in values if isinstance(v, str | int | float))
    return out


def address(path: str, **params: str | Sequence[str] | None) -> str:
    """A path with its query; parameters that are None or empty are left out."""
    query = urlencode({k: v for k, v in params.items() if v}, doseq=True)
    return f"{path}?{query}" if query else path


def one(params: Params, name: str) -> str | None:
    """The last value of a parameter, or None."""
    values = params.get(name, ())
    return values[-1] if values else None


def named(params: Params, name: str, known: Iterable[str], otherwise: str, kind: str) -> str:
    """A parameter that must be one of the names known, or `otherwise` where it is not given.

    Raises
    ------
    NotFound
        Any other name.
    """
    text = one(params, name)
    if text is None:
        return otherwise
    listed = tuple(known)
    if text not in listed:
        raise NotFound(kind, text[:80], [k for k in listed if k])
    return text


@dataclass(frozen=True)
class Scale:
    """The run of a slider; `none_at`: the end at which it sets no limit."""

    low: float
    high: float
    step: float
    unit: str
    none_at: float | None = None

    def snapped(self, value: float) -> float:
        """The nearest position of the slider."""
        steps = round((min(max(value, self.low), self.high) - self.low) / self.step)
        return round(self.low + steps * self.step, 6)

    def words(self, value: float) -> str:
        """The value as it stands beside the slider."""
        return "any" if value == self.none_at else f"{value:g} {self.unit}".replace("-", "−")

    def read(self, params: Params, name: str, otherwise: float) -> float:
        """The parameter's value, within the slider's run.

        Raises
        ------
        ModelRangeError
            Not a number, or beyond either end.
        """
        text = one(params, name)
        if text is None:
            return self.snapped(otherwise)
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not self.low <= value <= self.high:
            raise ModelRangeError(
                f"{name} must be a number from {self.low:g} to {self.high:g} {self.unit}, found {text[:40]!r}"
            )
        return self.snapped(value)
