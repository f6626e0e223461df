"""What changed between groups of runs: the size of it, how surely, and no more false alarms than are said."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm

from rig.advice.check.residual_bias import Observation
from rig.advice.compare.group_effects import group_effects
from rig.advice.compare.what_changed import what_changed
from rig.advice.compare.what_changed_words import sentences
from rig.advice.evidence.statistics import Verdict
from rig.errors import NotEnoughData
from rig.fitting.result import Fit
from rig.fitting.result import Verdict as RunVerdict
from tests.cli.small_bench import small_book
from tests.published.test_nist_anova import SIRSTV
from tests.shared_fits import fitted
from tests.trade_words import stops_in


def test_one_way_it_is_the_certified_analysis_of_variance() -> None:
    values = np.array([v for group in SIRSTV for v in group])
    names = [f"instrument {k}" for k, group in enumerate(SIRSTV) for _ in group]
    found = group_effects(values - values.mean(), names, ["one"] * len(names))
    assert found is not None
    # certified F of NIST's data set SiRstv, with 4 and 20 degrees of freedom
    assert found.p_any == pytest.approx(stats.f.sf(1.18046237440255, 4, 20), rel=1e-9)
    one = found.contrast(np.array([1.0, -1.0, 0.0, 0.0, 0.0]))
    assert float(one.standard_error) == pytest.approx(1.04076068334656e-01 * np.sqrt(2 / 5), rel=1e-9)


def test_two_ways_of_any_shape_it_is_that_of_a_general_library() -> None:
    rng = np.random.default_rng(7)
    cell = rng.choice(["p", "q", "r"], 40)
    group = np.where(
        rng.random(40) < np.where(cell == "p", 0.8, 0.3), "a", np.where(rng.random(40) < 0.5, "b", "c")
    )
    y = rng.normal(size=40) + (cell == "q") * 2.0 + (group == "b") * 0.7
    fit = smf.ols("y ~ C(group) + C(cell)", pd.DataFrame({"y": y, "group": group, "cell": cell})).fit()
    found = group_effects(y, list(group), list(cell))
    assert found is not None and found.groups == ("a", "b", "c")
    for k, name in ((1, "C(group)[T.b]"), (2, "C(group)[T.c]")):
        apart = found.contrast(np.eye(3)[k] - np.eye(3)[0])
        assert float(apart.value) == pytest.approx(fit.params[name])
        assert float(apart.standard_error) == pytest.approx(fit.bse[name])
        low, high = apart.interval(0.95)
        assert [float(low), float(high)] == pytest.approx(list(fit.conf_int().loc[name]))
    assert found.p_any == pytest.approx(anova_lm(fit, typ=2).loc["C(group)", "PR(>F)"])


def test_runs_of_a_session_do_not_count_as_if_each_were_alone() -> None:
    rng = np.random.default_rng(11)
    group = np.repeat(["a", "b"], 24)
    session = [f"{g}{k // 6}" for g, k in zip(group, range(48), strict=True)]
    alarms, plain, told = 0, 0, 400
    for _ in range(told):
        shared = dict(zip(sorted(set(session)), rng.normal(size=8), strict=True))
        y = rng.normal(size=48) + np.array([shared[s] for s in session])
        found, naive = group_effects(y, group, ["one"] * 48, session), group_effects(y, group, ["one"] * 48)
        assert found is not None and naive is not None
        alarms += found.p_any < 0.05
        plain += naive.p_any < 0.05
    assert plain / told > 0.2
    assert alarms / told < 0.08


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fitted(small_book())


def made_by(fit: Fit, shift_g: float = 0.0, *, alternating: bool = True) -> Fit:
    """The same fit with runs by two people on two days, the second of whom lets so much more water in."""
    second = {r.run for k, r in enumerate(fit.book.runs) if (k % 2 if alternating else r.run[0] == "b")}
    runs = tuple(
        replace(
            r,
            operator="Ada" if r.run in second else "Bo",
            started_at=datetime(2031, 4, 12 + (r.run in second), 18, tzinfo=UTC),
            extra={**r.extra, "ice batch": "bag 2" if r.run in second else "bag 1"},
        )
        for r in fit.book.runs
    )  # fmt: skip
    judged = [r.run for r in fit.runs if r.verdict in (RunVerdict.GOOD, RunVerdict.DOUBTFUL)]
    residual = fit.posterior.strained_residual_g + shift_g * np.array([name in second for name in judged])
    return replace(
        fit,
        book=replace(fit.book, runs=runs),
        posterior=replace(fit.posterior, strained_residual_g=residual),
    )


@pytest.mark.parametrize("by", ["day", "operator", "ice-batch"])
def test_a_change_is_found_with_its_size_whatever_it_goes_by(fit: Fit, by: str) -> None:
    before = what_changed(made_by(fit), by=by).changes
    after = what_changed(made_by(fit, 6.0), by=by).changes
    at = [c.observation for c in before].index(Observation.WEIGHING)
    sign = 1.0 if after[at].group in ("Ada", "2031-04-13", "bag 2") else -1.0
    assert sign * (after[at].difference - before[at].difference) == pytest.approx(6.0 / 100.0, rel=0.02)
    assert after[at].verdict is Verdict.DIFFERENT
    assert before[at].verdict is not Verdict.DIFFERENT
    assert after[at].low < after[at].difference < after[at].high


def test_it_is_told_in_a_sentence_with_interval_and_runs(fit: Fit) -> None:
    told = sentences(what_changed(made_by(fit, 6.0), by="day"))
    first = told[0]
    assert first.startswith("2031-04-13: ")
    assert "% dilution more than 2031-04-12 (" in first
    assert [w for t in told for w in stops_in(t)] == []
    assert first.endswith(" runs.")


def test_since_a_date_is_before_against_from_then_on(fit: Fit) -> None:
    found = what_changed(made_by(fit, 6.0), since=date(2031, 4, 13))
    assert set(found.groups) == {"before 2031-04-13", "since 2031-04-13"}
    assert found.changes[0].verdict is Verdict.DIFFERENT
    with pytest.raises(NotEnoughData, match="only 'Ada' is there"):
        what_changed(made_by(fit), by="operator", since=date(2031, 4, 13))


def test_groups_that_share_no_drink_on_a_set_up_are_not_compared(fit: Fit) -> None:
    found = what_changed(made_by(fit, 6.0, alternating=False), by="operator")
    # Ada made all runs of one set-up, Bo those of the others: it may be the set-up
    assert found.changes == ()
    assert found.apart == (("Ada", "Bo"),)
    assert "share no drink on a set-up" in sentences(found)[0]


def test_a_bench_that_names_no_operator_is_told_what_to_write_down(fit: Fit) -> None:
    with pytest.raises(NotEnoughData, match="Write down operator of each run"):
        what_changed(fit, by="operator")
