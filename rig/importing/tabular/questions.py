"""Questions that a file leaves open: a refusal whose cure is one setting names that setting."""

from __future__ import annotations

from typing import Self


class Settles(str):
    """A cure's text that names the setting (a field of `TableProfile`) which settles the refusal.

    Attributes
    ----------
    setting : the field's name
    choices : its likely values as text; empty where any may be
    column : the header, for settings that are told column by column
    """

    setting: str
    choices: tuple[str, ...]
    column: str | None

    def __new__(
        cls, text: str, setting: str, choices: tuple[str, ...] = (), column: str | None = None
    ) -> Self:
        """A cure with what it settles."""
        cure = super().__new__(cls, text)
        cure.setting, cure.choices, cure.column = setting, choices, column
        return cure


DECIMAL_CURE = Settles("Pass decimal=',' or decimal='.'", "decimal", (",", "."))
DAY_CURE = Settles("Pass day_first=True or day_first=False", "day_first", ("day first", "month first"))
PARTS_CURE = Settles("Pass time_unit='mm:ss' or time_unit='hh:mm'", "time_unit", ("mm:ss", "hh:mm"))
INTERVAL_CURE = Settles("Pass interval_s, the seconds between rows", "interval_s")
NO_TIME_CURE = Settles("Pass interval_s (seconds between rows) or time_column and time_unit", "interval_s")
