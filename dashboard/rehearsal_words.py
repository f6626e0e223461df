"""A rehearsal in the words of its page: plain sentences and rows of tables."""

from __future__ import annotations

from dashboard import wording
from dashboard.figures.rehearsal import CHARTED
from rig.advice.call.odds import Result
from rig.advice.evidence.hit_rate import HitRate
from rig.advice.rehearsal.by_feel import ByFeel
from rig.advice.rehearsal.control_chart import SETTLED_RUNS, ControlChart
from rig.advice.rehearsal.rehearsal import Practice
from rig.advice.rehearsal.trend import Drift, Steadiness
from rig.advice.rehearsal.words import FALSE_ALARMS, more_of_hundred
from rig.answer_units import true_minus
from rig.report.wording import percent, target_words

RUN_HEADS = ("Run", "Session", "Lasted", "In the glass", "Dilution", "Landed", "What went wrong")
FEW = 8
"""Below so many runs a hit rate says little more than that there were some."""


def rate_words(found: HitRate) -> tuple[str, str]:
    """The count, and what it says of the long run."""
    low, high = 100.0 * found.low, 100.0 * found.high
    return (
        f"{found.hits} of {found.runs}",
        f"{percent(found.rate)}; in the long run {low:.0f} to {high:.0f} % ({percent(found.confidence)} interval)",
    )


def landed_words(found: Practice) -> str:
    """The target, and how far to trust the count."""
    said = [] if found.target is None else [f"Target: {target_words(found.target)}."]
    if found.capability is not None and found.capability.runs < FEW:
        said.append(f"So few runs leave the interval wide: {FEW} or more tell better.")
    return " ".join(said)


def part_rows(found: Practice) -> tuple[tuple[str, ...], ...]:
    """Parts of the spread of temperature and dilution; none where runs are too few for parts."""
    by_result = {s.result: s.parts for s in found.spreads}
    temp, water = by_result.get(Result.TEMP_C, ()), by_result.get(Result.DILUTION, ())
    rate = 0.0 if found.capability is None else found.capability.rate
    steady = {g.part: more_of_hundred(g.odds, rate) for g in found.gains}
    return tuple(
        (
            t.part.value.capitalize(),
            t.part.covers,
            f"{percent(t.share)} ({100 * t.low:.0f} to {100 * t.high:.0f})",
            f"{percent(d.share)} ({100 * d.low:.0f} to {100 * d.high:.0f})",
            steady.get(t.part, "–"),
        )
        for t, d in zip(temp, water, strict=False)
    )


def chart_words(chart: ControlChart) -> list[str]:
    """What a chart says, a sentence each."""
    out: list[str] = []
    if chart.odd:
        out.append(
            f"◆ {', '.join(chart.odd)}: further out than scatter takes a run. Look for what was different about it."
        )
    if not out:
        out.append("Nothing beyond scatter.")
    said = CHARTED[chart.quantity]
    limits = wording.span(said.scale * chart.lower, said.scale * chart.upper, said.digits, said.unit)
    out.append(f"Scatter alone stays within {limits} (dashed).")
    if chart.provisional:
        out.append(f"These limits are provisional: they rest on fewer than {SETTLED_RUNS} runs.")
    return out


def drift_words(found: Practice) -> tuple[str, ...]:
    """What changes from run to run, and how seldom that is said for nothing."""
    clear = [d for d in found.drifts if d.is_clear]
    if not found.drifts:
        return ("Too few runs in any one session to tell: four or more are needed.",)
    if not clear:
        return ("No clear drift from run to run.", FALSE_ALARMS)
    return (*(_drift(d) for d in clear), FALSE_ALARMS)


def _drift(d: Drift) -> str:
    said = CHARTED[d.quantity]
    unit = {"°C": "K", "%": "ml to 100 ml", "% off the usual": "%"}.get(said.unit, said.unit)

    def signed(value: float) -> str:
        return true_minus(f"{said.scale * value:+.2f}")

    ends = f"{signed(d.low)} to {signed(d.high)}"
    return f"{said.name.capitalize()}: {signed(d.per_run)} {unit} a run (90 %: {ends})."


def cadence_words(rhythm: Steadiness | None) -> str:
    """How steady the hand is."""
    if rhythm is None:
        return "No run recorded its rhythm: a motion sensor on the vessel would."
    between = "" if rhythm.between_cv is None else f", and by {percent(rhythm.between_cv)} from run to run"
    change = (
        true_minus(f"changes by {100 * rhythm.change:+.0f} %") if abs(rhythm.change) >= 0.005 else "holds"
    )
    text = (
        f"{rhythm.mean_hz:.1f} strokes a second. It wavers by {percent(rhythm.within_cv)} within a run{between}; "
        f"from start to end of a run it {change}."
    )
    if rhythm.hand_with_rate is not None:
        strength = abs(rhythm.hand_with_rate)
        word = "clearly" if strength > 0.6 else "somewhat" if strength > 0.3 else "hardly"
        text += f" How fast a run chills goes {word} with its rhythm."
    return text


def session_rows(found: Practice) -> tuple[tuple[str, ...], ...]:
    """Sessions side by side."""
    return tuple(
        (
            s.session or "none named",
            str(s.runs),
            "–" if s.hits is None else str(s.hits),
            wording.number(s.temp_sd_k, 2, "K"),
            wording.number(None if s.dilution_sd is None else 100 * s.dilution_sd, 1, "ml to 100 ml"),
        )
        for s in found.sessions
    )


def run_rows(found: Practice) -> tuple[tuple[str, ...], ...]:
    """Every run: where it came to, and what went wrong."""
    landed = {True: "✓ landed", False: "✕ missed", None: "–"}
    rows = [
        (
            r.run,
            r.session or "–",
            wording.number(r.duration_s, 1, "s"),
            wording.number(r.temp_c, 1, "°C"),
            wording.number(100 * r.dilution_by_volume, 0, "%"),
            landed[r.landed],
            true_minus(r.why) or "–",
        )
        for r in found.runs
    ]
    aside = [(run, "–", "–", "–", "–", "set aside", why) for run, why in found.set_aside.items()]
    return tuple(rows + aside)


def by_feel_words(found: ByFeel) -> tuple[str, ...]:
    """What to practise of the stop, how often the blind ones landed beside the guided, and how they were off."""
    timing = found.timing_words
    return found.practise, found.rate_words, f"{timing[0].upper()}{timing[1:]}; {found.missed_words}."
