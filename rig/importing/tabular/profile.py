"""What a person has settled about a logger's files, so that nothing needs guessing."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum
from typing import Any, TypeVar

from rig.errors import TableRefused

CHANNELS = "channels"
_CURVE = re.compile(r"[1-9]\d?", re.ASCII)


class TimeUnit(StrEnum):
    """What the numbers or the two-part stamps of a time column count."""

    MICROSECONDS = "us"
    MILLISECONDS = "ms"
    SECONDS = "s"
    MINUTES = "min"
    HOURS = "h"
    DAYS = "d"
    EPOCH_SECONDS = "epoch s"
    EPOCH_MILLISECONDS = "epoch ms"
    SERIAL_DAYS = "serial days"
    MINUTES_SECONDS = "mm:ss"
    HOURS_MINUTES = "hh:mm"


class Use(StrEnum):
    """What a channel is used for in a run's trace."""

    PROBE = "probe"
    SCALE = "scale"
    ROOM = "room"
    CADENCE = "cadence"
    IGNORE = "ignore"


@dataclass(frozen=True)
class TableProfile:
    """Answers to what a file may leave open; None or empty means: let the file say.

    Attributes
    ----------
    delimiter : one character, or " " for any run of blanks
    decimal : "." or ","
    encoding : a codec's name
    day_first : True for day, month, year; False for month first (or year first, where a year can stand there)
    time_column : a header or a column number from 1
    time_unit : what its numbers count
    interval_s : seconds between rows, where no column holds a time
    columns : header or column number -> unit ("°F", "kg"), quantity ("humidity") or "ignore"
    uses : header or column number -> what the channel is used for in a run's trace
    sheet : the sheet of a workbook
    recording : which recording, from 1, where a file holds several
    curves : where curves stand side by side, each with a time of its own: "channels" of one run, or which one,
        from 1, where each is a run
    """

    delimiter: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    day_first: bool | None = None
    time_column: str | None = None
    time_unit: TimeUnit | None = None
    interval_s: float | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    uses: Mapping[str, Use] = field(default_factory=dict)
    sheet: str | None = None
    recording: int | None = None
    curves: str | None = None

    def __post_init__(self) -> None:
        if self.delimiter is not None and len(self.delimiter) != 1:
            raise TableRefused(f"delimiter {self.delimiter!r} is not one character")
        if self.decimal not in (None, ".", ","):
            raise TableRefused(f"decimal {self.decimal!r} is neither '.' nor ','")
        if self.interval_s is not None and not 0 < self.interval_s < 1e9:
            raise TableRefused(f"interval_s {self.interval_s!r} is no time between rows")
        if self.curves is not None and self.curves != CHANNELS and not _CURVE.fullmatch(self.curves):
            raise TableRefused(f"curves {self.curves!r} is neither {CHANNELS!r} nor a number from 1")
        if self.recording is not None and self.recording < 1:
            raise TableRefused("recording counts from 1")

    def with_settings(self, settings: Mapping[str, Any]) -> TableProfile:
        """Replace some answers; gives a new profile.

        Raises
        ------
        TableRefused
            Where a setting has no such name or no such value; the message lists what there is.
        """
        known = [f.name for f in fields(self)]
        unknown = [name for name in settings if name not in known]
        if unknown:
            raise TableRefused(f"there is no setting {unknown[0]!r}", cure=f"Settings: {', '.join(known)}")
        values = dict(settings)
        if values.get("time_unit") is not None:
            values["time_unit"] = _choice(TimeUnit, "time unit", values["time_unit"])
        if values.get("time_column") is not None:
            values["time_column"] = str(values["time_column"])
        if "columns" in values:
            values["columns"] = {str(k): str(v) for k, v in dict(values["columns"]).items()}
        if "uses" in values:
            values["uses"] = {str(k): _choice(Use, "use", v) for k, v in dict(values["uses"]).items()}
        return replace(self, **values)

    def joined(self, later: TableProfile) -> TableProfile:
        """These answers with later ones over them; what is told of columns is put together."""
        values = later.to_dict()
        for name in ("columns", "uses"):
            values[name] = {**getattr(self, name), **values.get(name, {})}
        return self.with_settings(values)

    def to_dict(self) -> dict[str, Any]:
        """What is settled, and only that."""
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        values |= {"columns": dict(self.columns), "uses": {k: str(v) for k, v in self.uses.items()}}
        if self.time_unit is not None:
            values["time_unit"] = str(self.time_unit)
        return {name: value for name, value in values.items() if value not in (None, {})}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> TableProfile:
        """The profile that `to_dict` wrote."""
        return cls().with_settings(values)


Choice = TypeVar("Choice", bound=StrEnum)


def _choice(kind: type[Choice], name: str, value: Any) -> Choice:
    try:
        return kind(value)
    except ValueError as e:
        choices = ", ".join(map(repr, map(str, kind)))
        raise TableRefused(f"there is no {name} {value!r}", cure=f"{name.capitalize()}s: {choices}") from e
