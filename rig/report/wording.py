"""A call, its basis and its conditions in the words that screen, print and page share."""

from __future__ import annotations

from rig.advice.call.call import Advice
from rig.advice.call.texture import overrun_words
from rig.advice.call.words import assumptions as assumptions
from rig.advice.call.words import basis_label as basis_label
from rig.advice.call.words import basis_sentence as basis_sentence
from rig.advice.call.words import headline as headline
from rig.advice.call.words import odds_words as odds_words
from rig.advice.call.words import of_hundred as of_hundred
from rig.advice.call.words import percent as percent
from rig.advice.call.words import seconds as seconds
from rig.advice.call.words import span as span
from rig.advice.call.words import window_words as window_words
from rig.advice.compare.compare import Comparison, PairComparison
from rig.advice.compare.words import sentence
from rig.answer_units import true_minus
from rig.bench import Target


def landing(advice: Advice) -> str:
    """Where the drink will be at the called duration, with 90 % ranges."""
    temp, water = advice.at_call["temp_c"], advice.at_call["dilution_by_volume"]
    abv, volume = advice.at_call["abv_pct"], advice.at_call["volume_ml"]
    text = (
        f"After {seconds(advice.duration_s)} s: {temp[1]:z.1f} °C ({temp[0]:z.1f} to {temp[2]:z.1f}), "
        f"dilution {percent(water[1])} ({percent(water[0])} to {percent(water[2])})"
    )
    if abv[1] >= 0.5:
        text += f", {abv[1]:.1f} % ABV"
    return true_minus(f"{text}, {volume[1]:.0f} ml in the glass")


def limits(advice: Advice) -> str:
    """What ends the window on each side."""
    return f"Stopped early: {advice.limited_by['early']}. Stopped late: {advice.limited_by['late']}."


def what_ice_can_do(advice: Advice) -> str:
    """What heat alone allows on this ice, in words; nothing where it is not known."""
    bounds = advice.ice_limits
    if bounds is None:
        return ""
    cold, target = bounds.coldest_c, advice.target
    out = [
        f"This ice could bring it to {cold.typical:z.1f} °C at the coldest ({cold.low:z.1f} to {cold.high:z.1f} °C), "
        f"by heat alone and given time with {bounds.enough_ice_g:.0f} g of it: more ice is quicker, hardly colder"
    ]
    if target.serve_temp_c_max is not None and bounds.least_dilution is None:
        out.append(
            f"{target.serve_temp_c_max:z.1f} °C is out of its reach: colder or more ice, or a stronger base"
        )
    elif bounds.least_dilution is not None:
        least = bounds.least_dilution
        out.append(
            f"{target.serve_temp_c_max:z.1f} °C costs at least {percent(least.typical)} of dilution "
            f"({percent(least.low)} to {percent(least.high)})"
        )
    if bounds.rest_to_c is not None:
        out.append(
            f"to stay within the target's dilution, let the drink cool to {bounds.rest_to_c:.0f} °C first"
        )
    text = "; ".join(out)
    return true_minus(f"{text}.")


def target_words(target: Target) -> str:
    """A target in words."""
    parts = []
    if target.serve_temp_c_min is not None:
        parts.append(f"at {target.serve_temp_c_min:g} °C or warmer")
    if target.serve_temp_c_max is not None:
        parts.append(f"at {target.serve_temp_c_max:g} °C or colder")
    if target.dilution_by_volume is not None:
        low, high = target.dilution_by_volume
        parts.append(f"dilution {percent(low)} to {percent(high)}")
    if target.abv_pct is not None:
        parts.append(f"{target.abv_pct[0]:g} to {target.abv_pct[1]:g} % ABV")
    if target.volume_ml is not None:
        parts.append(f"{target.volume_ml[0]:g} to {target.volume_ml[1]:g} ml in the glass")
    if air := overrun_words(target):
        parts.append(air)
    text = ", ".join(parts)
    return true_minus(f"{target.name}: {text}" if target.name else text)


def pairs_in_words(comparison: Comparison) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Sentences of pairs that differ in one part only, and of all others, as far as they can be compared."""
    known = [p for p in comparison.pairs if p.not_comparable is None]
    ranked = sorted(known, key=lambda p: len(_apart(p)))
    close = tuple(_named(p, comparison) for p in ranked if len(_apart(p)) == 1)
    return close, tuple(_named(p, comparison) for p in ranked if len(_apart(p)) > 1)


def not_comparable(comparison: Comparison) -> tuple[str, ...]:
    """What cannot be said, why, and which runs would tell: each reason once, however many pairs it concerns."""
    gaps = dict.fromkeys(g for p in comparison.pairs for g in p.gaps)
    return tuple(true_minus(f"{g[0].upper()}{g[1:].removesuffix('.')}.") for g in gaps)


_PARTS = ("technique", "vessel", "ice")


def _apart(pair: PairComparison) -> list[str]:
    return [n for n in _PARTS if getattr(pair.a, n) != getattr(pair.b, n)]


def _named(pair: PairComparison, comparison: Comparison) -> str:
    """The pair's sentence, which names what tells the two apart, after what both share and others do not."""
    shared = [n for n in _PARTS if n not in _apart(pair)]
    telling = [n for n in shared if len({getattr(s.set_up, n) for s in comparison.summaries}) > 1]
    prefix = " · ".join(getattr(pair.a, n) for n in telling)
    runs = pair.runs_a, pair.runs_b
    told = sentence(pair.a, pair.b, runs, pair.contrasts, (), comparison.duration_s, comparison.target_temp_c)
    return f"{prefix}: {told[0].lower()}{told[1:]}" if prefix else told
