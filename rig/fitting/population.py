"""What many benches have in common, learned from what each one's runs say of its effects.

A bench says no more than its runs' information: the posterior of its effects less the prior it was fitted under, as a
Gaussian in natural parameters. So the same runs fitted under another prior count once, and no name leaves a bench.

Around it stands a linear model of three levels (`levels`), which starts from a third of the published variance for the
mean, for venues, and for items. Runs tell sums of effects well and their parts hardly, so what is known of the kinds'
means is told with its covariance: each kind's own variance would count what is not known of a sum once for each part.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np

from rig.arrays import FloatArray
from rig.fitting.effect_priors import random_effects_of, run_sd_prior
from rig.fitting.kinds import component_of, hand_kind, kind_of
from rig.fitting.levels import (
    Message,
    Posterior,
    Told,
    Variances,
    learned_variances,
    mean_of_all,
    mean_of_venue,
    message_of,
    nothing,
    passed_on,
)
from rig.fitting.priors import MOTIONS, RUN_SD_PRIOR, P
from rig.fitting.result import Fit, Verdict
from rig.fitting.situation import Situation
from rig.fitting.spreads import BELIEVED, PRIOR_RUNS, RUN_PARAMETERS
from rig.population import Population

LEVELS = 3
AMOUNTS = (P.WET, P.POWER, P.HANDS)
"""Logarithms of what acts in proportion to itself: once there is next to nothing of it, less is no different.

The slopes of a linearised fit do not say so. Where runs ask for less of it, the model's second derivative counts too:
of f ∝ exp(x) it is the slope itself, so that the information is more by what the runs pull.
"""


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
    prior = effects.prior_precision(effects.prior_sd * post.spreads.component_scale[effects.component])
    # what set-ups left out say is no information
    precision = post.effect_scale**2 * np.linalg.inv(post.covariance)
    pull = prior @ (post.effects - effects.prior_mean)
    amounts = [k for k, (parameter, *_) in enumerate(effects.keys) if parameter in AMOUNTS]
    information = precision - prior
    information[amounts, amounts] += np.maximum(-pull[amounts], 0.0)
    score = information @ post.effects + pull
    mine = [k for k, kind in enumerate(kinds) if kind is not None]
    own = [k for k, kind in enumerate(kinds) if kind is None]
    if own:  # a probe's own effects are integrated out under their prior
        theirs = prior[np.ix_(own, own)]  # nothing that others know of goes with them
        inner = information[np.ix_(own, own)] + theirs
        gain = np.linalg.solve(inner, information[np.ix_(own, mine)]).T
        score = score[mine] - gain @ (score[own] + theirs @ effects.prior_mean[own])
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
class Learned:
    """What was learned from benches: variances by kind, and all that priors for a bench follow from."""

    kinds: tuple[str, ...]
    benches: tuple[BenchStatistics, ...]
    venues: tuple[str, ...]
    variances: Variances

    @cached_property
    def _told(self) -> tuple[Told, ...]:
        return _told_of(self.benches, self.kinds)

    @cached_property
    def _messages(self) -> tuple[Message, ...]:
        return tuple(message_of(told, self.variances.item)[0] for told in self._told)

    @cached_property
    def _passed_on(self) -> dict[str, Message]:
        """What each venue says of the means of all."""
        return {v: self._passed(self._said(at))[0] for v, at in members_of(self.venues).items()}

    def _said(self, benches: Sequence[int]) -> Message:
        """What benches of one venue say of its means."""
        return sum((self._messages[n] for n in benches), nothing(len(self.kinds)))

    def _passed(self, said: Message) -> tuple[Message, FloatArray]:
        return passed_on(said, self.variances.venue)

    def prior_for(self, venue: str, without: int | None = None) -> Population | None:
        """The prior of a bench at a venue, of all benches but the one `without` names; None where there is none.

        The variances are those of all benches: what a bench says of its own level is taken out, not how far benches lie
        apart.
        """
        others = [n for n in range(len(self.benches)) if n != without]
        if not others:
            return None
        level = self._level(venue, without)
        met = np.zeros(len(self.kinds), dtype=bool)
        for n in others:
            met[self._told[n].at] = True
        item_sd = np.sqrt(self.variances.item)
        return Population(
            effects={
                self.kinds[k]: (round(float(level.mean[k]), 6), round(float(item_sd[k]), 6))
                for k in np.flatnonzero(met)
            },
            levels=level.covariance[np.ix_(met, met)],
            hands=_pooled_hands([self.benches[n] for n in others]),
            benches=len(others),
            venues=len({self.venues[n] for n in others}),
            runs=sum(self.benches[n].runs for n in others),
        )

    def _level(self, venue: str, without: int | None) -> Posterior:
        """Means at a venue, from other benches alone."""
        members = members_of(self.venues)
        passed = dict(self._passed_on)
        if without is not None:
            own = self.venues[without]
            members[own] = [n for n in members[own] if n != without]
            passed[own], _ = self._passed(self._said(members[own]))
        mean, _ = mean_of_all(sum(passed.values(), nothing(len(self.kinds))), self.variances.mean)
        here = members.get(venue)
        if not here:
            return Posterior(mean.mean, mean.covariance + np.diag(self.variances.venue))
        said = self._said(here)
        return mean_of_venue(said, self._passed(said)[1], self.variances.venue, mean)


def members_of(venues: Sequence[str]) -> dict[str, list[int]]:
    """Which benches stand at each venue."""
    found: dict[str, list[int]] = {}
    for n, venue in enumerate(venues):
        found.setdefault(venue, []).append(n)
    return found


def _told_of(benches: Sequence[BenchStatistics], kinds: Sequence[str]) -> tuple[Told, ...]:
    place = {kind: k for k, kind in enumerate(kinds)}
    return tuple(
        Told(b.information, b.score, np.array([place[kind] for kind in b.kinds], dtype=np.int64))
        for b in benches
    )


def learn(benches: Sequence[BenchStatistics], venues: Sequence[str]) -> Learned:
    """Learn from benches, each with the venue it stands in, how far venues and items of every kind lie apart."""
    published: dict[str, list[float]] = {}
    for b in benches:
        for kind, sd in zip(b.kinds, b.published_sd, strict=True):
            published.setdefault(kind, []).append(float(sd) ** 2)
    kinds = tuple(sorted(published))
    third = np.array([np.mean(published[kind]) for kind in kinds]) / LEVELS
    component = np.unique([component_of(kind) for kind in kinds], return_inverse=True)[1]
    before = Variances(third, third, third)
    found = learned_variances(_told_of(benches, kinds), members_of(venues), before, component)
    return Learned(kinds, tuple(benches), tuple(venues), found)


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
