"""A ranking in words for the person who decides what to buy and what to use."""

from __future__ import annotations

from collections.abc import Callable

from rig.advice.call.words import basis_label, of_hundred, seconds
from rig.advice.compare.ranking import Beats, Interval, Ranked, Ranking, told_apart


def sentences(ranking: Ranking) -> tuple[str, ...]:
    """First who leads and how surely, then every next one, then what was left out."""
    best = ranking.ranked[0]
    lands = f"{of_hundred(best.call.odds)} at {seconds(best.call.duration_s)} s"
    told = [f"{best.name}: lands {lands}, {basis_label(best.call.basis)}"]
    told += [beats_words(p, ranking.varied) for p in told_apart(ranking)]
    told += [f"{name} is left out: {why.rstrip('.')}" for name, why in ranking.left_out]
    return tuple(f"{text}." for text in told)


def beats_words(pair: Beats, varied: str) -> str:
    """Whether one of two lands more often, or what would tell."""
    if pair.sure:
        return f"{pair.better} lands more often than {pair.worse} ({of_hundred(pair.probability)} draws)"
    if pair.neither:
        return f"{pair.better} and {pair.worse} hardly ever land"
    text = (
        f"{pair.better} and {pair.worse} cannot be told apart with these runs "
        f"({of_hundred(pair.probability)} draws for {pair.better})"
    )
    if pair.more_runs is None:
        return f"{text}; what differs is too little for any number of runs that one would make"
    runs = "run" if pair.more_runs == 1 else "runs"
    return f"{text}; about {pair.more_runs} more {runs} with the {varied} {pair.less_known} would"


def money_heads(ranking: Ranking) -> tuple[str, ...]:
    """Heads of the columns of cost: only those that some alternative has."""
    return tuple(head for head, of in _MONEY if any(of(r) is not None for r in ranking.ranked))


def money_of(ranking: Ranking, ranked: Ranked) -> tuple[Interval | None, ...]:
    """What an alternative costs, under those heads."""
    return tuple(of(ranked) for head, of in _MONEY if head in money_heads(ranking))


_MONEY: tuple[tuple[str, Callable[[Ranked], Interval | None]], ...] = (
    ("cost\na drink", lambda r: r.cost),
    ("ice\na night", lambda r: r.ice_cost_a_night),
)
