"""What benches have in common: learned as mixed models are, without names, and never from a bench for itself."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.optimize import approx_fprime
from scipy.stats import multivariate_normal

from rig.advice.call.joint_draws import joint_draws
from rig.bench import Bench
from rig.fitting import kinds
from rig.fitting.bench_fit import fingerprint, fit, prior_fit
from rig.fitting.effect_priors import effect_priors, random_effects_of
from rig.fitting.kinds import kind_of
from rig.fitting.known_effects import known_of
from rig.fitting.levels import Told, Variances, log_evidence
from rig.fitting.melt_fit import MeltPosterior
from rig.fitting.population import AMOUNTS, BenchStatistics, Learned, learn, statistics_of
from rig.fitting.prediction import predict
from rig.fitting.priors import P
from rig.fitting.random_effects import effects_of
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.population import Population
from rig.runs import RunBook
from tests.cli.small_bench import small_book
from tests.shared_fits import fitted

EMPTY = Population({}, np.zeros((0, 0)), {}, 0, 0, 0)


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
    found = learn([said(v) for v in value], [str(v) for v in venue])
    table = pd.DataFrame({"value": value, "venue": venue})
    other = smf.mixedlm("value ~ 1", table, groups="venue").fit(reml=True)
    assert found.variances.item[0] == pytest.approx(other.scale, rel=0.05)
    assert found.variances.venue[0] == pytest.approx(float(other.cov_re.iloc[0, 0]), rel=0.1)
    new = found.prior_for("a new venue")
    assert new is not None
    mean, sd = new.told()["effects"]["rate"]
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


def test_a_sum_that_bars_tell_is_as_well_known_to_a_new_one_though_its_parts_are_not() -> None:
    """The spread of the sums themselves is the outside check: a plain sample standard deviation of 60 of them."""
    rng = np.random.default_rng(11)
    sums = 0.5 + rng.normal(0.0, 0.1, 60)
    parts = tuple("abcdef")
    each = np.full(6, 0.3)
    told = [
        BenchStatistics(parts, each, np.full((6, 6), 1e4), np.full(6, 1e4 * total), {}, 12) for total in sums
    ]
    prior = learn(told, [str(n) for n in range(60)]).prior_for("new")
    assert prior is not None
    own = sum(sd**2 for _, sd in prior.effects.values())
    together, apart = np.sqrt(own + prior.levels.sum()), np.sqrt(own + np.trace(prior.levels))
    assert together == pytest.approx(
        sums.std(ddof=1), rel=0.4
    )  # published spreads, 0.73 together, still weigh
    assert apart > 2.0 * together


def test_a_few_bars_that_are_alike_in_everything_are_seen_to_be() -> None:
    """Six bars, forty things, a fifth of the published spread in each: no single one of them could tell."""
    rng = np.random.default_rng(3)
    many = tuple(f"part · owner {n:02d}" for n in range(40))
    level = rng.normal(0.0, 0.5, 40)
    told = []
    for value in level + 0.2 * rng.normal(0.0, 1.0, (6, 40)):
        told.append(BenchStatistics(many, np.ones(40), 25.0 * np.eye(40), 25.0 * value, {}, 10))
    prior = learn(told, [str(n) for n in range(6)]).prior_for("new")
    assert prior is not None
    said_sd = np.array([sd for _, sd in prior.told()["effects"].values()])
    away = np.array([mean for mean, _ in prior.effects.values()]) - level
    really = np.sqrt(0.2**2 + np.mean(away**2))
    assert np.sqrt(np.mean(said_sd**2)) == pytest.approx(really, rel=0.25)


def test_evidence_is_a_normal_density_and_its_slopes_are_its_own() -> None:
    """SciPy's multivariate normal is the outside check, of effects told exactly but for a known noise."""
    rng = np.random.default_rng(8)
    venues = {"x": [0, 1], "y": [2]}
    at = [np.array([0, 1, 1]), np.array([1, 0]), np.array([0, 1])]
    seen = [rng.normal(size=a.size) for a in at]
    noise = 0.3
    told = [Told(np.eye(a.size) / noise**2, y / noise**2, a) for a, y in zip(at, seen, strict=True)]
    kind, bench = np.concatenate(at), np.repeat([0, 1, 2], [3, 2, 2])
    venue = np.array([0, 0, 1])[bench]
    same_kind = kind[:, None] == kind

    def density(v: Variances) -> float:
        covariance = np.diag(v.item[kind] + noise**2)
        covariance += same_kind * (v.mean[kind] + v.venue[kind] * (venue[:, None] == venue))
        return float(multivariate_normal(cov=covariance).logpdf(np.concatenate(seen)))

    def moved(x: np.ndarray) -> Variances:
        return Variances(0.4 * np.exp(x[:2]), 0.2 * np.exp(x[2:]), np.array([0.5, 0.1]))

    x = rng.normal(size=4)
    value, *slopes = log_evidence(told, venues, moved(x))
    none = log_evidence(told, venues, moved(np.zeros(4)))[0]
    assert value - none == pytest.approx(density(moved(x)) - density(moved(np.zeros(4))))
    np.testing.assert_allclose(
        np.concatenate(slopes), approx_fprime(x, lambda y: density(moved(y))), rtol=1e-4
    )


def test_a_bench_has_no_part_in_its_own_prior() -> None:
    values = (0.1, 0.2, 0.3, 5.0)
    venues = [str(n) for n in range(4)]
    found = learn([said(v) for v in values], venues)
    other = Learned(found.kinds, (*found.benches[:3], said(-9.0)), found.venues, found.variances)
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
    pull = (post.effects - effects.prior_mean) / sd**2
    curved = [max(-pull[k], 0.0) if effects.keys[k][0] in AMOUNTS else 0.0 for k in mine]
    assert max(curved) > 0.0
    precision = told.information + np.diag(1.0 / sd[mine] ** 2 - curved)
    unscaled = (
        post.covariance / post.effect_scale**2
    )  # what set-ups left out say of it is no information of runs
    np.testing.assert_allclose(np.linalg.inv(precision), unscaled[np.ix_(mine, mine)], rtol=1e-5, atol=1e-9)
    np.testing.assert_allclose(
        np.linalg.solve(precision + np.diag(curved), told.score), post.effects[mine], rtol=1e-4, atol=1e-6
    )
    again = BenchStatistics.from_bytes(told.to_bytes())
    assert (again.kinds, again.runs, again.hands) == (told.kinds, told.runs, told.hands)
    np.testing.assert_allclose(again.information, told.information, rtol=1e-6, atol=1e-3)


def test_the_same_runs_say_the_same_under_a_prior_that_others_taught(known: Fit) -> None:
    """Where little is pulled, so that the model is nearly linear: what the bench says of its sums does not change."""
    prior = learn([statistics_of(known)] * 3, ["a", "b", "c"]).prior_for("new")
    assert prior is not None
    again = fit(replace(known.book, population=prior))
    assert again.random_effects.prior_correlation is not None
    first, second = statistics_of(known), statistics_of(again)
    place = {kind: k for k, kind in enumerate(dict.fromkeys(first.kinds))}
    values, vectors = np.linalg.eigh(first.information)
    best = vectors[:, values > 1e-3 * values[-1]]
    said_first, said_second = (
        np.linalg.solve(s.information + np.diag(1.0 / s.published_sd**2), s.score) for s in (first, second)
    )
    assert len(place) > 20
    assert best.shape[1] > 3
    np.testing.assert_allclose(best.T @ said_second, best.T @ said_first, atol=0.05)


def test_little_of_an_amount_is_as_good_as_none() -> None:
    """Of an amount exp(x) that is seen through noise: the true second derivative, not the slopes' square alone."""
    sigma, x, seen = 0.2, -1.5, 0.0

    def misfit(at: float) -> float:
        return 0.5 * ((seen - np.exp(at)) / sigma) ** 2

    step = 1e-3
    curvature = (misfit(x + step) - 2.0 * misfit(x) + misfit(x - step)) / step**2
    pull = (seen - np.exp(x)) * np.exp(x) / sigma**2
    assert pull < 0.0
    assert curvature == pytest.approx((np.exp(x) / sigma) ** 2 - pull, rel=1e-4)


def test_what_no_run_has_met_follows_what_runs_say_of_the_bar(known: Fit) -> None:
    """As if it had been in the fit and no run had said anything of it: Bayes' rule on the whole joint normal."""
    prior = learn([statistics_of(known)] * 4, list("abcd")).prior_for("new")
    assert prior is not None
    book = replace(known.book, population=prior)
    few = replace(book, runs=tuple(r for r in book.runs if r.set_up == book.runs[0].set_up))
    fitted_few = fit(few)
    effects, post = fitted_few.random_effects, fitted_few.posterior
    other = next(r for r in book.runs if r.set_up != book.runs[0].set_up)
    new = [(key, sd) for key, sd in effects_of(book.bench, Situation.of(other)) if key not in effects.index()]
    assert new
    listed = [*zip(effects.keys, effects.prior_sd, strict=True), *new]
    published = random_effects_of(book.bench, [Situation.of(r) for r in (*few.runs, other)])
    sd_of = dict(zip(published.keys, published.prior_sd, strict=True))
    whole = [(key, sd_of[key]) for key, _ in listed]
    mean, sd, correlation = effect_priors(book.bench, whole, prior)
    assert correlation is not None
    scale = dict(zip(effects.components, post.spreads.component_scale, strict=True))
    sd = sd * np.array([scale.get((key[0], key[1]), 1.0) for key, _ in whole])
    old = slice(len(effects))
    prior_precision = np.linalg.inv(correlation * np.outer(sd, sd))
    own = np.linalg.inv((correlation * np.outer(sd, sd))[old, old])
    unscaled = np.linalg.inv(post.covariance / post.effect_scale**2)
    precision = prior_precision.copy()
    precision[old, old] += unscaled - own
    score = prior_precision @ mean
    score[old] += unscaled @ post.effects - own @ mean[old]
    found = known_of(fitted_few, listed)
    np.testing.assert_allclose(found.mean, np.linalg.solve(precision, score), atol=1e-6)
    np.testing.assert_allclose(
        found.covariance, post.effect_scale**2 * np.linalg.inv(precision), rtol=1e-4, atol=1e-8
    )
    drink, times = Situation.of(other), np.array([5.0, 12.0])
    plain = predict(fitted_few, drink, times, draws=512, new_run=False)
    (joint,) = joint_draws(fitted_few, [drink], [times], 512, 1).predictions
    np.testing.assert_allclose(joint.temp_c.mean(axis=0), plain.temp_c.mean(axis=0), atol=0.05)
    np.testing.assert_allclose(joint.temp_c.std(axis=0), plain.temp_c.std(axis=0), rtol=0.1)


def test_a_population_is_the_same_after_it_was_text() -> None:
    levels = np.array([[0.5, 0.25], [0.25, 2.0]])
    one = Population({"b": (0.25, 0.5), "a": (-1.0, 2.0)}, levels, {"rate": 0.125}, 3, 2, 40)
    again = Population.from_json(one.to_json())
    assert again == one
    assert again.place == {"b": 0, "a": 1}
    np.testing.assert_array_equal(again.levels, levels)
    assert one != Population(one.effects, 2.0 * levels, one.hands, 3, 2, 40)
    assert one.told()["effects"]["b"] == (0.25, pytest.approx(np.sqrt(0.25 + 0.5), abs=1e-6))


def test_what_was_learned_before_levels_were_told_still_serves() -> None:
    text = '{"benches": 2, "effects": {"rate": [0.5, 0.25]}, "hands": {}, "runs": 9, "venues": 1}'
    found = Population.from_json(text)
    assert found.told()["effects"] == {"rate": (0.5, 0.25)}
    assert found.words == "from 2 bars, 9 runs"


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
    return replace(book, population=Population({rate: (by, 0.05)}, np.zeros((1, 1)), {}, 14, 14, 2310))


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
    assert len([k for k in found if k is not None and k.startswith("rate")]) == 7
    assert not [
        k
        for k in found
        if k is not None
        and k.split(" · ")[0].upper() in {p.name for p in kinds.OF_INSTRUMENTS | kinds.OF_NATURE}
    ]
