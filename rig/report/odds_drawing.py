"""The odds curve as a small drawing (SVG 1.1): sharp on paper, and a card needs no script."""

from __future__ import annotations

import numpy as np

from rig.advice.call.call import Advice
from rig.report.figures import beyond_runs
from rig.report.look import LIGHT, Look, faded

WIDTH, HEIGHT = 640, 200
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 16, 26, 40


def odds_drawing(call: Advice, look: Look = LIGHT) -> str:
    """Odds of landing against time, the window shaded and the call marked, as SVG markup."""
    longest = float(call.time_s[-1])

    def x(time_s: float) -> float:
        return _LEFT + (WIDTH - _LEFT - _RIGHT) * time_s / longest

    def y(odds: float) -> float:
        return HEIGHT - _BOTTOM - (HEIGHT - _TOP - _BOTTOM) * odds

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="Odds of landing against time: best {call.odds:.0%} at {call.duration_s:.0f} s" '
        f'font-family="{look.font}" font-size="14" fill="{look.quiet}">'
    ]
    for start, end, why in beyond_runs(call):
        left, right = x(start), x(end)
        parts.append(
            f'<rect x="{left:.1f}" y="{y(1):.1f}" width="{right - left:.1f}" height="{y(0) - y(1):.1f}" '
            f'fill="{faded(look.quiet, 0.08)}"><title>{why}</title></rect>'
        )
        if right - left > 130:
            parts.append(
                f'<text x="{0.5 * (left + right):.1f}" y="{y(0) - 6:.1f}" text-anchor="middle">{why}</text>'
            )
    if call.feasible:
        low, high = (x(t) for t in call.window_s)
        parts.append(
            f'<rect x="{low:.1f}" y="{y(1):.1f}" width="{high - low:.1f}" height="{y(0) - y(1):.1f}" '
            f'fill="{faded(look.landing, 0.22)}"/>'
        )
    for odds in (0.0, 0.5, 1.0):
        parts.append(f'<path d="M{x(0):.1f} {y(odds):.1f}H{WIDTH - _RIGHT}" stroke="{look.grid}"/>')
        parts.append(f'<text x="{_LEFT - 8}" y="{y(odds) + 5:.1f}" text-anchor="end">{odds:.0%}</text>')
    step = next(s for s in (1, 2, 5, 10, 20, 30, 60, 120, 300, 600) if longest / s <= 8 or s == 600)
    for time_s in np.arange(0, longest + 0.01, step):
        parts.append(
            f'<text x="{x(float(time_s)):.1f}" y="{HEIGHT - 20}" text-anchor="middle">{time_s:.0f}</text>'
        )
    parts.append(f'<text x="{WIDTH - _RIGHT}" y="{HEIGHT - 3}" text-anchor="end">time on the ice [s]</text>')
    line = " ".join(
        f"{x(float(t)):.1f},{y(float(o)):.1f}" for t, o in zip(call.time_s, call.odds_at, strict=True)
    )
    parts.append(f'<polyline points="{line}" fill="none" stroke="{look.accent}" stroke-width="3"/>')
    at = x(call.duration_s)
    parts.append(
        f'<path d="M{at:.1f} {y(1):.1f}V{y(0):.1f}" stroke="{look.ink}" stroke-width="2" stroke-dasharray="3 4"/>'
        f'<text x="{at:.1f}" y="{y(1) - 8:.1f}" text-anchor="middle" fill="{look.ink}" font-weight="700">'
        f"{call.duration_s:.0f} s</text></svg>"
    )
    return "".join(parts)
