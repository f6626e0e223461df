"""What the wall and the phones of a class are told, as JSON values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard.classroom.votes import Asked, Finished, Votes


def wall_of(votes: Votes) -> dict[str, Any]:
    """All that the wall shows: the question, the guesses without their names, and what came of them."""
    return {
        "asked": asked_of(votes.asked),
        "questions": [{"name": a.value, "words": a.scale.short} for a in Asked],
        "open": votes.open,
        "shown": votes.shown,
        "guesses": [g.value for g in votes.guesses],
        "ended": None if votes.ended is None else finished_of(votes.ended),
        "finished": [finished_of(f) for f in votes.finished],
    }


def asked_of(asked: Asked) -> dict[str, Any]:
    """A question with the run of its guesses."""
    s = asked.scale
    return {
        "name": asked.value,
        "words": s.words,
        "unit": s.unit,
        "low": s.low,
        "high": s.high,
        "step": s.step,
        "digits": s.digits,
    }


def finished_of(f: Finished) -> dict[str, Any]:
    """A drink that was made, and who was near."""
    return {
        "drink": f.drink,
        "asked": asked_of(f.asked),
        "truth": {a.value: v for a, v in f.truth.items()},
        "nearest": [{"name": g.name or "no name", "value": g.value, "off": off} for g, off in f.nearest],
        "count": len(f.guesses),
        "path": [list(p) for p in f.path],
    }


def phone_of(votes: Votes, voter: str) -> dict[str, Any]:
    """What one phone shows: the question, its own guess, and how near it was."""
    mine, ended = votes.of(voter), votes.ended
    told: Mapping[str, Any] = {}
    if ended is not None:
        told = {"truth": ended.truth[ended.asked], "count": len(ended.guesses)}
        if mine is not None:
            told = {**told, "place": ended.place_of(mine)}
    return {
        "asked": asked_of(votes.asked),
        "open": votes.open,
        "mine": None if mine is None else {"name": mine.name, "value": mine.value},
        "ended": told or None,
    }
