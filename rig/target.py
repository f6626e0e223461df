"""The window a drink must land in, as a validated value."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.errors import BenchError

Window = tuple[float, float]
WINDOWS = ("dilution_by_volume", "abv_pct", "volume_ml", "overrun_pct")
SINGLE = ("serve_temp_c_max", "serve_temp_c_min", "overrun_pct_min")


@dataclass(frozen=True)
class Target:
    """The window a drink must land in.

    Dilution is water added ÷ starting volume [ml/ml]; ABV [% vol] and volume [ml] are of the liquid after
    dilution, before what the ice and vessel hold back is lost from `volume_ml`. Overrun is air ÷ liquid by
    volume [%] as the drink is poured: a window, or its lower end alone.
    """

    serve_temp_c_max: float | None = None
    dilution_by_volume: Window | None = None
    abv_pct: Window | None = None
    volume_ml: Window | None = None
    serve_temp_c_min: float | None = None
    name: str = ""
    overrun_pct: Window | None = None
    overrun_pct_min: float | None = None

    def __post_init__(self) -> None:
        for label in WINDOWS:
            window = getattr(self, label)
            if window is None:
                continue
            low, high = (float(x) for x in window)
            if not (math.isfinite(low) and math.isfinite(high) and 0 <= low < high):
                raise BenchError(
                    f"target {self.name or '(given)'}: {label} must be [low, high] with 0 ≤ low < high, "
                    f"found [{low:g}, {high:g}]",
                    cure="Dilution is a fraction: 30 % is 0.30" if label == "dilution_by_volume" else "",
                )
            object.__setattr__(self, label, (low, high))
        if self.overrun_pct_min is not None:
            if not (math.isfinite(self.overrun_pct_min) and self.overrun_pct_min >= 0.0):
                raise BenchError(
                    f"target {self.name or '(given)'}: overrun_pct_min must be 0 or more, "
                    f"found {self.overrun_pct_min:g}",
                    cure="Overrun is in percent: 30 ml of air in 100 ml of liquid is 30",
                )
            if self.overrun_pct is not None:
                raise BenchError(
                    f"target {self.name or '(given)'}: overrun_pct and overrun_pct_min are both given",
                    cure="Give one of the two",
                )
        if self.is_empty:
            raise BenchError(
                f"target {self.name or '(given)'} names no limit",
                cure="Give serve_temp_c_max, dilution_by_volume, abv_pct or volume_ml",
            )

    @property
    def is_empty(self) -> bool:
        """True where no limit is set."""
        return all(getattr(self, label) is None for label in (*WINDOWS, *SINGLE))

    @property
    def overrun_window(self) -> tuple[float, float | None] | None:
        """The overrun asked for [%], its upper end None where there is none; None where none is asked for."""
        if self.overrun_pct is not None:
            return self.overrun_pct
        return None if self.overrun_pct_min is None else (self.overrun_pct_min, None)
