"""What benches have in common: learned as mixed models are, without names, and never from a bench for itself."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from rig.bench import Bench
from rig.fitting import kinds
from rig.fitting.bench_fit import fingerprint, fit, prior_fit
from rig.fitting.kinds import kind_of
from rig.fitting.melt_fit import MeltPosterior
from rig.fitting.population import BenchStatistics, Learned, learn, statistics_of
from rig.fitting.prediction import predict
from rig.fitting.priors import P
from rig.fitting.random_effects import effects_of
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.population import Population
from rig.runs import RunBook
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted

EMPTY = Population({}, {}, 0, 0, 0)


@pytest.fixture(scope="module")
def known() -> Fit:
    return fitted(small_book())


def said(value: float, sure: float = 1e4, kind: str = "rate") -> BenchStatistics:
    """A bench with one effect, which its runs tell to within 1 ÷ √`sure`."""
    return BenchStatistics((kind,), np.array([1.0]), np.array([[sure]]), np.array([sure * value]), {}, 10)


def test_variances_and_means_are_those_of_a_mixed_model_by_reml() -> None:
    """statsmodels' MixedLM (Lindstrom & Bates), an outside check: 80 venues of 4 benches, hyperpriors worth little."""
    rng = np.random.default_rng(5)
    venue = np.repeat(np.arange(80), 4)
    value = 0.4 + rng.normal(0, 0.7, 80)[venue] + rng.normal(0, 0.5, venue.size)
    found = learn([said(v) for v in value], [str(v) for v in venue], rounds=60)
    table = pd.DataFrame({"value": value, "venue": venue})
    other = smf.mixedlm("value ~ 1", table, groups="venue").fit(reml=True)
    assert found.item_var[0] == pytest.approx(other.scale, rel=0.05)
    assert found.venue_var[0] == pytest.approx(float(other.cov_re.iloc[0, 0]), rel=0.1)
    new = found.prior_for("a new venue")
    assert new is not None
    mean, sd = new.effects["rate"]
    assert mean == pytest.approx(float(other.fe_params["Intercept"]), abs=0.02)
    assert sd == pytest.approx(np.sqrt(other.scale + float(other.cov_re.iloc[0, 0])), rel=0.05)
    here = found.prior_for("7")
    assert here is not None
    blup = float(other.fe_params["Intercept"]) + float(other.random_effects[7].iloc[0])
    assert here.effects["rate"][0] == pytest.approx(blup, abs=0.02)


def test_what_only_sums_tell_is_not_counted_twice() -> None:
    """Benches whose runs tell only the sum of two kinds: the two means come to that sum together."""
    told = [
        BenchStatistics(
            ("ice", "hand"), np.array([0.5, 0.5]), np.full((2, 2), 400.0), np.full(2, 400.0 * 0.8), {}, 12
        )
        for _ in range(40)
    ]
    prior = learn(told, [str(n) for n in range(40)]).prior_for("new")
    assert prior is not None
    assert prior.effects["ice"][0] + prior.effects["hand"][0] == pytest.approx(0.8, abs=0.05)


def test_a_bench_has_no_part_in_its_own_prior() -> None:
    values = (0.1, 0.2, 0.3, 5.0)
    venues = [str(n) for n in range(4)]
    found = learn([said(v) for v in values], venues)
    other = Learned(
        found.kinds,
        (*found.benches[:3], said(-9.0)),
        found.venues,
        found.item_var,
        found.venue_var,
        found.mean_var,
    )
    assert found.prior_for("3", without=3) == other.prior_for("3", without=3)
    assert found.prior_for("3") != other.prior_for("3")
    only = learn([said(1.0)], ["0"])
    assert only.prior_for("0", without=0) is None
    mixed = learn([said(1.0), said(2.0, kind="wet")], ["0", "1"]).prior_for("0", without=0)
    assert mixed is not None
    assert set(mixed.effects) == {"wet"}
    assert (mixed.benches, mixed.venues, mixed.runs) == (1, 1, 10)


def test_few_benches_move_the_prior_little_and_many_much() -> None:
    def mean(count: int) -> float:
        prior = learn([said(1.0, sure=4.0)] * count, [str(n) for n in range(count)]).prior_for("new")
        assert prior is not None
        return prior.effects["rate"][0]

    assert 0.0 < mean(1) < 0.5 < mean(5) < mean(40) < 1.0


def test_statistics_are_the_posterior_less_the_prior(known: Fit) -> None:
    """Put back under the same prior they give the posterior again, the probe's own effects integrated out."""
    told = statistics_of(known)
    effects, post = known.random_effects, known.posterior
    mine = [k for k, key in enumerate(effects.keys) if kind_of(known.bench, key) is not None]
    sd = effects.prior_sd * post.spreads.component_scale[effects.component]
    precision = told.information + np.diag(1.0 / sd[mine] ** 2)
    unscaled = (
        post.covariance / post.effect_scale**2
    )  # what set-ups left out say of it is no information of runs
    np.testing.assert_allclose(np.linalg.inv(precision), unscaled[np.ix_(mine, mine)], rtol=1e-5, atol=1e-9)
    np.testing.assert_allclose(
        np.linalg.solve(precision, told.score), post.effects[mine], rtol=1e-4, atol=1e-6
    )
    again = BenchStatistics.from_bytes(told.to_bytes())
    assert (again.kinds, again.runs, again.hands) == (told.kinds, told.runs, told.hands)
    np.testing.assert_allclose(again.information, told.information, rtol=1e-6, atol=1e-3)


def test_no_name_of_the_bench_travels(known: Fit) -> None:
    """Only words of `kinds`: every name of the bench is changed for another, and nothing that is told changes."""
    told = statistics_of(known)
    prior = learn([told], ["somewhere"]).prior_for("new")
    assert prior is not None
    words = (*told.kinds, *told.hands, *prior.effects, *prior.hands)
    motions = {"shake", "stir", "blend", "swirl", "build"}
    names = [n for n in known.bench.names if n.casefold() not in motions]
    assert names
    assert not [(n, w) for n in names for w in words if n.casefold() in w.casefold()]


def test_without_a_population_nothing_is_changed_to_the_bit(known: Fit) -> None:
    book = replace(known.book, population=EMPTY)
    other = fit(book)
    for field in fields(MeltPosterior):
        mine, theirs = getattr(known.posterior, field.name), getattr(other.posterior, field.name)
        if isinstance(mine, np.ndarray):
            np.testing.assert_array_equal(mine, theirs, err_msg=field.name)
    s, times = Situation.of(book.runs[0]), np.array([5.0, 12.0])
    before, after = (predict(prior_fit(b), s, times, draws=64) for b in (known.book, book))
    np.testing.assert_array_equal(before.temp_c, after.temp_c)
    assert fingerprint(book) != fingerprint(known.book)


def quicker(book: RunBook, by: float) -> RunBook:
    """The book, begun from bars whose hands move `by` quicker, as a logarithm."""
    s = Situation.of(book.runs[0])
    rate = kind_of(book.bench, next(key for key, _ in effects_of(book.bench, s) if key[0] is P.RATE))
    assert rate is not None
    return replace(book, population=Population({rate: (by, 0.05)}, {}, 14, 14, 2310))


def test_before_any_run_a_drink_follows_what_others_know_and_says_so() -> None:
    book = small_book()
    s, times = Situation.of(book.runs[0]), np.array([4.0])
    plain, told = (
        predict(prior_fit(replace(b, runs=())), s, times, draws=256) for b in (book, quicker(book, 0.6))
    )
    assert np.median(told.temp_c) < np.median(plain.temp_c) - 0.5
    assert np.std(told.temp_c) < np.std(plain.temp_c)
    assert told.basis.others == "from 14 bars, 2,310 runs"
    assert plain.basis.others == ""


def test_classes_of_drinks_ices_and_vessels_are_told_apart_by_what_they_are(known: Fit) -> None:
    bench: Bench = known.bench
    s = Situation.of(known.book.runs[0])
    found = {kind_of(bench, key) for key, _ in effects_of(bench, s)} - {None}
    assert len([k for k in found if k is not None and k.startswith("rate")]) == 9
    assert not [
        k
        for k in found
        if k is not None and k.split(" · ")[0].upper() in {p.name for p in kinds.OF_INSTRUMENTS}
    ]
