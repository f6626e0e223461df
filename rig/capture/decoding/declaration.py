"""Reading a declaration in TOML key by key: each wrong one is refused with its file, its name and the cure."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, NoReturn

from rig.capture.decoding.readings import Quality
from rig.errors import BenchError, Place


def refusal(file: str, key: str, what: str, cure: str = "") -> BenchError:
    """The error that says which key of which file cannot be used, and why."""
    return BenchError(f"{key}: {what}", Place(file), cure)


@dataclass(frozen=True)
class Table:
    """One TOML table with the place it stands in; `take` checks types as it goes."""

    file: str
    key: str
    body: Any

    def take(self, key: str, kind: type, default: Any = None, *, required: bool = False) -> Any:
        """A value of the type it must be."""
        if required and key not in self.body:
            self.refuse(key, "is missing")
        value = self.body.get(key, default)
        if key in self.body and not isinstance(value, kind):
            self.refuse(key, f"must be of type {kind.__name__}, found {value!r}")
        return value

    def tables(self, key: str) -> list[Table]:
        """A list of tables, at least one."""
        entries = self.take(key, list, required=True)
        if not entries:
            self.refuse(key, "is empty")
        return [Table(self.file, f"{self.key}.{key}[{k}]", e) for k, e in enumerate(entries)]

    def number(self, key: str, default: float | None) -> float:
        """A number; without a default it is required."""
        value = self.body.get(key, default)
        if value is None:
            self.refuse(key, "is missing")
        if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
            self.refuse(key, f"must be a number, found {value!r}")
        return float(value)

    def positive(self, key: str) -> float:
        """A number above 0, which is required."""
        value = self.number(key, None)
        if value <= 0:
            self.refuse(key, f"must be above 0, found {value:g}")
        return value

    def only(self, *known: str) -> None:
        """Refuse a key that is none of these."""
        if not isinstance(self.body, dict):
            raise refusal(self.file, self.key, f"must be a table, found {self.body!r}")
        for key in self.body.keys() - set(known):
            self.refuse(key, "unknown key", f"Known: {', '.join(known)}")

    def refuse(self, key: str, what: str, cure: str = "") -> NoReturn:
        """Say which key cannot be used, and why."""
        raise refusal(self.file, f"{self.key}.{key}", what, cure)

    def regex(self, key: str, *, required: bool = False) -> re.Pattern[str] | None:
        """A regular expression."""
        text = self.take(key, str, required=required)
        try:
            return re.compile(text) if text is not None else None
        except re.error as error:
            self.refuse(key, f"no regular expression: {error}")

    def quality(self, key: str, default: str | None) -> Quality | None:
        """A quality by its name; None for refuse."""
        text = self.take(key, str, default)
        if text is None or text == "refuse":
            return None
        if text not in list(Quality):
            self.refuse(key, f"{text!r} is none of {', '.join(Quality)}, refuse")
        return Quality(text)
