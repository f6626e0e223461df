"""What many benches have in common, learned from what each one's runs say of its effects.

A bench says no more than its runs' information: the posterior of its effects less the prior it was fitted under, as a
Gaussian in natural parameters. So the same runs fitted under another prior count once, and no name leaves a bench.

Around it stands a linear model of three levels: an effect is its kind's mean, what the venue adds to that, and what
the item itself adds. Means are integrated out, variances are estimated by expectation–maximisation (Dempster, Laird &
Rubin, J. R. Stat. Soc. B 39 (1977) 1; Searle, Casella & McCulloch, Variance Components, 1992, ch. 8), each held by a
prior: a third of the published variance for the mean, for venues, and for items.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np

from rig.arrays import FloatArray, IntArray
from rig.fitting.effect_priors import random_effects_of, run_sd_prior
from rig.fitting.kinds import hand_kind, kind_of
from rig.fitting.priors import MOTIONS, RUN_SD_PRIOR, P
from rig.fitting.result import Fit, Verdict
from rig.fitting.situation import Situation
from rig.fitting.spreads import BELIEVED, PRIOR_MEMBERS, PRIOR_RUNS, RUN_PARAMETERS
from rig.population import Population

LEVELS = 3
ROUNDS = 25
"""Steps of expectation–maximisation; variances then change by less than a hundredth."""


@dataclass(frozen=True)
class BenchStatistics:
    """What a bench's runs say, without its names.

    `kinds` (effects,) of its effects; `published_sd` (effects,) their spread where no bench is known; `information`
    (effects, effects) and `score` (effects,) of the runs alone; `hands`: by kind of departure how many runs there are
    and the sum of their squares; `runs`: how many stand behind it.
    """

    kinds: tuple[str, ...]
    published_sd: FloatArray
    information: FloatArray
    score: FloatArray
    hands: Mapping[str, tuple[float, float]]
    runs: int

    def to_bytes(self) -> bytes:
        """As an archive of arrays with one JSON header."""
        header = json.dumps({"kinds": self.kinds, "hands": dict(self.hands), "runs": self.runs}).encode()
        out = io.BytesIO()
        np.savez_compressed(
            out,
            header=np.frombuffer(header, dtype=np.uint8),
            published_sd=self.published_sd.astype(np.float32),
            information=self.information.astype(np.float32),
            score=self.score.astype(np.float32),
        )
        return out.getvalue()

    @classmethod
    def from_bytes(cls, content: bytes) -> Self:
        """The statistics that `to_bytes` wrote, rounded to single precision."""
        with np.load(io.BytesIO(content), allow_pickle=False) as archive:
            told = json.loads(archive["header"].tobytes())
            arrays = {name: archive[name].astype(float) for name in ("published_sd", "information", "score")}
        hands = {kind: (float(n), float(total)) for kind, (n, total) in told["hands"].items()}
        return cls(tuple(told["kinds"]), hands=hands, runs=int(told["runs"]), **arrays)


def statistics_of(fit: Fit) -> BenchStatistics:
    """What the runs of a fitted bench say of their effects and of their own scatter."""
    fitted = {r.run for r in fit.runs if r.verdict in (Verdict.GOOD, Verdict.DOUBTFUL)}
    effects, post = fit.random_effects, fit.posterior
    published = random_effects_of(fit.bench, [Situation.of(r) for r in fit.book.runs if r.run in fitted])
    sd_of = dict(zip(published.keys, published.prior_sd, strict=True))
    kinds = [kind_of(fit.bench, key) for key in effects.keys]
    prior = 1.0 / (effects.prior_sd * post.spreads.component_scale[effects.component]) ** 2
    precision = post.effect_scale**2 * np.linalg.inv(
        post.covariance
    )  # what set-ups left out say is no information
    information = precision - np.diag(prior)
    score = precision @ post.effects - prior * effects.prior_mean
    mine = [k for k, kind in enumerate(kinds) if kind is not None]
    own = [k for k, kind in enumerate(kinds) if kind is None]
    if own:  # a probe's own effects are integrated out under their prior
        inner = information[np.ix_(own, own)] + np.diag(prior[own])
        gain = np.linalg.solve(inner, information[np.ix_(own, mine)]).T
        score = score[mine] - gain @ (score[own] + prior[own] * effects.prior_mean[own])
        information = information[np.ix_(mine, mine)] - gain @ information[np.ix_(own, mine)]
    return BenchStatistics(
        kinds=tuple(str(kinds[k]) for k in mine),
        published_sd=np.array([sd_of[effects.keys[k]] for k in mine]),
        information=np.asarray(information, dtype=float),
        score=np.asarray(score, dtype=float),
        hands=_hands(fit, fitted),
        runs=len(fitted),
    )


def _hands(fit: Fit, fitted: set[str]) -> dict[str, tuple[float, float]]:
    """By kind of departure how many runs there are and the sum of their squares, the prior's share taken out."""
    order = [r for r in fit.book.runs if r.run in fitted]
    sound = np.min(fit.posterior.weight, axis=1) > BELIEVED
    out: dict[str, tuple[float, float]] = {}
    for g, technique in enumerate(fit.techniques):
        count = sum(1 for run, good in zip(order, sound, strict=True) if good and run.technique == technique)
        prior = run_sd_prior(fit.bench, technique, fit.book.population)
        for parameter in RUN_PARAMETERS:
            if parameter is P.OFFSET or not count:
                continue
            learned = float(fit.posterior.spreads.run_sd[g, parameter]) ** 2
            total = (PRIOR_RUNS + count) * learned - PRIOR_RUNS * float(prior[parameter]) ** 2
            kind = hand_kind(parameter, fit.bench.motion(technique))
            before = out.get(kind, (0.0, 0.0))
            out[kind] = (before[0] + count, before[1] + max(total, 0.0))
    return out


@dataclass(frozen=True)
class _Message:
    """What a bench says of its venue's means: information (kinds, kinds), score (kinds,)."""

    information: FloatArray
    score: FloatArray

    def __add__(self, other: _Message) -> _Message:
        return _Message(self.information + other.information, self.score + other.score)

    def __sub__(self, other: _Message) -> _Message:
        return _Message(self.information - other.information, self.score - other.score)


@dataclass(frozen=True)
class Learned:
    """What was learned from benches: variances by kind, and all that priors for a bench follow from.

    `kinds` (kinds,); `item_var`, `venue_var`, `mean_var` (kinds,): of items about their venue's mean, of venues about
    the mean of all, of that mean before any run.
    """

    kinds: tuple[str, ...]
    benches: tuple[BenchStatistics, ...]
    venues: tuple[str, ...]
    item_var: FloatArray
    venue_var: FloatArray
    mean_var: FloatArray

    @cached_property
    def _places(self) -> tuple[IntArray, ...]:
        place = {kind: k for k, kind in enumerate(self.kinds)}
        return tuple(np.array([place[kind] for kind in b.kinds], dtype=np.int64) for b in self.benches)

    @cached_property
    def _messages(self) -> tuple[_Message, ...]:
        return tuple(_message(b, at, self.item_var) for b, at in zip(self.benches, self._places, strict=True))

    def prior_for(self, venue: str, without: int | None = None) -> Population | None:
        """The prior of a bench at a venue, of all benches but the one `without` names; None where there is none.

        The variances are those of all benches: what a bench says of its own level is taken out, not how far benches lie
        apart.
        """
        others = [n for n in range(len(self.benches)) if n != without]
        if not others:
            return None
        mean, covariance = self._means(others)[venue if venue in self._venues_of(others) else ""]
        met = np.zeros(len(self.kinds), dtype=bool)
        for n in others:
            met[self._places[n]] = True
        own_venue = 0.0 if venue in self._venues_of(others) else self.venue_var
        sd = np.sqrt(self.item_var + own_venue + np.diagonal(covariance))
        return Population(
            effects={
                kind: (round(float(mean[k]), 6), round(float(sd[k]), 6))
                for k, kind in enumerate(self.kinds)
                if met[k]
            },
            hands=_pooled_hands([self.benches[n] for n in others]),
            benches=len(others),
            venues=len(self._venues_of(others)),
            runs=sum(self.benches[n].runs for n in others),
        )

    def _venues_of(self, benches: Sequence[int]) -> dict[str, list[int]]:
        found: dict[str, list[int]] = {}
        for n in benches:
            found.setdefault(self.venues[n], []).append(n)
        return found

    def _means(self, benches: Sequence[int]) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Mean (kinds,) and covariance (kinds, kinds) of each venue's means; of the mean of all under the name ''."""
        size = len(self.kinds)
        apart = np.diag(1.0 / self.venue_var)
        total = _Message(np.diag(1.0 / self.mean_var), np.zeros(size))
        inside: dict[str, tuple[FloatArray, FloatArray]] = {}
        for venue, members in self._venues_of(benches).items():
            told = self._messages[members[0]]
            for n in members[1:]:
                told = told + self._messages[n]
            within = np.linalg.inv(told.information + apart)
            pull = apart @ within
            inside[venue] = np.asarray(within, dtype=float), told.score
            total = total + _Message(apart - pull @ apart, pull @ told.score)
        covariance = np.asarray(np.linalg.inv(total.information), dtype=float)
        mean = covariance @ total.score
        out = {"": (mean, covariance)}
        for venue, (within, score) in inside.items():
            carried = within @ apart
            spread = within + carried @ covariance @ carried.T
            out[venue] = within @ (score + apart @ mean), np.asarray(spread, dtype=float)
        return out

    def step(self) -> Learned:
        """One step of expectation–maximisation of the variances."""
        means = self._means(range(len(self.benches)))
        mean, covariance = means.pop("")
        size = len(self.kinds)
        apart = np.diag(1.0 / self.venue_var)
        prior = PRIOR_MEMBERS * self.mean_var
        venues, items = prior.copy(), prior.copy()
        venue_count, item_count = np.full(size, PRIOR_MEMBERS), np.full(size, PRIOR_MEMBERS)
        for venue, members in self._venues_of(range(len(self.benches))).items():
            here, spread = means[venue]
            met = np.zeros(size)
            met[np.concatenate([self._places[n] for n in members])] = 1.0
            # covariance of the venue's mean with the mean of all, from how the one follows the other
            told = sum((self._messages[n].information for n in members), np.zeros((size, size)))
            carried = np.linalg.solve(told + apart, apart)
            away = spread + covariance - carried @ covariance - covariance @ carried.T
            venues += met * ((here - mean) ** 2 + np.diagonal(away))
            venue_count += met
            for n in members:
                square = _item_square(self.benches[n], self._places[n], self.item_var, here, spread)
                items += np.bincount(self._places[n], weights=square, minlength=size)
                item_count += np.bincount(self._places[n], minlength=size)
        return Learned(
            self.kinds, self.benches, self.venues, items / item_count, venues / venue_count, self.mean_var
        )


def _message(b: BenchStatistics, at: IntArray, item_var: FloatArray) -> _Message:
    size = item_var.size
    loose = 1.0 / item_var[at]
    within = np.linalg.inv(b.information + np.diag(loose))
    information = np.diag(loose) - loose[:, None] * within * loose
    score = loose * (within @ b.score)
    onto = np.zeros((at.size, size))
    onto[np.arange(at.size), at] = 1.0
    return _Message(onto.T @ information @ onto, onto.T @ score)


def _item_square(
    b: BenchStatistics, at: IntArray, item_var: FloatArray, mean: FloatArray, covariance: FloatArray
) -> FloatArray:
    """Expected square (effects,) of what each item adds to its venue's mean."""
    loose = 1.0 / item_var[at]
    within = np.linalg.inv(b.information + np.diag(loose))
    follows = within * loose - np.eye(at.size)
    away = within @ (b.score + loose * mean[at]) - mean[at]
    spread = np.diagonal(within) + np.einsum(
        "ij,jk,ik->i", follows, covariance[np.ix_(at, at)], follows, optimize=True
    )
    return np.asarray(away**2 + spread)


def learn(benches: Sequence[BenchStatistics], venues: Sequence[str], rounds: int = ROUNDS) -> Learned:
    """Learn from benches, each with the venue it stands in, how far venues and items of every kind lie apart."""
    published: dict[str, list[float]] = {}
    for b in benches:
        for kind, sd in zip(b.kinds, b.published_sd, strict=True):
            published.setdefault(kind, []).append(float(sd) ** 2)
    kinds = tuple(sorted(published))
    third = np.array([np.mean(published[kind]) for kind in kinds]) / LEVELS
    found = Learned(kinds, tuple(benches), tuple(venues), third, third, third)
    for _ in range(rounds):
        found = found.step()
    return found


def _pooled_hands(benches: Sequence[BenchStatistics]) -> dict[str, float]:
    """Standard deviation of a run's departures by kind, held by a prior worth a few runs."""
    published = {
        hand_kind(p, motion): prior.run_rate_log_sd if p is P.RATE else RUN_SD_PRIOR[p]
        for motion, prior in MOTIONS.items()
        for p in RUN_PARAMETERS
    }
    out = {}
    for kind in sorted({kind for b in benches for kind in b.hands}):
        told = [b.hands[kind] for b in benches if kind in b.hands]
        count, total = (sum(column) for column in zip(*told, strict=True))
        sd = np.sqrt((PRIOR_RUNS * published[kind] ** 2 + total) / (PRIOR_RUNS + count))
        out[kind] = round(float(sd), 6)
    return out
